//! Shared by the tests; each uses a part.
#![allow(dead_code)]

#[path = "../support/schema.rs"]
pub mod schema;
pub mod script;
pub mod sound_server;
pub mod tools;
