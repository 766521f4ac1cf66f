//! XES (IEEE 1849-2016) for process mining: a trace a log, an event for each event that stands, in order of time.
//! What was withdrawn is left out; what is doubtful says so in `status`.

use super::told::name;
use super::{ExportError, Log, Told};
use crate::pack::Events;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, Event as Xml};
use quick_xml::writer::Writer;
use serde_json::Value;
use std::io;

/// Name, prefix and address of the standard's extensions that are used.
const EXTENSIONS: [[&str; 3]; 4] = [
    ["Concept", "concept", "http://www.xes-standard.org/concept.xesext"],
    ["Time", "time", "http://www.xes-standard.org/time.xesext"],
    ["Lifecycle", "lifecycle", "http://www.xes-standard.org/lifecycle.xesext"],
    ["Organizational", "org", "http://www.xes-standard.org/org.xesext"],
];

pub fn xes(logs: impl IntoIterator<Item = Log>) -> Result<Vec<u8>, ExportError> {
    let mut file = File { writer: Writer::new_with_indent(Vec::new(), b' ', 1) };
    file.write(logs).map_err(|e| ExportError::Form(e.to_string()))?;
    Ok(file.writer.into_inner())
}

struct File {
    writer: Writer<Vec<u8>>,
}

impl File {
    fn write(&mut self, logs: impl IntoIterator<Item = Log>) -> io::Result<()> {
        self.writer.write_event(Xml::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
        let version = [("xes.version", "1849-2016"), ("xes.features", ""), ("xmlns", "http://www.xes-standard.org/")];
        self.open("log", &version)?;
        for [name, prefix, uri] in EXTENSIONS {
            self.empty("extension", &[("name", name), ("prefix", prefix), ("uri", uri)])?;
        }
        self.open("global", &[("scope", "trace")])?;
        self.attribute("string", "concept:name", "")?;
        self.close("global")?;
        self.open("global", &[("scope", "event")])?;
        self.attribute("string", "concept:name", "")?;
        self.attribute("string", "lifecycle:transition", "complete")?;
        self.close("global")?;
        self.empty("classifier", &[("name", "Event"), ("scope", "event"), ("keys", "concept:name")])?;
        for Log { told, pack } in logs {
            self.trace(&told, &pack.events)?;
        }
        self.close("log")
    }

    fn trace(&mut self, told: &Told, events: &Events) -> io::Result<()> {
        self.open("trace", &[])?;
        self.attribute("string", "concept:name", &told.header.log_id)?;
        self.attribute("string", "purpose", &name(told.header.purpose))?;
        self.attribute("string", "pack", &format!("{} {}", told.header.pack.name, told.header.pack.version))?;
        self.attribute("string", "caution", &told.header.caution)?;
        self.attribute("string", "seal", &told.ending.seal)?;
        if let Some(damage) = &told.ending.damage {
            self.attribute("string", "damage", damage)?;
        }
        let mut rows: Vec<_> = told.rows.iter().filter_map(|row| Some((row, row.standing()?))).collect();
        rows.sort_by_key(|(row, _)| row.t_ms);
        for (row, event) in rows {
            let meaning = &event.meaning;
            let title = events.get(&meaning.event).map_or(meaning.event.as_str(), |known| known.title.as_str());
            self.open("event", &[])?;
            self.attribute("string", "concept:name", title)?;
            self.attribute("string", "lifecycle:transition", "complete")?;
            if let Some(at) = &row.at {
                self.attribute("date", "time:timestamp", at)?;
            }
            self.attribute("string", "org:resource", &name(event.source.by))?;
            self.attribute("string", "event", &meaning.event)?;
            self.attribute("int", "seq", &row.seq.to_string())?;
            self.attribute("int", "t_ms", &row.t_ms.to_string())?;
            if let Some(birth) = row.birth_ms {
                self.attribute("int", "birth_ms", &birth.to_string())?;
            }
            match &meaning.value {
                Some(Value::Number(number)) => self.attribute("float", "number", &number.to_string())?,
                Some(Value::String(word)) => self.attribute("string", "value", word)?,
                Some(other) => self.attribute("string", "value", &other.to_string())?,
                None => {}
            }
            if let Some(unit) = &meaning.unit {
                self.attribute("string", "unit", unit)?;
            }
            for (key, value) in &meaning.detail {
                let value = value.as_str().map_or_else(|| value.to_string(), String::from);
                self.attribute("string", &format!("detail_{key}"), &value)?;
            }
            self.attribute("string", "status", event.status.name())?;
            self.attribute("boolean", "amended", &event.amended.to_string())?;
            self.attribute("boolean", "moved", &event.moved.to_string())?;
            self.close("event")?;
        }
        self.close("trace")
    }

    fn attribute(&mut self, kind: &str, key: &str, value: &str) -> io::Result<()> {
        self.empty(kind, &[("key", key), ("value", value)])
    }

    fn open(&mut self, name: &str, attributes: &[(&str, &str)]) -> io::Result<()> {
        self.writer.write_event(Xml::Start(element(name, attributes)))
    }

    fn empty(&mut self, name: &str, attributes: &[(&str, &str)]) -> io::Result<()> {
        self.writer.write_event(Xml::Empty(element(name, attributes)))
    }

    fn close(&mut self, name: &str) -> io::Result<()> {
        self.writer.write_event(Xml::End(BytesEnd::new(name)))
    }
}

fn element<'n>(name: &'n str, attributes: &[(&str, &str)]) -> BytesStart<'n> {
    let mut element = BytesStart::new(name);
    for (key, value) in attributes {
        element.push_attribute((*key, allowed(value).as_str()));
    }
    element
}

/// XML 1.0 has no place for most control characters, however they are written.
fn allowed(text: &str) -> String {
    let may = |c: char| matches!(c, '\t' | '\n' | '\r' | '\u{20}'..='\u{fffd}' | '\u{10000}'..);
    text.chars().map(|c| if may(c) { c } else { '\u{fffd}' }).collect()
}
