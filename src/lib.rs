//! Earmark.
pub mod record;
pub mod time;
