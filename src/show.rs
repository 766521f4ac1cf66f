//! Records as lines for people. No text of a record does anything to the terminal.

use crate::core::{Core, Counts};
use crate::pack::{Events, Pack};
use crate::record::{Body, CheckpointState, Heard, Record};
use crate::terminal::safe;
use crate::time::clock_face;
use std::fmt::Write;
use std::io::IsTerminal;

/// How lines look.
#[derive(Debug, Clone, Copy)]
pub struct Style {
    colour: bool,
}

impl Style {
    /// Colour only on a terminal, and not where `NO_COLOR` is set (no-color.org).
    pub fn of_stdout() -> Style {
        let refused = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        Style { colour: std::io::stdout().is_terminal() && !refused }
    }

    pub fn has_colour(self) -> bool {
        self.colour
    }

    fn paint(self, code: &str, text: &str) -> String {
        if self.colour { format!("\x1b[{code}m{text}\x1b[0m") } else { text.into() }
    }

    fn dim(self, text: &str) -> String {
        self.paint("2", text)
    }

    fn bold(self, text: &str) -> String {
        self.paint("1", text)
    }
}

/// One line for a record of the timeline; `None` for those that are not shown.
pub fn line(record: &Record, pack: &Pack, style: Style) -> Option<String> {
    let events = &pack.events;
    let time = match record.birth_ms {
        Some(ms) => format!("{:>7}", clock_face(ms)),
        None => format!("{:>7}", format!("({})", clock_face(record.t_ms as i64))),
    };
    let text = match &record.body {
        Body::Header(_) | Body::Close(_) => return None,
        Body::Checkpoint { id, state, .. } => checkpoint(id, *state, pack, style)?,
        Body::Event(heard) => event(heard, events, style),
        Body::Amend { of, moved_to_ms, to } => {
            let moved = if moved_to_ms.is_some() { "moves" } else { "corrects" };
            format!("{}  {}", event(to, events, style), style.dim(&format!("{moved} record {of}")))
        }
        Body::Withdraw { of, .. } => format!("- record {of} withdrawn"),
        Body::Confirm { of, .. } => format!("✓ record {of} confirmed"),
        Body::Note { text, .. } => format!("• {}", safe(text.as_deref().unwrap_or("mark"))),
        Body::Said { text } => format!("» {}", safe(text)),
        Body::Device { device, state, text } => {
            let more = text.as_deref().map(|text| format!(" ({text})")).unwrap_or_default();
            format!("! {}", safe(format!("{device}: {state}{more}")))
        }
    };
    Some(format!("{}  {text}", style.bold(&time)))
}

/// A checkpoint that was met in time is not worth a line: what met it has one.
fn checkpoint(id: &str, state: CheckpointState, pack: &Pack, style: Style) -> Option<String> {
    let title = pack.checkpoints.rules.iter().find(|rule| rule.id == id).map_or(id, |rule| rule.title.as_str());
    let title = safe(title);
    match state {
        CheckpointState::Due => Some(format!("◷ {}", style.bold(&title))),
        CheckpointState::Missed => Some(format!("◷ {}", style.dim(&format!("{title}: not called out")))),
        CheckpointState::Met | CheckpointState::Cancelled => None,
    }
}

fn event(heard: &Heard, events: &Events, style: Style) -> String {
    let mark = if heard.doubt.is_some() { "?" } else { "✓" };
    let words = safe(heard.source.words.as_deref().unwrap_or_default());
    let what = safe(events.describe(&heard.meaning));
    let mut out = format!("{mark} {what:<36}{}", style.dim(&format!("\"{words}\"")));
    if let Some(doubt) = heard.doubt {
        let _ = write!(out, "  {}", style.bold(&safe(doubt.question(heard.rival.as_ref()))));
    }
    out
}

/// The closing summary; doubts that nobody settled are listed.
pub fn summary(core: &Core, pack: &Pack, log: &std::path::Path) -> String {
    let Counts { accepted, doubtful, refused } = core.counts();
    let birth = core.birth();
    let ventilation = match (core.first("ventilation_started"), birth) {
        (Some(at), Some(birth)) => format!("{} after birth", clock_face(at - birth)),
        (Some(at), None) => format!("{} into the log (birth is not recorded)", clock_face(at)),
        (None, _) => "not recorded".into(),
    };
    let mut out = format!(
        "\nCall-outs heard       {}\n  doubtful among them {doubtful}\nTalk refused          {refused}\nVentilation started   {ventilation}\nLog                   {}\n",
        accepted + doubtful,
        safe(log.display()),
    );
    let open: Vec<String> = core
        .state()
        .doubts()
        .map(|view| {
            let question = view.doubt.map(|doubt| doubt.question(view.rival)).unwrap_or_default();
            let time = clock_face(view.at - birth.unwrap_or(0));
            format!("{time:>7}  ? {}\n", safe(format!("{}  {question}", pack.events.describe(view.meaning))))
        })
        .collect();
    if !open.is_empty() {
        out += &format!("\nStill in doubt:\n{}", open.concat());
    }
    out + "\n" + &pack.manifest.caution
}
