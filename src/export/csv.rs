//! CSV (RFC 4180): one line a record, many logs in one file.
//!
//! Lines end in CR LF, the first names the columns. Every text is quoted; what reads as a number is not.
//!
//! No spreadsheet works out a text, wherever it takes a cell to begin: one that splits at semicolons or tabs, as many do by
//! their language, does not heed the quotes. So an apostrophe is put at the start of a text, and behind each semicolon,
//! tab, CR and LF in it, where a formula would begin there, over blanks and quotes, where the text ends there, and
//! where an apostrophe stands there already. To have the text again: take one apostrophe off its start, and one off behind
//! each of those four, where there is one.

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

/// Behind each of these somebody's cell may begin.
const SPLITS: [char; 4] = [';', '\t', '\r', '\n'];
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
            Kind::Close { reason } => cells.text = Some(reason.to_string()),
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
            Some(Value::Number(number)) => number.to_string(),
            Some(other) => harmless(&other.to_string()),
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
    let mut writer = writer();
    writer.write_record(COLUMNS).map_err(|e| form(&e))?;
    for Log { told, pack } in logs {
        for row in &told.rows {
            writer.write_record(Cells::of(&told, row, &pack.events).texts()).map_err(|e| form(&e))?;
        }
    }
    writer.into_inner().map_err(|e| form(&e))
}

fn writer() -> ::csv::Writer<Vec<u8>> {
    let mut how = ::csv::WriterBuilder::new();
    how.terminator(::csv::Terminator::CRLF).quote_style(::csv::QuoteStyle::NonNumeric).from_writer(Vec::new())
}

/// What comes first in the rest of a text, over blanks and quotes.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Ahead {
    Formula,
    Other,
    Nothing,
}

/// A text that no spreadsheet works out, as the head of this file says.
fn harmless(text: &str) -> String {
    let direct = |next: Option<char>| next.is_some_and(|c| c == '\'' || FORMULA.contains(&c));
    // From the end to the start, so that what is ahead is known everywhere.
    let (mut backwards, mut ahead, mut next) = (String::new(), Ahead::Nothing, None);
    for c in text.chars().rev() {
        if SPLITS.contains(&c) && (ahead != Ahead::Other || direct(next)) {
            backwards.push('\'');
        }
        backwards.push(c);
        ahead = match c {
            '\r' | '\n' => Ahead::Other,
            '"' => ahead,
            c if c.is_whitespace() || c.is_control() || c == '\u{feff}' => ahead,
            c if FORMULA.contains(&c) => Ahead::Formula,
            _ => Ahead::Other,
        };
        next = Some(c);
    }
    if ahead == Ahead::Formula || direct(next) {
        backwards.push('\'');
    }
    backwards.chars().rev().collect()
}

#[cfg(test)]
mod tests {
    use super::{FORMULA, SPLITS, harmless, writer};
    use proptest::prelude::*;

    /// As the head of this file says.
    fn again(cell: &str) -> String {
        let (mut out, mut begins) = (String::new(), true);
        for c in cell.chars() {
            if begins && c == '\'' {
                begins = false;
                continue;
            }
            out.push(c);
            begins = SPLITS.contains(&c);
        }
        out
    }

    #[test]
    fn a_formula_becomes_text_wherever_a_cell_may_begin() {
        for text in ["=1+1", "+1", "-1", "@SUM(A1)", "'x", "＝1", " =1", "\" =1"] {
            assert_eq!(harmless(text), format!("'{text}"));
        }
        for text in ["", "heart rate", "5-10", "a=b", "a; b", "a;\"b\"", "a\r\nb", "it's", " "] {
            assert_eq!(harmless(text), text);
        }
        assert_eq!(harmless("a;=1\t+1\n \"-1;b"), "a;'=1\t'+1\n' \"-1;b");
        assert_eq!(harmless("\t=1"), "'\t'=1");
        assert_eq!(harmless("a;'b;"), "a;''b;'");
    }

    proptest! {
        #[test]
        fn no_reader_finds_a_formula_and_the_text_can_be_had_again(texts in prop::collection::vec("[a;\t\r\n '\"=+@,-]{0,12}", 4)) {
            let mut writer = writer();
            let [a, b, c, d] = [0, 1, 2, 3].map(|n| harmless(&texts[n]));
            let row = [a, "-5".into(), b, c, String::new(), "-0.5".into(), d];
            writer.write_record(&row).unwrap();
            writer.write_record(&row).unwrap();
            let table = writer.into_inner().unwrap();
            for delimiter in [b',', b';', b'\t'] {
                let mut how = ::csv::ReaderBuilder::new();
                let mut reader = how.has_headers(false).flexible(true).delimiter(delimiter).from_reader(&table[..]);
                for cell in reader.records().flat_map(|row| row.unwrap().iter().map(String::from).collect::<Vec<_>>()) {
                    let first = cell.trim_start_matches(|c: char| c.is_whitespace() || c == '"');
                    prop_assert!(!first.starts_with(FORMULA) || cell.parse::<f64>().is_ok(), "{cell:?}");
                }
            }
            let mut reader = ::csv::ReaderBuilder::new().has_headers(false).from_reader(&table[..]);
            for found in reader.records() {
                let found = found.unwrap();
                let found = [0, 2, 3, 6].map(|n| again(&found[n]));
                prop_assert_eq!(&found[..], &texts[..]);
            }
        }
    }
}
