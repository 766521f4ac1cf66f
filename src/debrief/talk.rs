//! For the conversation: facts first, then open questions drawn from the data. Nobody is blamed.

use super::account::{Account, Outcome};
use super::finding::{Found, number, plain, span};
use super::runs::Runs;
use super::{Placed, Question};
use crate::checkpoints::Moment;
use crate::pack::debrief::Shape;

/// More questions than these are no conversation.
const MOST: usize = 12;
/// Of one kind.
const MOST_OF_A_KIND: usize = 4;

/// Sentences of the figures that are known.
pub fn facts(account: &Account, found: &[Found]) -> Vec<String> {
    let pairs = account.plan.figures.iter().zip(found);
    let known = pairs.filter(|(_, found)| found.finding.is_known());
    known
        .filter_map(|(figure, found)| {
            let text = number(found.finding.value()?, &figure.unit);
            Some(figure.fact.as_ref()?.replace("{}", &text))
        })
        .collect()
}

/// Open questions, by moment; those without one stand first.
pub fn questions(account: &Account, found: &[Found]) -> Vec<Question> {
    let mut kinds = [
        beyond(account, found),
        pauses(account),
        silences(account),
        readings(account),
        waiting(account),
        doubts(account),
    ];
    let mut out = Vec::new();
    for kind in &mut kinds {
        // The longest first, so that what is left out mattered least.
        kind.sort_by_key(|(weight, _)| std::cmp::Reverse(*weight));
        out.extend(kind.drain(..).take(MOST_OF_A_KIND).map(|(_, question)| question));
    }
    out.truncate(MOST);
    out.sort_by_key(|question| question.at);
    out
}

type Weighed = (Moment, Question);

fn ask(account: &Account, weight: Moment, at: Moment, text: String) -> Weighed {
    (weight, Question { at: Some(account.stamp(at)), text })
}

/// Figures over the number that they are held against.
fn beyond(account: &Account, found: &[Found]) -> Vec<Weighed> {
    let pairs = account.plan.figures.iter().zip(found);
    let over = pairs.filter_map(|(figure, found)| {
        let (bound, source) = figure.bound.as_ref()?;
        let value = found.finding.value().filter(|value| found.finding.is_known() && value > bound)?;
        let source = account.pack.manifest.sources.get(source).map(|source| source.title.as_str()).unwrap_or_default();
        let text = format!(
            "{}: {} (held against {}; {source}). What went on until then?",
            figure.title,
            number(value, &figure.unit),
            number(*bound, &figure.unit)
        );
        Some((Moment::MAX, Question { at: None, text }))
    });
    over.collect()
}

fn pauses(account: &Account) -> Vec<Weighed> {
    let mut out = Vec::new();
    for lane in &account.plan.lanes {
        let Shape::Runs { timer } = lane.shape else { continue };
        for (from, to) in Runs::of(account, timer).pauses().filter(|(from, to)| to - from > account.plan.pause_ms) {
            let text = format!(
                "{} paused {} at {}: what was happening?",
                lane.title,
                span(to - from),
                account.stamp(from).clock()
            );
            out.push(ask(account, to - from, from, text));
        }
    }
    out
}

fn silences(account: &Account) -> Vec<Weighed> {
    let long = account.silences.iter().filter(|silence| silence.to - silence.from > account.plan.silence_ms);
    long.map(|silence| {
        let length = silence.to - silence.from;
        let text = format!(
            "Nothing was called out for {} from {}: what was going on?",
            span(length),
            account.stamp(silence.from).clock()
        );
        ask(account, length, silence.from, text)
    })
    .collect()
}

/// Readings away from the target.
fn readings(account: &Account) -> Vec<Weighed> {
    let (Some(target), Some(birth)) = (&account.plan.target, account.born()) else { return vec![] };
    let title = account.pack.events.get(&target.of).map_or(target.of.as_str(), |event| event.title.as_str());
    let unit = account.pack.events.get(&target.of).and_then(|event| event.unit.as_deref()).unwrap_or_default();
    let each = account.facts.iter().filter(|fact| fact.meaning.event == target.of).filter_map(|fact| {
        let value = fact.meaning.value.as_ref()?.as_f64()?;
        let (low, high) = target.at(fact.at - birth)?;
        let Placed { place, .. } = Placed::of(value, low, high);
        let away = (low - value).max(value - high);
        if place == super::Place::Within {
            return None;
        }
        let text = format!(
            "{title} was {} {unit} at {}, the target then {} to {} {unit}: how was the oxygen chosen?",
            plain(value),
            account.stamp(fact.at).clock(),
            plain(low.round()),
            plain(high.round())
        );
        Some(ask(account, (away * 1000.0) as Moment, fact.at, text))
    });
    each.collect()
}

/// Checkpoints for which nothing was called out.
fn waiting(account: &Account) -> Vec<Weighed> {
    let each = account.asked.iter().filter(|asked| asked.outcome == Outcome::Missed).filter_map(|asked| {
        let rule = &account.pack.checkpoints.rules[asked.rule];
        let due = asked.due?;
        let text = format!(
            "\"{}\" was due at {} and nothing was called out for it: how was it seen in the room?",
            rule.title,
            account.stamp(due).clock()
        );
        Some(ask(account, Moment::from(rule.priority), due, text))
    });
    each.collect()
}

fn doubts(account: &Account) -> Vec<Weighed> {
    let each = account.open.iter().map(|open| {
        let what = account.pack.events.describe(&open.meaning);
        let or = open.rival.as_ref().map_or(String::new(), |rival| format!(", or \"{}\"", rival.words));
        let text = format!(
            "At {} the recorder understood \"{what}\"{or}, and was not sure: what was called out?",
            account.stamp(open.at).clock()
        );
        ask(account, 0, open.at, text)
    });
    each.collect()
}
