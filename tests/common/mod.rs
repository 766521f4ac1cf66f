//! Shared by the tests; each uses a part.
#![allow(dead_code)]

pub mod live;
#[path = "../support/schema.rs"]
pub mod schema;
pub mod script;
pub mod sound_server;
pub mod tools;
