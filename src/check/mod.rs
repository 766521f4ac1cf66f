//! Is a microphone, where it stands, fit for use? Numbers and readings in, advice out.

mod judge;
mod levels;
mod trial;
mod watch;

pub use judge::{Advice, Report, judge};
pub use levels::{Levels, measure};
pub use trial::{Outcome, Trial, compare};
pub use watch::{Sign, Watch};
