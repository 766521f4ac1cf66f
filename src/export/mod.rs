//! Logs in open formats, for everyone else's tools: what is told of each record, and one file a format.
//!
//! All formats are made from the same [`Told`]: events as they stand after every correction. Times since birth are
//! counted anew from the birth that stands. What was withdrawn and what is doubtful is told apart in each, or left
//! out where the format has no place for it, as its file says.

pub mod csv;
pub mod fhir;
#[cfg(feature = "parquet")]
pub mod parquet;
mod told;
pub mod webvtt;
pub mod xes;

pub use told::{Event, Kind, Row, Status, Told, tell};

use crate::pack::Pack;
use std::sync::Arc;

/// A log that was told, and the pack that its events are named by.
#[derive(Debug)]
pub struct Log {
    pub told: Told,
    pub pack: Arc<Pack>,
}

/// Why there is no export.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    #[error("the file could not be made: {0}. This is a fault of the program: please report it")]
    Form(String),
}
