//! FHIR R4: one Bundle of type `collection` for all logs. Each log brings a Patient that nobody can be known by, and a
//! resource for each event and mark: what the pack's `events.toml` says, an Observation where it says nothing.
//!
//! | status here | Observation | the others |
//! |---|---|---|
//! | accepted | final, or corrected | completed |
//! | doubtful | preliminary | unknown |
//! | withdrawn | entered-in-error | entered-in-error |
//!
//! Codes of LOINC and SNOMED CT stand only where the pack has them with a source; the event's id always stands. What
//! is no care carries the security label for test data. The Patient carries the log's seal; of a damaged log every
//! resource carries a tag that says so, and nothing is final or completed.

use super::told::name;
use super::{Event, Kind, Log, Row, Status, Told};
use crate::pack::{self, Events, Resource};
use crate::record::Purpose;
use chrono::DateTime;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

const UCUM: &str = "http://unitsofmeasure.org";
const BIRTH_TIME: &str = "http://hl7.org/fhir/StructureDefinition/patient-birthTime";

pub fn fhir(logs: impl IntoIterator<Item = Log>) -> Value {
    let mut entries = Vec::new();
    for Log { told, pack } in logs {
        let log = Teller { told: &told, events: &pack.events };
        entries.push(log.entry("patient", log.patient()));
        for row in &told.rows {
            match &row.kind {
                Kind::Event(event) => entries.push(log.entry(&row.seq.to_string(), log.event(row, event))),
                Kind::Note { text, withdrawn, .. } => {
                    let note = log.note(row, text.as_deref(), *withdrawn);
                    entries.push(log.entry(&row.seq.to_string(), note));
                }
                _ => {}
            }
        }
    }
    json!({ "resourceType": "Bundle", "type": "collection", "entry": entries })
}

/// Makes the resources of one log.
struct Teller<'t> {
    told: &'t Told,
    events: &'t Events,
}

impl Teller<'_> {
    /// The same log and part give the same id.
    fn id(&self, part: &str) -> String {
        let hash = Sha256::digest(format!("{} {part}", self.told.header.log_id));
        let mut bytes = [0; 16];
        bytes.copy_from_slice(&hash[..16]);
        uuid::Uuid::new_v8(bytes).to_string()
    }

    fn entry(&self, part: &str, mut resource: Value) -> Value {
        let id = self.id(part);
        resource["id"] = json!(id);
        if self.told.header.purpose != Purpose::Care {
            let system = "http://terminology.hl7.org/CodeSystem/v3-ActReason";
            resource["meta"] =
                json!({ "security": [{ "system": system, "code": "HTEST", "display": "test health data" }] });
        }
        if let Some(damage) = &self.told.ending.damage {
            let display = string(&format!("the log is damaged, nothing in it is proven: {damage}"));
            resource["meta"]["tag"] = json!([{ "system": "urn:earmark:log", "code": "damaged", "display": display }]);
        }
        json!({ "fullUrl": format!("urn:uuid:{id}"), "resource": resource })
    }

    fn patient(&self) -> Value {
        let mut patient = json!({
            "resourceType": "Patient",
            "identifier": [
                { "system": "urn:ietf:rfc:3986", "value": format!("urn:uuid:{}", self.told.header.log_id) },
                { "system": "urn:earmark:seal", "value": self.told.ending.seal },
            ],
        });
        if let Some(born) = &self.told.born_at {
            patient["birthDate"] = json!(born.get(..10));
            patient["_birthDate"] = json!({ "extension": [{ "url": BIRTH_TIME, "valueDateTime": born }] });
        }
        patient
    }

    fn subject(&self) -> Value {
        json!({ "reference": format!("urn:uuid:{}", self.id("patient")) })
    }

    fn event(&self, row: &Row, event: &Event) -> Value {
        match self.events.get(&event.meaning.event).map(|known| known.resource).unwrap_or_default() {
            Resource::Observation => self.observation(row, event),
            Resource::Procedure => self.procedure(row, event),
            Resource::Medication => self.medication(row, event),
            Resource::Communication => self.communication(row, event),
        }
    }

    fn codes<'e>(&'e self, event: &'e Event) -> impl Iterator<Item = &'e pack::Code> {
        let known = self.events.get(&event.meaning.event);
        known.into_iter().flat_map(|known| &known.codes).filter(|code| code.holds(&event.meaning))
    }

    fn concept(&self, event: &Event, text: String) -> Value {
        let mut coding: Vec<Value> = (self.codes(event))
            .map(|code| json!({ "system": code.system, "code": code.code, "display": code.display }))
            .collect();
        let own = format!("urn:earmark:pack:{}", self.told.header.pack.name);
        coding.push(json!({ "system": own, "code": code(&event.meaning.event) }));
        json!({ "coding": coding, "text": string(&text) })
    }

    fn title(&self, event: &Event) -> String {
        self.events.get(&event.meaning.event).map_or_else(|| event.meaning.event.clone(), |known| known.title.clone())
    }

    fn observation(&self, row: &Row, event: &Event) -> Value {
        let status = match event.status {
            Status::Accepted if event.amended || event.moved => "corrected",
            Status::Accepted => "final",
            Status::Doubtful => "preliminary",
            Status::Withdrawn => "entered-in-error",
        };
        let mut out = json!({
            "resourceType": "Observation", "status": status, "code": self.concept(event, self.title(event)),
            "subject": self.subject(),
        });
        let categories: Vec<Value> = self
            .codes(event)
            .filter_map(|code| code.category.as_ref())
            .map(|category| {
                let system = "http://terminology.hl7.org/CodeSystem/observation-category";
                json!({ "coding": [{ "system": system, "code": category }] })
            })
            .collect();
        if !categories.is_empty() {
            out["category"] = json!(categories);
        }
        set(&mut out, "effectiveDateTime", instant(row));
        let (key, value) = match &event.meaning.value {
            Some(Value::String(word)) => ("valueString", json!(string(word))),
            Some(number @ Value::Number(_)) => ("valueQuantity", quantity(number, event.meaning.unit.as_deref())),
            Some(other) => ("valueString", json!(other.to_string())),
            // It was so, and has no value.
            None => ("valueBoolean", json!(true)),
        };
        out[key] = value;
        let components: Vec<Value> = event
            .meaning
            .detail
            .iter()
            .map(|(key, value)| {
                let (kind, value) = match value {
                    number @ Value::Number(_) => ("valueQuantity", quantity(number, None)),
                    Value::String(word) => ("valueString", json!(string(word))),
                    other => ("valueString", json!(other.to_string())),
                };
                json!({ "code": { "text": string(key) }, kind: value })
            })
            .collect();
        if !components.is_empty() {
            out["component"] = json!(components);
        }
        set(&mut out, "note", notes(event));
        out
    }

    fn procedure(&self, row: &Row, event: &Event) -> Value {
        let text = self.events.describe(&event.meaning);
        let mut out = json!({
            "resourceType": "Procedure", "status": status(event.status), "code": self.concept(event, text),
            "subject": self.subject(),
        });
        set(&mut out, "performedDateTime", instant(row));
        set(&mut out, "note", notes(event));
        out
    }

    fn medication(&self, row: &Row, event: &Event) -> Value {
        let mut out = json!({
            "resourceType": "MedicationAdministration", "status": status(event.status),
            "medicationCodeableConcept": self.concept(event, self.title(event)), "subject": self.subject(),
        });
        // The standard wants a moment; where the log has none it says so.
        match instant(row) {
            Some(at) => out["effectiveDateTime"] = at,
            None => {
                let url = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";
                out["_effectiveDateTime"] = json!({ "extension": [{ "url": url, "valueCode": "unknown" }] });
            }
        }
        // A dosage without a dose is not allowed; the words say the rest.
        if let Some(number @ Value::Number(_)) = &event.meaning.value {
            let mut dosage = json!({
                "text": string(&self.events.describe(&event.meaning)),
                "dose": quantity(number, event.meaning.unit.as_deref()),
            });
            if let Some(route) = event.meaning.detail.get("route").and_then(Value::as_str) {
                dosage["route"] = json!({ "text": route });
            }
            out["dosage"] = dosage;
        } else {
            let text = format!("{}; the amount was not called out", self.events.describe(&event.meaning));
            let mut all = vec![json!({ "text": string(&text) })];
            all.extend(notes(event).iter().flat_map(|notes| notes.as_array().cloned().unwrap_or_default()));
            out["note"] = json!(all);
            return out;
        }
        set(&mut out, "note", notes(event));
        out
    }

    fn communication(&self, row: &Row, event: &Event) -> Value {
        let mut out = json!({
            "resourceType": "Communication", "status": status(event.status),
            "category": [self.concept(event, self.title(event))], "subject": self.subject(),
            "payload": [{ "contentString": string(&self.events.describe(&event.meaning)) }],
        });
        set(&mut out, "sent", instant(row));
        set(&mut out, "note", notes(event));
        out
    }

    fn note(&self, row: &Row, text: Option<&str>, withdrawn: bool) -> Value {
        let status = if withdrawn { "entered-in-error" } else { "completed" };
        let mut out = json!({
            "resourceType": "Communication", "status": status, "category": [{ "text": "mark" }],
            "subject": self.subject(), "payload": [{ "contentString": text.map_or_else(|| "mark".into(), string) }],
        });
        set(&mut out, "sent", instant(row));
        out
    }
}

fn status(status: Status) -> &'static str {
    match status {
        Status::Accepted => "completed",
        Status::Doubtful => "unknown",
        Status::Withdrawn => "entered-in-error",
    }
}

/// When it happened, as the standard writes it. A leap into five-digit years is no time here.
fn instant(row: &Row) -> Option<Value> {
    let at = row.at.as_deref().filter(|at| DateTime::parse_from_rfc3339(at).is_ok())?;
    Some(json!(at))
}

fn quantity(number: &Value, unit: Option<&str>) -> Value {
    match unit {
        Some(unit) => json!({ "value": number, "unit": unit, "system": UCUM, "code": unit }),
        None => json!({ "value": number }),
    }
}

/// Why it is doubtful, and what was corrected.
fn notes(event: &Event) -> Option<Value> {
    let mut notes = Vec::new();
    if let Some(doubt) = event.doubt {
        let rival = event.rival.as_ref().map_or_else(String::new, |rival| format!(", or \"{}\"", rival.words));
        notes.push(json!({ "text": string(&format!("doubtful: {}{rival}", name(doubt))) }));
    }
    for (what, is) in [("the meaning was amended", event.amended), ("the time was moved", event.moved)] {
        if is {
            notes.push(json!({ "text": what }));
        }
    }
    (!notes.is_empty()).then(|| json!(notes))
}

/// A text as the standard allows it: no spaces but the common ones, no control characters, not empty.
fn string(text: &str) -> String {
    let allowed = |c: char| match c {
        ' ' | '\r' | '\n' | '\t' => c,
        c if c.is_whitespace() => ' ',
        c if c.is_control() => '\u{fffd}',
        c => c,
    };
    if text.trim().is_empty() { "(nothing)".into() } else { text.chars().map(allowed).collect() }
}

/// An id as a code: single spaces within, none at the ends.
fn code(id: &str) -> String {
    string(&id.split_whitespace().collect::<Vec<_>>().join(" "))
}

fn set(object: &mut Value, key: &str, value: Option<Value>) {
    if let Some(value) = value {
        object[key] = value;
    }
}
