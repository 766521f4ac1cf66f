//! Shared by the tests; each uses a part.
#![allow(dead_code)]

pub mod script;
pub mod sound_server;
pub mod tools;
