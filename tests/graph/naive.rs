//! Random grammars: the graph against a plain recursive expansion of the tree.

use crate::{compile, meanings, sentences};
use earmark::grammar::graph::State;
use proptest::prelude::*;
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// What a grammar is made of here, and how it is written.
#[derive(Debug, Clone)]
enum Tree {
    Word(&'static str),
    Quoted(&'static [&'static str]),
    Null,
    Void,
    Number(usize),
    /// A number and its tag.
    Tagged(usize, &'static str),
    Sequence(Vec<Tree>),
    Alternatives(Vec<Tree>),
    /// With weights, some of them 0.
    Weighted(Vec<(u8, Tree)>),
    Optional(Box<Tree>),
    Repeat(Box<Tree>, bool),
    Tag(Box<Tree>, &'static str),
    Rule(Box<Tree>),
}

/// A value and its spoken forms.
type Spoken = (i64, &'static [&'static str]);

/// Ranges, and by hand what can be said for each value.
const RANGES: [(&str, &[Spoken]); 3] = [
    ("1-2", &[(1, &["one"]), (2, &["two"])]),
    ("20-21", &[(20, &["twenty"]), (21, &["twenty one"])]),
    (
        "101-101",
        &[(101, &["one oh one", "one hundred one", "one hundred and one", "a hundred one", "a hundred and one"])],
    ),
];

/// What is said, and what it contributes, in order.
type Way = (Vec<&'static str>, Vec<Item>);

#[derive(Debug, Clone)]
enum Item {
    Number(i64),
    Tag(&'static str),
}

/// Repeats end here, as the grammar's documentation says.
const REPEATS: usize = 4;
/// Larger grammars are left out: the naive way is exponential.
const MOST_WAYS: usize = 2000;

/// All ways to say a tree, or `None` when there are too many.
fn expand(tree: &Tree) -> Option<Vec<Way>> {
    let ways = match tree {
        Tree::Word(word) => vec![(vec![*word], vec![])],
        Tree::Quoted(words) => vec![(words.to_vec(), vec![])],
        Tree::Null => vec![(vec![], vec![])],
        Tree::Void => vec![],
        Tree::Number(range) => {
            let said = |(value, forms): &Spoken| {
                let value = *value;
                forms
                    .iter()
                    .map(move |form| (form.split(' ').collect(), vec![Item::Number(value)]))
                    .collect::<Vec<Way>>()
            };
            RANGES[*range].1.iter().flat_map(said).collect()
        }
        Tree::Tagged(range, tag) => tag_all(expand(&Tree::Number(*range))?, tag),
        Tree::Sequence(parts) => {
            let mut ways = vec![(vec![], vec![])];
            for part in parts {
                ways = product(&ways, &expand(part)?)?;
            }
            ways
        }
        Tree::Alternatives(list) => {
            let all: Option<Vec<_>> = list.iter().map(expand).collect();
            all?.concat()
        }
        Tree::Weighted(list) => {
            let all: Option<Vec<_>> =
                list.iter().filter(|(weight, _)| *weight > 0).map(|(_, body)| expand(body)).collect();
            all?.concat()
        }
        Tree::Optional(body) => [vec![(vec![], vec![])], expand(body)?].concat(),
        Tree::Repeat(body, at_least_one) => {
            let once = expand(body)?;
            let mut power = vec![(vec![], vec![])];
            let mut ways = if *at_least_one { vec![] } else { power.clone() };
            for _ in 0..REPEATS {
                power = product(&power, &once)?;
                ways.extend(power.iter().cloned());
            }
            ways
        }
        Tree::Tag(body, tag) => tag_all(expand(body)?, tag),
        Tree::Rule(body) => expand(body)?,
    };
    (ways.len() <= MOST_WAYS).then_some(ways)
}

fn tag_all(mut ways: Vec<Way>, tag: &'static str) -> Vec<Way> {
    ways.iter_mut().for_each(|(_, items)| items.push(Item::Tag(tag)));
    ways
}

fn product(left: &[Way], right: &[Way]) -> Option<Vec<Way>> {
    if left.len() * right.len() > MOST_WAYS {
        return None;
    }
    let pair = |a: &Way, b: &Way| ([a.0.clone(), b.0.clone()].concat(), [a.1.clone(), b.1.clone()].concat());
    Some(left.iter().flat_map(|a| right.iter().map(move |b| pair(a, b))).collect())
}

/// The meaning that the pack format's documentation gives to tags, as JSON text.
fn compose(items: &[Item]) -> String {
    let (mut value, mut unit, mut detail, mut number) = (None, None, Map::new(), None);
    for item in items {
        match item {
            Item::Number(spoken) => number = Some(*spoken),
            Item::Tag("event") => {}
            Item::Tag("event=#") => value = number.take().map(Value::from).or(value),
            Item::Tag("event=7") => value = Some(json!(7)),
            Item::Tag("unit=mg") => unit = Some("mg"),
            Item::Tag(".n=#") => {
                if let Some(number) = number.take() {
                    detail.insert("n".into(), json!(number));
                }
            }
            Item::Tag(tag) => {
                let (key, text) = tag[1..].split_once('=').unwrap();
                detail.insert(key.into(), json!(text));
            }
        }
    }
    let mut all = Map::from_iter([("event".to_string(), json!("event"))]);
    all.extend(value.map(|value| ("value".to_string(), value)));
    all.extend(unit.map(|unit| ("unit".to_string(), json!(unit))));
    if !detail.is_empty() {
        all.insert("detail".into(), detail.into());
    }
    Value::Object(all).to_string()
}

/// Writes a tree; rules of their own go to `rules`.
fn write(tree: &Tree, rules: &mut Vec<String>) -> String {
    let mut list = |trees: &[Tree], with: &str| trees.iter().map(|t| write(t, rules)).collect::<Vec<_>>().join(with);
    match tree {
        Tree::Word(word) => word.to_string(),
        Tree::Quoted(words) => format!("\"{}\"", words.join(" ")),
        Tree::Null => "<NULL>".into(),
        Tree::Void => "<VOID>".into(),
        Tree::Number(range) => format!("<number:{}>", RANGES[*range].0),
        Tree::Tagged(range, tag) => format!("<number:{}> {{{tag}}}", RANGES[*range].0),
        Tree::Sequence(parts) => format!("({})", list(parts, " ")),
        Tree::Alternatives(parts) => format!("({})", list(parts, " | ")),
        Tree::Weighted(parts) => {
            let all: Vec<_> = parts.iter().map(|(weight, body)| format!("/{weight}/ {}", write(body, rules))).collect();
            format!("({})", all.join(" | "))
        }
        Tree::Optional(body) => format!("[{}]", write(body, rules)),
        Tree::Repeat(body, at_least_one) => {
            format!("({}){}", write(body, rules), if *at_least_one { '+' } else { '*' })
        }
        Tree::Tag(body, tag) => format!("({}) {{{tag}}}", write(body, rules)),
        Tree::Rule(body) => {
            let body = write(body, rules);
            rules.push(format!("<r{}> = {body};\n", rules.len()));
            format!("<r{}>", rules.len() - 1)
        }
    }
}

fn any_tree() -> impl Strategy<Value = Tree> {
    let words: &[&str] = &["one", "hundred", "a", "b", "c"];
    let quoted: &[&'static [&'static str]] = &[&["a", "b"], &["a"], &["twenty", "one"]];
    let leaf = prop_oneof![
        8 => prop::sample::select(words).prop_map(Tree::Word),
        1 => prop::sample::select(quoted).prop_map(Tree::Quoted),
        1 => Just(Tree::Null),
        1 => Just(Tree::Void),
        1 => (0..RANGES.len()).prop_map(Tree::Number),
        2 => ((0..RANGES.len()), prop::sample::select(&["event=#", ".n=#"][..])).prop_map(|(r, t)| Tree::Tagged(r, t)),
    ];
    let tags: &[&str] = &["event", "event=7", "unit=mg", ".k=x", ".k=y", ".l=x"];
    leaf.prop_recursive(4, 16, 3, move |inner| {
        prop_oneof![
            4 => prop::collection::vec(inner.clone(), 2..4).prop_map(Tree::Sequence),
            3 => prop::collection::vec(inner.clone(), 2..4).prop_map(Tree::Alternatives),
            1 => (inner.clone(), prop::collection::vec((0..3u8, inner.clone()), 1..3)).prop_map(|(first, mut rest)| {
                rest.push((1, first)); // one at least is above 0
                Tree::Weighted(rest)
            }),
            2 => inner.clone().prop_map(|t| Tree::Optional(t.into())),
            1 => (inner.clone(), any::<bool>()).prop_map(|(t, plus)| Tree::Repeat(t.into(), plus)),
            3 => (inner.clone(), prop::sample::select(tags)).prop_map(|(t, tag)| Tree::Tag(t.into(), tag)),
            1 => inner.prop_map(|t| Tree::Rule(t.into())),
        ]
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, max_global_rejects: 20_000, ..ProptestConfig::default() })]
    #[test]
    fn the_graph_holds_what_the_tree_says_and_means(tree in any_tree()) {
        let ways = expand(&tree);
        prop_assume!(ways.is_some());
        let mut expected: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        for (words, items) in ways.unwrap().iter().filter(|(words, _)| !words.is_empty()) {
            expected.entry(words.join(" ")).or_default().insert(compose(items));
        }
        let mut rules = Vec::new();
        let body = write(&tree, &mut rules);
        let text = format!("public <all> = ({body}) {{event}};\n{}", rules.concat());
        let graph = compile(&text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        prop_assert_eq!(sentences(&graph), expected.keys().cloned().collect::<BTreeSet<_>>(), "{}", text);
        let forward = |(k, state): (usize, &State)| state.arcs.iter().all(|arc| arc.to as usize > k);
        prop_assert!(graph.states.iter().enumerate().all(forward), "states come before what follows them");
        for (sentence, meant) in &expected {
            prop_assert_eq!(&meanings(&graph, sentence), meant, "\"{}\" of {}", sentence, text);
        }
    }
}
