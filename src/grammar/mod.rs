//! What can be said: JSGF text → tree.
pub mod source;
