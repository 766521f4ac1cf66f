//! Is a microphone, where it stands, fit for use? Numbers and readings in, advice out.

mod judge;
mod levels;
mod trial;

pub use judge::{Advice, Report, judge};
pub use levels::{Levels, measure};
pub use trial::{Outcome, Trial, compare};
