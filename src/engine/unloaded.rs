//! In the place of an engine while what it needs cannot be read.

use super::{Again, Engine, EngineError};
use crate::hypothesis::Hypothesis;
use crate::record::EngineId;

/// It hears nothing; what is made again is the real one.
pub struct Unloaded {
    id: EngineId,
    why: String,
    again: Again,
}

impl Unloaded {
    /// For the one that `again` makes, once it can.
    pub fn new(id: EngineId, why: &EngineError, again: Again) -> Unloaded {
        Unloaded { id, why: why.to_string(), again }
    }
}

impl Engine for Unloaded {
    fn id(&self) -> EngineId {
        self.id.clone()
    }

    fn hear(&mut self, _: &[f32]) -> Result<Vec<Hypothesis>, EngineError> {
        Err(EngineError::Stopped { name: "to come", why: self.why.clone() })
    }

    fn again(&self) -> Again {
        self.again.clone()
    }

    fn amiss(&self) -> Option<&str> {
        Some(&self.why)
    }
}
