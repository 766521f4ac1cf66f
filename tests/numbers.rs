//! Spoken numbers against an outside source, PyPI num2words 0.5.14 (`tests/numbers/make.py`).

use earmark::grammar::graph::{self, Graph};
use earmark::grammar::jsgf;
use earmark::grammar::meaning::Understood;
use serde_json::Value;

const CARDINALS: &str = include_str!("numbers/cardinals.txt");
const DECIMALS: &str = include_str!("numbers/decimals.txt");

/// The graph of one range, its value in the event `x`.
fn range(range: &str) -> Graph {
    let text = format!("#JSGF V1.0;\ngrammar numbers;\npublic <n> = <number:{range}> {{x=#}};");
    graph::compile(&jsgf::parse("numbers.jsgf", &text).unwrap()).unwrap_or_else(|e| panic!("{range}: {e}"))
}

/// The values that `sentence` can have.
fn values(graph: &Graph, sentence: &str) -> Vec<Value> {
    graph
        .understand(sentence)
        .into_iter()
        .map(|understood| match understood {
            Understood::CallOut(meaning) => meaning.value.unwrap_or_else(|| panic!("\"{sentence}\" has no value")),
            Understood::Decoy => panic!("\"{sentence}\" is a decoy"),
        })
        .collect()
}

/// Asserts that each line's words mean its number, and it alone.
fn agree<'a>(graph: &Graph, lines: impl Iterator<Item = &'a str>) -> usize {
    let mut count = 0;
    for line in lines {
        let (number, words) = line.split_once('\t').expect("number, tab, words");
        // A JSON number as written in the file: 12 or 0.25.
        let number: Value = serde_json::from_str(number).unwrap();
        assert_eq!(values(graph, words), [number], "\"{words}\"");
        count += 1;
    }
    count
}

#[test]
fn whole_numbers_are_understood_as_num2words_spells_them() {
    assert_eq!(agree(&range("0-9999"), CARDINALS.lines()), 10_000);
}

#[test]
fn decimals_are_understood_as_num2words_spells_them() {
    let number = |line: &&str| line.split('\t').next().unwrap().to_owned();
    let tenths =
        DECIMALS.lines().filter(|line| number(line).split_once('.').is_none_or(|(_, digits)| digits.len() == 1));
    assert_eq!(agree(&range("0-20/0.1"), tenths), 201);
    let hundredths = DECIMALS.lines().filter(|line| (0.01..=5.0).contains(&number(line).parse::<f64>().unwrap()));
    assert_eq!(agree(&range("0.01-5/0.01"), hundredths), 500);
}

/// num2words writes "0" where the range begins above it, and every number that the range leaves out.
#[test]
fn numbers_outside_the_range_or_between_its_steps_are_not_understood() {
    for (bounds, low, high, step) in
        [("20-250", 20, 250, 1), ("40-200/10", 40, 200, 10), ("300-6000/10", 300, 6000, 10)]
    {
        let graph = range(bounds);
        for line in CARDINALS.lines() {
            let (number, words) = line.split_once('\t').unwrap();
            let number: i64 = number.parse().unwrap();
            let inside = (low..=high).contains(&number) && (number - low) % step == 0;
            let expected = if inside { vec![Value::from(number)] } else { vec![] };
            assert_eq!(values(&graph, words), expected, "\"{words}\" in {bounds}");
        }
    }
}

#[test]
fn no_sentence_means_two_numbers() {
    for (bounds, step) in
        [("0-9999", 1.0), ("0-20/0.1", 0.1), ("0.01-5/0.01", 0.01), ("20-250", 1.0), ("2.0-4.5/0.5", 0.5)]
    {
        let graph = range(bounds);
        let (low, high) = bounds.split('/').next().unwrap().split_once('-').unwrap();
        let (low, high): (f64, f64) = (low.parse().unwrap(), high.parse().unwrap());
        let mut spoken = std::collections::BTreeSet::new();
        for sentence in graph.sentences() {
            let values = values(&graph, &sentence);
            assert_eq!(values.len(), 1, "\"{sentence}\" means {values:?}");
            let value = values[0].as_f64().unwrap();
            assert!((low..=high).contains(&value), "\"{sentence}\" is {value}");
            spoken.insert(((value - low) / step).round() as i64);
        }
        assert_eq!(spoken.len(), ((high - low) / step).round() as usize + 1, "{bounds}: each value can be said");
    }
}

/// Ways of speaking that num2words does not know; all by our own ear.
#[test]
fn what_people_say_beside_the_book() {
    let (whole, tenths) = (range("0-9999"), range("0-20/0.1"));
    for (words, number) in [
        ("one twenty", 120),
        ("a hundred and ten", 110),
        ("a hundred ten", 110),
        ("one oh five", 105),
        ("two ten", 210),
        ("three thousand two fifty", 3250),
        ("thirty two fifty", 3250),
        ("thirty two hundred", 3200),
        ("a thousand and one", 1001),
    ] {
        assert_eq!(values(&whole, words), [Value::from(number)], "\"{words}\"");
    }
    for (words, number) in [("three and a half", 3.5), ("point three", 0.3), ("oh point two", 0.2)] {
        assert_eq!(values(&tenths, words), [Value::from(number)], "\"{words}\"");
    }
    assert_eq!(values(&tenths, "thirteen point zero"), [Value::from(13)]);
    for words in
        ["", "hundred", "one hundred and", "twenty thirteen hundred", "one and twenty", "ten five", "five point"]
    {
        assert_eq!(values(&whole, words), Vec::<Value>::new(), "\"{words}\"");
    }
}
