//! Finds call-outs in what the acoustic model hears.
//!
//! A token-passing Viterbi search over the grammar's word graph, spelled out in phones, under the
//! rules of connectionist temporal classification (CTC: Graves et al., Connectionist Temporal
//! Classification, 2006). A free phone loop, the filler, runs before, after and instead of
//! call-outs, so that one inside other talk is found and other talk is refused.

pub mod align;
pub mod confidence;
pub mod emissions;
pub mod forward;
pub mod network;
pub mod reading;
pub mod search;

pub use emissions::Emissions;
pub use network::Network;
pub use reading::{Decoder, Reading};
