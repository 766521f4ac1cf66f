//! Grammars: text in JSpeech Grammar Format → tree → word graph with tags.

pub mod cover;
pub mod decoys;
pub mod graph;
pub mod jsgf;
pub mod meaning;
pub mod numbers;
pub mod source;
