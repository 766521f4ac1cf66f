//! Devices, how they stand, and why a log ended: the words of the log as types. A word of an older or newer log that is not
//! known here is kept as it is.

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;
use std::cmp::Ordering;
use std::fmt;

/// An enum of words, each as it stands in the log, and `Other` for the rest.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$what:meta])* $variant:ident = $word:literal,)+ }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, Hash)]
        pub enum $name {
            $($(#[$what])* $variant,)+
            /// Of another version of the program.
            Other(String),
        }

        impl $name {
            /// All that this program writes or has ever written.
            pub const KNOWN: &[$name] = &[$($name::$variant,)+];

            /// The word in the log.
            pub fn as_str(&self) -> &str {
                match self {
                    $($name::$variant => $word,)+
                    $name::Other(word) => word,
                }
            }

            /// Whether it is one of this program's own words.
            pub fn is_known(&self) -> bool {
                !matches!(self, $name::Other(_))
            }
        }

        impl From<&str> for $name {
            fn from(word: &str) -> $name {
                match word {
                    $($word => $name::$variant,)+
                    other => $name::Other(other.into()),
                }
            }
        }

        impl From<String> for $name {
            fn from(word: String) -> $name {
                word.as_str().into()
            }
        }

        impl PartialEq<str> for $name {
            fn eq(&self, word: &str) -> bool {
                self.as_str() == word
            }
        }

        impl PartialEq<&str> for $name {
            fn eq(&self, word: &&str) -> bool {
                *self == **word
            }
        }

        /// By the words.
        impl Ord for $name {
            fn cmp(&self, other: &$name) -> Ordering {
                self.as_str().cmp(other.as_str())
            }
        }

        impl PartialOrd for $name {
            fn partial_cmp(&self, other: &$name) -> Option<Ordering> {
                Some(self.cmp(other))
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.pad(self.as_str())
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                to.serialize_str(self.as_str())
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(from: D) -> Result<$name, D::Error> {
                String::deserialize(from).map($name::from)
            }
        }

        /// A text: other versions may have other words.
        impl JsonSchema for $name {
            fn inline_schema() -> bool {
                true
            }

            fn schema_name() -> Cow<'static, str> {
                stringify!($name).into()
            }

            fn json_schema(generator: &mut SchemaGenerator) -> Schema {
                String::json_schema(generator)
            }
        }
    };
}

words! {
    /// A part without which something is not heard, kept or said.
    Device {
        Microphone = "microphone",
        Engine = "engine",
        /// The log's place.
        Disk = "disk",
        /// Its second place.
        SpareDisk = "spare disk",
        Keypad = "keypad",
        /// What is said, and whether anything is.
        Voice = "voice",
        Loudspeaker = "loudspeaker",
        Clock = "clock",
        /// The program itself.
        Recorder = "recorder",
        /// What is heard, kept beside the log.
        SoundFile = "sound file",
        /// A recording that is replayed.
        AudioFile = "audio file",
        /// What could not be written as it was, or is missing.
        Log = "log",
    }
}

words! {
    /// How a device stands, or what became of it.
    DeviceState {
        Lost = "lost",
        Gone = "gone",
        Missing = "missing",
        Failed = "failed",
        Stalled = "stalled",
        Stopped = "stopped",
        Silent = "silent",
        Refused = "refused",
        /// From here to `back` the recording cannot be read.
        Unreadable = "unreadable",
        Clipped = "clipped",
        Slow = "slow",
        Waiting = "waiting",
        /// It gets no more records; another place has them all.
        GivenUp = "given up",
        /// Some words are never heard.
        Limited = "limited",
        Back = "back",
        Clear = "clear",
        Ready = "ready",
        /// Something was lost for good.
        Missed = "missed",
        Jumped = "jumped",
        Drifted = "drifted",
        ChangedZone = "changed zone",
        /// A log that was left open is gone on with: all devices begin anew.
        StartedAgain = "started again",
        Woke = "woke",
        Begun = "begun",
        Kept = "kept",
        Muted = "muted",
        On = "on",
        /// There is no voice.
        Absent = "absent",
    }
}

words! {
    /// Why a log was closed.
    CloseReason {
        CalledOut = "called out",
        Interrupted = "interrupted",
        Terminated = "terminated",
        EndOfAudio = "end of audio",
        DayOver = "its day is over",
        Full = "it is as long as a log may be",
    }
}

/// What a state means for those who rely on the device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// It does its work, or the state says nothing of that.
    Fine,
    /// It does its work badly, or not all of it: people must know.
    Poor,
    /// It does not do its work.
    Out,
}

impl DeviceState {
    pub fn severity(&self) -> Severity {
        use DeviceState::*;
        match self {
            Lost | Gone | Missing | Failed | Stalled | Stopped | Silent | Refused | Unreadable => Severity::Out,
            Clipped | Slow | Waiting | GivenUp | Limited => Severity::Poor,
            Back | Clear | Ready | Missed | Jumped | Drifted | ChangedZone | StartedAgain | Woke | Begun | Kept
            | Muted | On | Absent | Other(_) => Severity::Fine,
        }
    }

    /// Whether it holds until the program is started again, whatever comes and goes meanwhile.
    pub fn lasts(&self) -> bool {
        matches!(self, DeviceState::GivenUp | DeviceState::Limited)
    }

    /// Whether a device in this state does not do its work.
    pub fn is_out(&self) -> bool {
        self.severity() == Severity::Out
    }

    /// Whether people must know of it.
    pub fn is_trouble(&self) -> bool {
        self.severity() > Severity::Fine
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_kept_as_they_are() {
        for word in ["spare disk", "\"no\" word", ""] {
            let device: Device = serde_json::from_value(word.into()).unwrap();
            assert_eq!(
                (serde_json::to_value(&device).unwrap(), device.is_known()),
                (word.into(), word == "spare disk")
            );
        }
        for state in DeviceState::KNOWN {
            assert_eq!(DeviceState::from(state.as_str()), *state);
        }
        assert_eq!(CloseReason::from("its day is over"), CloseReason::DayOver);
    }
}
