//! What can be said, for people: as text, as a page for the wall, as an answer to "why not this?",
//! and as a warning of what sounds too alike.

mod near;
mod page;
mod pattern;
mod text;
mod trial;

pub use near::{LIMIT, Near, NumberPair, Pair, near};
pub use page::page;
pub use pattern::{Entry, Group, Piece, groups};
pub use text::{text, warnings};
pub use trial::{Trial, attempt};
