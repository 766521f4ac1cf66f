//! `checkpoints.toml`: read, compiled to rules, and checked for what could never work.

use super::{Events, Files, PackError, ValueKind};
use crate::checkpoints::{After, Condition, Language, Moment, Pattern, Rule, Rules, Test, Timer, span, wait};
use crate::grammar::graph::Graph;
use crate::grammar::meaning::{Output, Slot};
use crate::grammar::source::Span;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use toml::Spanned;

pub const CHECKPOINTS: &str = "checkpoints.toml";
/// A prompt that was not answered is missed after this, where the rule says nothing else.
const GIVES_UP_MS: Moment = 30_000;
/// A prompt takes about as long to say: nothing can be due sooner after what starts it.
const SHORTEST_MS: Moment = 1000;
/// Longer prompts are not listened to.
const MOST_WORDS: usize = 14;

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    breaths: Option<Breaths>,
    #[serde(default)]
    group: BTreeMap<String, Vec<Spanned<String>>>,
    #[serde(default)]
    timer: Vec<RawTimer>,
    /// Ids of rules of the extended pack that do not hold here.
    #[serde(default)]
    removes: Vec<Spanned<String>>,
    #[serde(default)]
    checkpoint: Vec<RawRule>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Breaths {
    /// Breaths a minute.
    rate: Spanned<f64>,
    counted_by: Spanned<String>,
    source: Spanned<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTimer {
    id: Spanned<String>,
    title: Option<String>,
    spoken: Option<Spanned<String>>,
    from: Vec<Spanned<String>>,
    until: Vec<Spanned<String>>,
    #[serde(default)]
    restarts: bool,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawRule {
    id: Spanned<String>,
    title: String,
    starts: Spanned<Vec<Spanned<String>>>,
    #[serde(default, rename = "if")]
    only_if: Vec<Spanned<String>>,
    after: Spanned<String>,
    since: Option<Spanned<String>>,
    #[serde(default, rename = "while")]
    only_while: Vec<Spanned<String>>,
    #[serde(default)]
    met_by: Vec<Spanned<String>>,
    early: Option<Spanned<String>>,
    #[serde(default)]
    cancelled_by: Vec<Spanned<String>>,
    #[serde(default)]
    restarts: bool,
    #[serde(default)]
    every: bool,
    times: Option<Spanned<u32>>,
    again: Option<Spanned<String>>,
    gives_up: Option<Spanned<String>>,
    priority: u8,
    prompt: Option<Spanned<String>>,
    source: Spanned<String>,
}

/// What the rules may speak of.
pub struct Surroundings<'a> {
    pub events: &'a Events,
    pub graph: &'a Graph,
    pub sources: &'a dyn Fn(&str) -> bool,
}

/// One file's text, and the name under which people know it.
#[derive(Clone, Copy)]
struct Text<'a> {
    name: &'a str,
    text: &'a str,
}

impl Text<'_> {
    fn fault<T>(self, span: std::ops::Range<usize>, what: impl Into<String>) -> Result<T, PackError> {
        Err(PackError::at(self.name, self.text, Span::new(span.start, span.end), what))
    }

    /// Reads a written value, and shows it where it is wrong.
    fn read<S: AsRef<str>, T>(
        self,
        item: &Spanned<S>,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, PackError> {
        read(item.get_ref().as_ref()).or_else(|what| self.fault(item.span(), what))
    }

    fn read_all<T>(
        self,
        items: &[Spanned<String>],
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<Vec<T>, PackError> {
        items.iter().map(|item| self.read(item, &read)).collect()
    }
}

/// Reads the rules of a pack: its own over those of the pack that it extends, if any.
pub fn load(own: &Files, base: Option<(&str, &Files)>, around: &Surroundings) -> Result<Rules, PackError> {
    let base_name = base.map(|(name, _)| format!("{name}/{CHECKPOINTS}"));
    let base_text = base.and_then(|(_, files)| files.get(CHECKPOINTS));
    let mut layers = Vec::new();
    if let (Some(name), Some(text)) = (&base_name, base_text) {
        layers.push(Text { name, text });
    }
    if let Some(text) = own.get(CHECKPOINTS) {
        layers.push(Text { name: CHECKPOINTS, text });
    }
    let mut written = Written::default();
    for text in layers {
        let file: File = toml::from_str(text.text).map_err(|e| PackError::toml(text.name, &e))?;
        written.lay_over(text, file)?;
    }
    written.compile(around)
}

/// All layers as one.
#[derive(Default)]
struct Written<'a> {
    breaths: Option<(Text<'a>, Breaths)>,
    groups: BTreeMap<String, (Text<'a>, Vec<Spanned<String>>)>,
    timers: Vec<(Text<'a>, RawTimer)>,
    rules: Vec<(Text<'a>, RawRule)>,
}

impl<'a> Written<'a> {
    /// A later layer replaces what has the same name, in its place, and adds the rest.
    fn lay_over(&mut self, text: Text<'a>, file: File) -> Result<(), PackError> {
        if let Some(breaths) = file.breaths {
            self.breaths = Some((text, breaths));
        }
        self.groups.extend(file.group.into_iter().map(|(name, items)| (name, (text, items))));
        for id in &file.removes {
            let Some(at) = self.rules.iter().position(|(_, rule)| rule.id.get_ref() == id.get_ref()) else {
                return text
                    .fault(id.span(), "the extended pack has no such checkpoint: correct its id, or leave it out");
            };
            self.rules.remove(at);
        }
        let mut here = BTreeSet::new();
        for timer in file.timer {
            match self.timers.iter_mut().find(|(_, known)| known.id.get_ref() == timer.id.get_ref()) {
                Some(known) => *known = (text, timer),
                None => self.timers.push((text, timer)),
            }
        }
        for rule in file.checkpoint {
            if !here.insert(rule.id.get_ref().clone()) {
                return text.fault(rule.id.span(), "two checkpoints of this file have this id: rename one");
            }
            match self.rules.iter_mut().find(|(_, known)| known.id.get_ref() == rule.id.get_ref()) {
                Some(known) => *known = (text, rule),
                None => self.rules.push((text, rule)),
            }
        }
        Ok(())
    }

    fn compile(&self, around: &Surroundings) -> Result<Rules, PackError> {
        let is_event = |id: &str| around.events.get(id).is_some();
        let timers = self.timers.iter().map(|(_, timer)| timer.id.get_ref().clone()).collect();
        let mut language = Language { is_event: &is_event, groups: BTreeMap::new(), timers };
        let values = Values::of(around);
        let mut groups = BTreeMap::new();
        for (name, (text, items)) in &self.groups {
            let patterns = text.read_all(items, |item| values.raised(language.patterns(item)?))?.concat();
            groups.insert(name.clone(), patterns);
        }
        language.groups = groups;
        let reader = Reader { language: &language, values: &values, around };
        let mut rules = Rules::default();
        if let Some((text, breaths)) = &self.breaths {
            (rules.breath_ms, rules.breaths_counted_by) = reader.breaths(*text, breaths)?;
        }
        for (text, timer) in &self.timers {
            rules.timers.push(reader.timer(*text, timer)?);
        }
        for (text, raw) in &self.rules {
            let rule = reader.rule(*text, raw)?;
            if matches!(rule.after, After::Breaths(_)) && rules.breath_ms == 0 {
                return text.fault(
                    raw.after.span(),
                    "nothing says how long a breath lasts: add [breaths] with a rate and its source",
                );
            }
            rules.rules.push(rule);
        }
        self.check_pairs(&rules)?;
        rules.groups = language.groups;
        rules.number();
        Ok(rules)
    }

    /// Two rules that would ask for opposite things at one moment.
    fn check_pairs(&self, rules: &Rules) -> Result<(), PackError> {
        for (number, rule) in rules.rules.iter().enumerate() {
            for other in &rules.rules[..number] {
                let together = rule.starts == other.starts
                    && rule.only_if == other.only_if
                    && rule.only_while == other.only_while
                    && (rule.after, &rule.since) == (other.after, &other.since);
                let opposed = overlap(&rule.met_by, &other.cancelled_by) || overlap(&other.met_by, &rule.cancelled_by);
                if together && (opposed || rule.met_by == other.met_by) {
                    let (text, raw) = &self.rules[number];
                    let what = format!(
                        "'{}' and '{}' contradict each other: they start and fall due together, and {}. Keep one, or give them different conditions",
                        other.id,
                        rule.id,
                        if opposed { "what meets one cancels the other" } else { "the same meets both" }
                    );
                    return text.fault(raw.id.span(), what);
                }
            }
        }
        Ok(())
    }
}

struct Reader<'a> {
    language: &'a Language<'a>,
    values: &'a Values<'a>,
    around: &'a Surroundings<'a>,
}

impl Reader<'_> {
    fn patterns(&self, text: Text, items: &[Spanned<String>]) -> Result<Vec<Pattern>, PackError> {
        let read = |item: &str| self.values.raised(self.language.patterns(item)?);
        Ok(text.read_all(items, read)?.concat())
    }

    fn conditions(&self, text: Text, items: &[Spanned<String>]) -> Result<Vec<Condition>, PackError> {
        text.read_all(items, |item| {
            let condition = self.language.condition(item)?;
            self.values.can_hold(&condition)?;
            Ok(condition)
        })
    }

    fn source(&self, text: Text, key: &Spanned<String>) -> Result<String, PackError> {
        if (self.around.sources)(key.get_ref()) {
            return Ok(key.get_ref().clone());
        }
        text.fault(key.span(), format!("pack.toml has no [sources.{}]: add it, or correct the key", key.get_ref()))
    }

    /// A text to be said: there, short, and no call-out.
    fn spoken(&self, text: Text, words: &Spanned<String>) -> Result<String, PackError> {
        let said = words.get_ref().trim();
        let count = said.split_whitespace().count();
        if count == 0 {
            return text.fault(words.span(), "nothing is said: write what is to be asked");
        }
        if count > MOST_WORDS {
            return text
                .fault(words.span(), format!("{count} words are too long to be heard: use at most {MOST_WORDS}"));
        }
        if let Some(digit) = said.chars().find(char::is_ascii_digit) {
            return text.fault(words.span(), format!("'{digit}': write numbers out, as they are spoken"));
        }
        match self.around.graph.call_out_in(said) {
            Some(run) => text.fault(
                words.span(),
                format!("\"{run}\" in it is a call-out of this pack, which the recorder could take for one: word it differently"),
            ),
            None => Ok(said.to_string()),
        }
    }

    fn breaths(&self, text: Text, breaths: &Breaths) -> Result<(Moment, Option<String>), PackError> {
        let rate = *breaths.rate.get_ref();
        if !(1.0..=200.0).contains(&rate) {
            return text.fault(breaths.rate.span(), "the rate is in breaths a minute, from 1 to 200");
        }
        self.source(text, &breaths.source)?;
        let id = breaths.counted_by.get_ref();
        if self.around.events.get(id).is_none_or(|event| event.value != ValueKind::Number) {
            return text.fault(
                breaths.counted_by.span(),
                format!("'{id}' is no event with a number: name one of events.toml"),
            );
        }
        Ok(((60_000.0 / rate).round() as Moment, Some(id.clone())))
    }

    fn timer(&self, text: Text, timer: &RawTimer) -> Result<Timer, PackError> {
        Ok(Timer {
            id: timer.id.get_ref().clone(),
            title: timer.title.clone(),
            spoken: timer.spoken.as_ref().map(|words| self.spoken(text, words)).transpose()?,
            from: self.patterns(text, &timer.from)?.into(),
            until: self.patterns(text, &timer.until)?.into(),
            restarts: timer.restarts,
        })
    }

    fn rule(&self, text: Text, raw: &RawRule) -> Result<Rule, PackError> {
        let Some(prompt) = &raw.prompt else {
            return text.fault(raw.id.span(), "this checkpoint says nothing when it is due: add a prompt");
        };
        let optional = |item: &Option<Spanned<String>>| item.as_ref().map(|item| text.read(item, span)).transpose();
        let rule = Rule {
            id: raw.id.get_ref().clone(),
            title: raw.title.clone(),
            starts: self.patterns(text, raw.starts.get_ref())?,
            only_if: self.conditions(text, &raw.only_if)?,
            after: text.read(&raw.after, wait)?,
            since: raw
                .since
                .as_ref()
                .map(|item| self.patterns(text, std::slice::from_ref(item)))
                .transpose()?
                .map(Into::into),
            only_while: self.conditions(text, &raw.only_while)?,
            met_by: self.patterns(text, &raw.met_by)?,
            early_ms: optional(&raw.early)?,
            cancelled_by: self.patterns(text, &raw.cancelled_by)?,
            restarts: raw.restarts,
            every: raw.every,
            times: raw.times.as_ref().map_or(1, |times| *times.get_ref()),
            again_ms: optional(&raw.again)?.unwrap_or(0),
            gives_up_ms: optional(&raw.gives_up)?.unwrap_or(GIVES_UP_MS),
            priority: raw.priority,
            prompt: self.spoken(text, prompt)?,
            source: self.source(text, &raw.source)?,
        };
        check_reach(text, raw, &rule)?;
        check_times(text, raw, &rule)?;
        Ok(rule)
    }
}

/// Whether a rule can start, and end.
fn check_reach(text: Text, raw: &RawRule, rule: &Rule) -> Result<(), PackError> {
    let id = &rule.id;
    if rule.starts.is_empty() {
        return text.fault(raw.starts.span(), format!("'{id}' is unreachable: nothing starts it. Name an event"));
    }
    if rule.met_by.is_empty() && !rule.restarts {
        return text
            .fault(raw.id.span(), format!("'{id}' is never met: say in met_by which events meet it, or set restarts"));
    }
    if let Some((start, met)) = first_overlap(&rule.starts, &rule.met_by, &raw.met_by) {
        return text.fault(
            met,
            format!("'{id}' contradicts itself: \"{start}\" both starts it and meets it. Use restarts or every, or narrow one"),
        );
    }
    if let Some((start, cancel)) = first_overlap(&rule.starts, &rule.cancelled_by, &raw.cancelled_by)
        && rule.starts.iter().all(|start| rule.cancelled_by.iter().any(|cancel| cancel.overlaps(start)))
        && rule.starts.iter().all(|start| start.event.is_some())
    {
        return text.fault(
            cancel,
            format!("'{id}' contradicts itself: \"{start}\" starts it and cancels it before it is due. Narrow one"),
        );
    }
    Ok(())
}

fn check_times(text: Text, raw: &RawRule, rule: &Rule) -> Result<(), PackError> {
    let after = if let After::Ms(ms) = rule.after { ms } else { Moment::MAX };
    if after < SHORTEST_MS {
        return text.fault(raw.after.span(), "the wait is too short to be told in time: use at least 1 s");
    }
    if let (Some(early), Some(written)) = (rule.early_ms, &raw.early)
        && early > after
    {
        return text.fault(written.span(), "early is longer than the wait itself: shorten it, or leave it out");
    }
    if rule.every && rule.gives_up_ms > after {
        let place = raw.gives_up.as_ref().map_or(raw.after.span(), Spanned::span);
        return text.fault(place, "it would be due again before it is given up: shorten gives_up");
    }
    if rule.gives_up_ms < SHORTEST_MS {
        let place = raw.gives_up.as_ref().map_or(raw.id.span(), Spanned::span);
        return text.fault(place, "it is given up before anybody can answer: use at least 1 s");
    }
    let asks = Moment::from(rule.times);
    match (&raw.times, &raw.again) {
        _ if rule.times == 0 => text.fault(
            raw.times.as_ref().map_or(raw.id.span(), Spanned::span),
            "it is never asked: times must be 1 or more",
        ),
        (Some(times), None) if rule.times > 1 => text
            .fault(times.span(), "how long after the first time is it asked again? Add again, e.g. again = \"15 s\""),
        (_, Some(again)) if rule.times < 2 || rule.again_ms < SHORTEST_MS => {
            text.fault(again.span(), "to ask again, set times to 2 or more and again to 1 s or more")
        }
        (_, Some(again)) if rule.again_ms * (asks - 1) >= rule.gives_up_ms => {
            text.fault(again.span(), "it is given up before it is asked again: lengthen gives_up, or shorten again")
        }
        _ => Ok(()),
    }
}

fn overlap(left: &[Pattern], right: &[Pattern]) -> bool {
    left.iter().any(|pattern| right.iter().any(|other| pattern.overlaps(other)))
}

/// A start that fits another list too, and where that list is written.
fn first_overlap(
    starts: &[Pattern],
    others: &[Pattern],
    written: &[Spanned<String>],
) -> Option<(String, std::ops::Range<usize>)> {
    let start = starts.iter().find(|start| start.event.is_some() && overlap(std::slice::from_ref(start), others))?;
    let place = written.first()?.span().start..written.last()?.span().end;
    Some((start.event.clone().unwrap_or_default(), place))
}

/// Which values an event can have.
struct Values<'a> {
    events: &'a Events,
    texts: BTreeSet<(&'a str, &'a str)>,
}

impl<'a> Values<'a> {
    fn of(around: &Surroundings<'a>) -> Values<'a> {
        let outputs = around.graph.states.iter().flat_map(|s| &s.arcs).flat_map(|a| &a.outputs);
        let texts = outputs.filter_map(|output| match output {
            Output::Event { id, value: Slot::Text(text) } => Some((id.as_str(), text.as_str())),
            _ => None,
        });
        Values { events: around.events, texts: texts.collect() }
    }

    /// The patterns, if a call-out can bring each about.
    fn raised(&self, patterns: Vec<Pattern>) -> Result<Vec<Pattern>, String> {
        patterns.iter().try_for_each(|pattern| self.can_be(pattern))?;
        Ok(patterns)
    }

    fn can_be(&self, pattern: &Pattern) -> Result<(), String> {
        let Some(id) = &pattern.event else { return Ok(()) };
        let Some(event) = self.events.get(id) else { return Err(format!("'{id}' is no event")) };
        let never = |why: String| Err(format!("nothing can bring this about: {why}"));
        match (&pattern.test, event.value) {
            (Test::Anything, _) => Ok(()),
            (Test::Text(text), ValueKind::Text) if self.texts.contains(&(id, text)) => Ok(()),
            (Test::Text(text), _) => {
                let known: Vec<_> = self.texts.iter().filter(|(event, _)| event == id).map(|(_, text)| *text).collect();
                never(format!("no phrase gives {id} the value '{text}'. It can be: {}", known.join(", ")))
            }
            (Test::Between { .. }, ValueKind::Number) => match event.bounds() {
                Some((low, high)) => {
                    let plausible = Test::Between { low, low_counts: true, high, high_counts: true };
                    if pattern.test.overlaps(&plausible) {
                        Ok(())
                    } else {
                        never(format!("{id} is plausible from {low} to {high} only"))
                    }
                }
                None => Ok(()),
            },
            (Test::Between { .. }, _) => never(format!("{id} has no number")),
        }
    }

    fn can_hold(&self, condition: &Condition) -> Result<(), String> {
        let all = |patterns: &[Pattern]| patterns.iter().try_for_each(|pattern| self.can_be(pattern));
        match condition {
            Condition::Running { .. } => Ok(()),
            Condition::Had { what, since } => all(what).and(since.as_deref().map_or(Ok(()), all)),
            Condition::Latest { of, is } => {
                all(of).and(all(is))?;
                if overlap(of, is) {
                    Ok(())
                } else {
                    Err("the newest of these can never be one of those: correct one".into())
                }
            }
            Condition::Not(inner) => self.can_hold(inner),
        }
    }
}
