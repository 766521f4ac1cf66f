//! What can be said: JSGF text → tree.
pub mod jsgf;
pub mod source;
