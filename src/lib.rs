//! Earmark.
pub mod grammar;
pub mod journal;
pub mod record;
pub mod time;
