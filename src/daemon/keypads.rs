//! Keypads, and the terminal that stands in for one, as inputs of the core.

use super::input;
use crate::core::Input;
use crate::device::{Device, DeviceState};
use crate::keypad::{self, Choice, KeypadError, Message, Terminal};
use crate::keys::{Keyed, Keys};
use crate::pack::keypad::Keypad;
use crate::record::By;
use crate::time::Millis;
use std::collections::BTreeSet;
use std::path::Path;
use std::time::Instant;
use tokio::sync::mpsc;
use tokio::task::JoinSet;

const TERMINAL: &str = "/dev/tty";

pub struct Keypads<'p> {
    choice: Choice,
    /// `None` where the pack says nothing of keys.
    keys: Option<Keys<'p>>,
    terminal: Option<Terminal>,
    sender: mpsc::UnboundedSender<Message>,
    inbox: mpsc::UnboundedReceiver<Message>,
    /// Readers, ended when this is dropped.
    readers: JoinSet<()>,
    /// Names of those that were there and went.
    gone: BTreeSet<String>,
}

impl<'p> Keypads<'p> {
    /// Finds out what the choice means here. A terminal that was asked for must be there; a keypad may come later.
    pub fn new(choice: &Choice, layout: Option<&'p Keypad>) -> Result<Keypads<'p>, KeypadError> {
        let (sender, inbox) = mpsc::unbounded_channel();
        let wanted = match choice {
            Choice::Off => false,
            Choice::Terminal => true,
            Choice::Any | Choice::Named(_) => Terminal::is_at_hand(),
        };
        let terminal = match layout.filter(|_| wanted).map(|_| Terminal::open(Path::new(TERMINAL))) {
            Some(Err(error)) if *choice == Choice::Terminal => return Err(error),
            opened => opened.and_then(Result::ok),
        };
        let keys = layout.map(Keys::new);
        let (choice, readers, gone) = (choice.clone(), JoinSet::new(), BTreeSet::new());
        Ok(Keypads { choice, keys, terminal, sender, inbox, readers, gone })
    }

    /// Begins to read; `clock` is the moment at which the log's clock is 0. Gives what people should be told.
    pub fn start(&mut self, clock: Instant) -> Option<String> {
        if self.choice == Choice::Off {
            return None;
        }
        if self.keys.is_none() {
            return Some("This pack has no keypad.toml: no keypad is used.".into());
        }
        if let Some(terminal) = self.terminal.take() {
            self.readers.spawn(terminal.run(clock, self.sender.clone()));
        }
        if self.choice == Choice::Terminal {
            return None;
        }
        let missing = keypad::check(&self.choice).err();
        self.readers.spawn(keypad::run(self.choice.clone(), clock, self.sender.clone()));
        missing.map(|error| match self.choice {
            Choice::Named(_) => error.to_string(),
            _ => "No keypad was found; one that is plugged in later is used (--keypad list tells more).".into(),
        })
    }

    /// The next message of any of them; never, where there is none.
    pub async fn next(&mut self) -> Message {
        match self.inbox.recv().await {
            Some(message) => message,
            None => std::future::pending().await,
        }
    }

    /// What a message means for the core.
    pub fn take(&mut self, message: Message) -> Vec<Input> {
        let Some(keys) = &mut self.keys else { return vec![] };
        match message {
            Message::Press { pad, press } => acts(keys.press(pad, press)),
            Message::Came { name, .. } => {
                let state = if self.gone.remove(&name) { DeviceState::Back } else { DeviceState::Ready };
                vec![input(Device::Keypad, state, Some(name))]
            }
            Message::Gone { pad, name, why } => {
                let lost = input(Device::Keypad, DeviceState::Lost, Some(format!("{name}: {why}")));
                self.gone.insert(name);
                acts(keys.forget(pad)).into_iter().chain([lost]).collect()
            }
            Message::Missed { pad, name } => {
                let text = format!("{name}: keys were lost, because the machine was too slow");
                acts(keys.forget(pad))
                    .into_iter()
                    .chain([input(Device::Keypad, DeviceState::Missed, Some(text))])
                    .collect()
            }
            Message::Refused { name, why } => {
                vec![input(Device::Keypad, DeviceState::Refused, Some(format!("{name}: {why}")))]
            }
        }
    }

    /// Lets time pass.
    pub fn tick(&mut self, now: Millis) -> Vec<Input> {
        self.keys.as_mut().map_or_else(Vec::new, |keys| acts(keys.tick(now)))
    }

    /// What is being typed, for people to see.
    pub fn typing(&self) -> Vec<String> {
        self.keys.as_ref().map_or_else(Vec::new, Keys::shown)
    }
}

fn acts(keyed: Vec<Keyed>) -> Vec<Input> {
    let one = |keyed| match keyed {
        Keyed::Act { action, at } => Input::Act { action, at, by: By::Keypad },
        Keyed::Refused(why) => Input::Refused(why),
    };
    keyed.into_iter().map(one).collect()
}
