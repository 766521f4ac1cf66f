//! The report section: the domains of the published reporting style, filled from the log, gaps marked.

use super::account::Account;
use super::finding::Found;
use super::{Domain, Item, purpose};
use crate::checkpoints::Fact;
use crate::pack::debrief::Fill;

pub fn domains(account: &Account, found: &[Found]) -> Vec<Domain> {
    let each = account.plan.domains.iter().map(|domain| Domain {
        title: domain.title.clone(),
        source: domain.source.clone(),
        items: (domain.items.iter())
            .map(|item| Item {
                title: item.title.clone(),
                text: fill(account, found, &item.take),
                outside: item.take == Fill::Nothing,
            })
            .collect(),
    });
    each.collect()
}

fn fill(account: &Account, found: &[Found], take: &Fill) -> Option<String> {
    let line = |fact: &Fact| {
        let what = account.pack.events.describe(&fact.meaning);
        format!("{what} ({})", account.stamp(fact.at).clock().trim_matches(['(', ')']))
    };
    match take {
        Fill::Nothing => None,
        Fill::Purpose => Some(purpose(account.header.purpose).into()),
        Fill::Started => account.wall(0),
        Fill::Birth => account.wall(account.born()?),
        Fill::Figure(number) => {
            let finding = &found[*number].finding;
            finding.value()?;
            let text = finding.text(&account.plan.figures[*number].unit);
            Some(finding.why().map_or(text.clone(), |why| format!("{text} ({why})")))
        }
        Fill::First(of) => account.all(of).next().map(line),
        Fill::Last(of) => account.all(of).next_back().map(line),
        Fill::All(of) => {
            let all: Vec<String> = account.all(of).map(line).collect();
            (!all.is_empty()).then(|| all.join("; "))
        }
    }
}
