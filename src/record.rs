//! What stands in the log: one enum, a line for each variant.

use crate::device::{CloseReason, Device, DeviceState};
use crate::time::Millis;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// Name of the log format, first thing in every header.
pub const FORMAT: &str = "earmark-log";
/// Version of the log format that this program writes. A member that is added leaves it as it is: older readers keep
/// what they do not know.
pub const FORMAT_VERSION: u32 = 1;
/// The oldest version that is read.
pub const OLDEST_VERSION: u32 = 1;

/// One record as the core makes it; the journal adds `seq`, `prev` and `hash`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Record {
    /// Monotonic milliseconds since the log was opened, at the onset of the call-out or key.
    pub t_ms: Millis,
    /// The same moment as wall time, RFC 3339 with offset and milliseconds.
    #[schemars(extend("format" = "date-time"))]
    pub at: String,
    /// Milliseconds since birth, when birth is known; negative before it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub birth_ms: Option<i64>,
    /// What happened.
    #[serde(flatten)]
    pub body: Body,
    /// When the record was made, on the same clock as `t_ms`.
    pub written_ms: Millis,
}

/// The kinds of record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Body {
    /// First line of every log.
    Header(Box<Header>),
    /// Something happened, as called out or keyed.
    Event(Heard),
    /// An earlier record is right.
    Confirm {
        of: u64,
        #[serde(flatten)]
        source: Source,
    },
    /// An earlier record is taken back. It stays in the log. If `of` is itself a correction
    /// (confirm, withdraw, amend), what it corrected is again as it was before.
    Withdraw {
        of: u64,
        #[serde(flatten)]
        source: Source,
    },
    /// An earlier record is replaced by what is said here; its time stays, unless `moved_to_ms` is given.
    Amend {
        of: u64,
        /// When it really happened, on the clock of `t_ms`; negative before the log was opened.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        moved_to_ms: Option<i64>,
        #[serde(flatten)]
        to: Heard,
    },
    /// A mark or remark without a type.
    Note {
        #[serde(default, skip_serializing_if = "Option::is_none")]
        text: Option<String>,
        #[serde(flatten)]
        source: Source,
    },
    /// A timed rule was met, fell due or was missed.
    Checkpoint {
        id: String,
        state: CheckpointState,
        /// The event that met or cancelled it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        of: Option<u64>,
    },
    /// The program said something.
    Said { text: String },
    /// A microphone, engine, disk or clock came, went or jumped.
    Device {
        device: Device,
        state: DeviceState,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        text: Option<String>,
    },
    /// Last line of a log that was ended on purpose.
    Close(Close),
}

/// Who or what a record comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Source {
    pub by: By,
    /// The call-out as the grammar spells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub words: Option<String>,
    /// Probability from 0 to 1 that the words were said and meant so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub confidence: Option<f64>,
}

/// Where an input came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum By {
    Voice,
    Keypad,
    Board,
    /// The program itself.
    Program,
}

/// An event with everything that is known about how it was heard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Heard {
    #[serde(flatten)]
    pub meaning: Meaning,
    #[serde(flatten)]
    pub source: Source,
    /// The best reading with another meaning, when it is close enough to matter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rival: Option<Rival>,
    /// Why this is doubtful; absent when it is accepted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub doubt: Option<Doubt>,
}

/// What a call-out means, in the pack's terms.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default, JsonSchema)]
pub struct Meaning {
    /// Event id from the pack.
    pub event: String,
    /// Number or text; absent when the event has none or none was said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<Value>,
    /// UCUM unit of a numeric value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Further particulars, e.g. `{"route": "iv"}` of a dose.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub detail: Map<String, Value>,
}

/// Another way to understand the same sound.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Rival {
    pub words: String,
    #[serde(flatten)]
    pub meaning: Meaning,
    /// Probability of the rival against the reading, 0 to 1; above one half only for what is no call-out.
    pub probability: f64,
}

/// Why an event is doubtful.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// It may not have been a call-out at all.
    LowConfidence,
    /// Another meaning sounds almost the same.
    Rival,
    /// Two engines listened and did not hear the same; what the other one heard stands as the rival.
    Disputed,
    /// The value lies outside the event's plausible range.
    OutOfRange,
}

impl Doubt {
    /// What is to be settled, for people to read: `or "heart rate sixty"?`
    pub fn question(self, rival: Option<&Rival>) -> String {
        match (self, rival) {
            (Doubt::Rival | Doubt::Disputed, Some(rival)) => format!("or \"{}\"?", rival.words),
            (Doubt::OutOfRange, _) => "is that value right?".into(),
            _ => "was that said?".into(),
        }
    }
}

/// What became of a checkpoint.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CheckpointState {
    /// Its time has come, and nothing has met it.
    Due,
    /// It was met, before it was due or after.
    Met,
    /// It was due, and nothing met it in time.
    Missed,
    /// It was due, and no longer matters.
    Cancelled,
}

/// Everything a reader needs to know about where a log comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Header {
    /// Always [`FORMAT`].
    pub format: String,
    /// [`FORMAT_VERSION`] of the writer.
    pub version: u32,
    /// UUID of this log.
    pub log_id: String,
    /// Program name and version.
    pub program: String,
    pub pack: PackId,
    pub engine: EngineId,
    /// Microphone name or file names.
    pub audio: String,
    /// Offset from UTC at the start, e.g. `+00:00`.
    pub time_zone: String,
    pub purpose: Purpose,
    /// The pack's caution, so that it travels with the data.
    pub caution: String,
    /// That this log was made from another by taking out what may tell who was there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub redacted: Option<Redacted>,
    /// Public key (Ed25519, hex) of whoever will sign the close record.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub public_key: Option<String>,
}

/// What a redacted log tells of the one that it was made from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Redacted {
    /// SHA-256, in hex, of the old log's `log_id`, a space and the `hash` of its last line: proves to whoever has the
    /// old log that this one is its redaction, and tells nobody else anything.
    pub of: String,
    /// Dates are not the true ones; times between records are.
    pub dates_moved: bool,
    /// Nor are times of day.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub times_moved: bool,
    /// The log that it was made from was damaged: nothing in this one is proven, though its own chain is whole.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub damaged: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PackId {
    pub name: String,
    pub version: String,
    /// SHA-256 over the pack's files, hex.
    pub sha256: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EngineId {
    pub name: String,
    /// SHA-256 of what the engine adds to its model (a library, a tuning), hex. Of two engines, both joined by `+`.
    pub sha256: String,
    /// SHA-256 of the acoustic model, hex.
    pub model_sha256: String,
    /// Every file that decides what is heard, beside the pack's: models, trainings, dictionary.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<FileId>,
}

/// A file, by its content.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
pub struct FileId {
    pub name: String,
    /// Hex.
    pub sha256: String,
}

/// Why the log is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    Drill,
    Care,
    Demo,
}

/// Counts at the end of a log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Close {
    /// Why it ended, e.g. `end of audio`, `interrupted`.
    pub reason: CloseReason,
    /// Call-outs accepted, doubtful ones apart.
    pub accepted: u64,
    pub doubtful: u64,
    /// Stretches of speech in which nothing was recognised as a call-out.
    pub refused: u64,
    /// Doubtful events, by `seq`, that nobody settled.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unresolved: Vec<u64>,
    /// Ed25519 signature (hex) by the key that the header names; the journal makes it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<String>,
}
