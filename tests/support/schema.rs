//! Holds logs against the committed JSON Schema, with a validator that others made.
#![allow(dead_code, reason = "each test file uses its own part")]

use earmark::record::Record;
use jsonschema::Validator;
use serde_json::{Value, json};
use std::path::Path;
use std::sync::LazyLock;

pub static COMMITTED: LazyLock<String> = LazyLock::new(|| {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("schema/log.schema.json");
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
});

pub static VALIDATOR: LazyLock<Validator> = LazyLock::new(|| {
    let schema: Value = serde_json::from_str(&COMMITTED).unwrap();
    jsonschema::draft202012::new(&schema).unwrap_or_else(|e| panic!("the committed schema is none: {e}"))
});

/// Panics with what is wrong with a line.
pub fn check(line: &Value) {
    let wrong: Vec<String> = VALIDATOR.iter_errors(line).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(wrong.is_empty(), "not as the schema says: {}\n{line}", wrong.join("; "));
}

/// Every line of a log; the last may be torn.
pub fn check_log(path: &Path) {
    let text = String::from_utf8_lossy(&std::fs::read(path).unwrap()).into_owned();
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    for line in whole.lines() {
        check(&serde_json::from_str(line).unwrap_or_else(|e| panic!("{e} in {line}")));
    }
}

/// Records that are not written to a file.
pub fn check_records(records: &[Record]) {
    let none = "0".repeat(64);
    for (seq, record) in records.iter().enumerate() {
        let mut line = serde_json::to_value(record).unwrap();
        let Value::Object(members) = &mut line else { panic!("a record is an object") };
        members.extend([("seq".into(), json!(seq)), ("prev".into(), json!(none)), ("hash".into(), json!(none))]);
        check(&line);
    }
}
