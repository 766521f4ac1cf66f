//! Earmark.
pub mod grammar;
pub mod record;
pub mod time;
