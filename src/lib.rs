//! Earmark.
pub mod audio;
pub mod cli;
pub mod core;
pub mod daemon;
pub mod decode;
pub mod engine;
pub mod grammar;
pub mod hearing;
pub mod journal;
pub mod pack;
pub mod record;
pub mod replay;
pub mod settings;
pub mod show;
pub mod time;
