//! CSV (RFC 4180): one line a record, many logs in one file.
//!
//! Lines end in CR LF, the first names the columns. A text that a spreadsheet would take for a formula has an
//! apostrophe put before it, and so has one that begins with an apostrophe: take one off to have the text again.

use super::told::name;
use super::{ExportError, Kind, Log, Row, Told};
use crate::pack::Events;
use serde_json::Value;

pub const COLUMNS: [&str; 30] = [
    "log_id",
    "purpose",
    "pack",
    "seq",
    "kind",
    "at",
    "t_ms",
    "birth_ms",
    "event",
    "title",
    "group",
    "value",
    "unit",
    "detail",
    "status",
    "doubt",
    "rival",
    "amended",
    "moved",
    "corrected_by",
    "by",
    "words",
    "confidence",
    "checkpoint",
    "checkpoint_state",
    "text",
    "written_ms",
    "unknown_members",
    "seal",
    "damage",
];

/// What may be taken for a formula when it comes first; the last four are the wide forms of the first.
const FORMULA: [char; 10] = ['=', '+', '-', '@', '\t', '\r', '＝', '＋', '－', '＠'];

/// One line of the table, before it becomes text.
#[derive(Debug, Default)]
pub(super) struct Cells {
    pub log_id: String,
    pub purpose: String,
    pub pack: String,
    pub seq: u64,
    pub kind: &'static str,
    pub at: Option<String>,
    pub t_ms: i64,
    pub birth_ms: Option<i64>,
    pub event: Option<String>,
    pub title: Option<String>,
    pub group: Option<String>,
    pub value: Option<Value>,
    pub unit: Option<String>,
    /// JSON.
    pub detail: Option<String>,
    pub status: Option<&'static str>,
    pub doubt: Option<String>,
    pub rival: Option<String>,
    pub amended: Option<bool>,
    pub moved: Option<bool>,
    /// Numbers parted by spaces.
    pub corrected_by: Option<String>,
    pub by: Option<String>,
    pub words: Option<String>,
    pub confidence: Option<f64>,
    pub checkpoint: Option<String>,
    pub checkpoint_state: Option<String>,
    pub text: Option<String>,
    pub written_ms: u64,
    /// JSON.
    pub unknown_members: Option<String>,
    /// Of the whole log.
    pub seal: String,
    /// What is wrong with the whole log.
    pub damage: Option<String>,
}

impl Cells {
    pub(super) fn of(told: &Told, row: &Row, events: &Events) -> Cells {
        let json =
            |map: &serde_json::Map<String, Value>| (!map.is_empty()).then(|| Value::Object(map.clone()).to_string());
        let mut cells = Cells {
            log_id: told.header.log_id.clone(),
            purpose: name(told.header.purpose),
            pack: format!("{} {}", told.header.pack.name, told.header.pack.version),
            seq: row.seq,
            kind: row.kind.name(),
            at: row.at.clone(),
            t_ms: row.t_ms,
            birth_ms: row.birth_ms,
            written_ms: row.written_ms,
            unknown_members: json(&row.unknown),
            seal: told.ending.seal.clone(),
            damage: told.ending.damage.clone(),
            ..Cells::default()
        };
        match &row.kind {
            Kind::Event(event) => {
                let known = events.get(&event.meaning.event);
                cells.event = Some(event.meaning.event.clone());
                cells.title = known.map(|known| known.title.clone());
                cells.group = known.map(|known| known.group.clone());
                cells.value = event.meaning.value.clone();
                cells.unit = event.meaning.unit.clone();
                cells.detail = json(&event.meaning.detail);
                cells.status = Some(event.status.name());
                cells.doubt = event.doubt.map(name);
                cells.rival = event.rival.as_ref().map(|rival| rival.words.clone());
                cells.amended = Some(event.amended);
                cells.moved = Some(event.moved);
                let seqs: Vec<String> = event.corrected_by.iter().map(u64::to_string).collect();
                cells.corrected_by = (!seqs.is_empty()).then(|| seqs.join(" "));
                cells.by = Some(name(event.source.by));
                cells.words = event.source.words.clone();
                cells.confidence = event.source.confidence;
            }
            Kind::Note { text, source, withdrawn } => {
                cells.status = Some(if *withdrawn { "withdrawn" } else { "accepted" });
                cells.by = Some(name(source.by));
                cells.words = source.words.clone();
                cells.confidence = source.confidence;
                cells.text = text.clone();
            }
            Kind::Checkpoint { id, state } => {
                cells.checkpoint = Some(id.clone());
                cells.checkpoint_state = Some(name(*state));
            }
            Kind::Said { text } => cells.text = Some(text.clone()),
            Kind::Device { device, state, text } => {
                let more = text.as_ref().map_or_else(String::new, |text| format!(" ({text})"));
                cells.text = Some(format!("{device}: {state}{more}"));
            }
            Kind::Close { reason } => cells.text = Some(reason.clone()),
        }
        cells
    }

    /// In the order of [`COLUMNS`].
    fn texts(&self) -> [String; 30] {
        fn text(text: Option<&str>) -> String {
            text.map_or_else(String::new, harmless)
        }
        fn number<T: ToString>(number: Option<T>) -> String {
            number.map_or_else(String::new, |number| number.to_string())
        }
        let value = match &self.value {
            Some(Value::String(word)) => harmless(word),
            Some(other) => other.to_string(),
            None => String::new(),
        };
        [
            harmless(&self.log_id),
            self.purpose.clone(),
            harmless(&self.pack),
            self.seq.to_string(),
            self.kind.into(),
            text(self.at.as_deref()),
            self.t_ms.to_string(),
            number(self.birth_ms),
            text(self.event.as_deref()),
            text(self.title.as_deref()),
            text(self.group.as_deref()),
            value,
            text(self.unit.as_deref()),
            text(self.detail.as_deref()),
            text(self.status),
            text(self.doubt.as_deref()),
            text(self.rival.as_deref()),
            number(self.amended),
            number(self.moved),
            text(self.corrected_by.as_deref()),
            text(self.by.as_deref()),
            text(self.words.as_deref()),
            number(self.confidence),
            text(self.checkpoint.as_deref()),
            text(self.checkpoint_state.as_deref()),
            text(self.text.as_deref()),
            self.written_ms.to_string(),
            text(self.unknown_members.as_deref()),
            self.seal.clone(),
            text(self.damage.as_deref()),
        ]
    }
}

/// The table over all logs, taken one after another.
pub fn csv(logs: impl IntoIterator<Item = Log>) -> Result<Vec<u8>, ExportError> {
    let form = |e: &dyn std::fmt::Display| ExportError::Form(e.to_string());
    let mut writer = ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(COLUMNS).map_err(|e| form(&e))?;
    for Log { told, pack } in logs {
        for row in &told.rows {
            writer.write_record(Cells::of(&told, row, &pack.events).texts()).map_err(|e| form(&e))?;
        }
    }
    writer.into_inner().map_err(|e| form(&e))
}

/// A text that no spreadsheet works out.
fn harmless(text: &str) -> String {
    let risky = |first: char| first == '\'' || FORMULA.contains(&first);
    if text.starts_with(risky) { format!("'{text}") } else { text.into() }
}

#[cfg(test)]
mod tests {
    use super::harmless;

    #[test]
    fn a_formula_becomes_text_and_can_be_had_again() {
        for text in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "'x", "＝1", "\r"] {
            assert_eq!(harmless(text), format!("'{text}"));
        }
        for text in ["", "heart rate", "5-10", "a=b"] {
            assert_eq!(harmless(text), text);
        }
    }
}
