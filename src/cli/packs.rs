//! The packs that logs name, for the commands that read logs.

use crate::debrief::Ending;
use crate::journal::Sound;
use crate::pack::{Pack, is_plain_name};
use crate::record::Header;
use crate::settings;
use crate::terminal::safe;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// Packs by name, each loaded once.
pub struct Packs {
    only: Option<String>,
    loaded: Mutex<BTreeMap<String, Result<Arc<Pack>, String>>>,
}

impl Packs {
    /// `only`: the pack to be taken whatever a log names.
    pub fn new(only: Option<String>) -> Packs {
        Packs { only, loaded: Mutex::default() }
    }

    /// Name of the pack that is taken for a log that names this one.
    pub fn name<'a>(&'a self, named: &'a str) -> &'a str {
        self.only.as_deref().unwrap_or(named)
    }

    /// The pack of the log with this header. The error is a plain reason.
    pub fn of(&self, header: &Header) -> Result<Arc<Pack>, String> {
        let name = self.name(&header.pack.name);
        if self.only.is_none() && !is_plain_name(name) {
            return Err(format!(
                "the log names the pack \"{}\", which is no plain name: give the pack with --pack",
                safe(name)
            ));
        }
        let mut loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        let load = || settings::load_pack(name).map(Arc::new).map_err(|error| error.to_string());
        loaded.entry(name.into()).or_insert_with(load).clone()
    }
}

/// How the file of a log ended.
pub fn ending(sound: &Sound) -> Ending {
    Ending { closed: sound.closed, torn: sound.torn }
}
