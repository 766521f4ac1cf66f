//! Keypads and nothing else, into a real log: what runs inside the emulated machine. Says on standard output
//! what it does, and ends when it is told to terminate.
//!
//! usage: keypad_listener KEYPAD LOG

use earmark::core::{Core, Effect, Input};
use earmark::journal::Journal;
use earmark::keypad::{self, Choice, Message};
use earmark::keys::{Keyed, Keys};
use earmark::record::{By, EngineId, Purpose};
use earmark::settings;
use earmark::time::{Anchor, Millis};
use std::time::{Duration, Instant};
use tokio::signal::unix::{SignalKind, signal};

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, name, log] = &arguments[..] else { anyhow::bail!("usage: keypad_listener KEYPAD LOG") };
    tokio::runtime::Builder::new_current_thread().enable_all().build()?.block_on(listen(name.parse()?, log))
}

async fn listen(choice: Choice, log: &str) -> anyhow::Result<()> {
    match keypad::check(&choice) {
        Ok(()) => println!("CHECK found"),
        Err(error) => println!("CHECK {error}"),
    }
    let pack = settings::load_pack("newborn")?;
    let layout = pack.keypad.as_ref().expect("newborn has a keypad");
    let start = Instant::now();
    let anchor = Anchor { start: chrono::Local::now().fixed_offset() };
    let engine = EngineId { name: "none".into(), sha256: String::new(), model_sha256: String::new(), files: vec![] };
    let header = settings::header("machine".into(), &pack, engine, "none".into(), anchor, Purpose::Demo);
    let mut journal = Journal::create(log)?;
    let (mut core, effects) = Core::open(header, &pack, anchor);
    let mut carry_out = |effects: Vec<Effect>| -> anyhow::Result<()> {
        for effect in effects {
            if let Effect::Append(record) = effect {
                journal.append(&record)?;
                println!("RECORD {}", serde_json::to_string(&record)?);
            }
        }
        Ok(())
    };
    carry_out(effects)?;
    let now = || start.elapsed().as_millis() as Millis;
    let (out, mut inbox) = tokio::sync::mpsc::unbounded_channel();
    let pads = tokio::spawn(keypad::run(choice, start, out));
    let mut keys = Keys::new(layout);
    let mut terminate = signal(SignalKind::terminate())?;
    let mut tick = tokio::time::interval(Duration::from_millis(100));
    loop {
        let keyed = tokio::select! {
            _ = terminate.recv() => break,
            _ = tick.tick() => keys.tick(now()),
            Some(message) = inbox.recv() => {
                if !matches!(message, Message::Press { .. }) {
                    println!("MESSAGE {message:?}");
                }
                match message {
                    Message::Press { pad, press } => keys.press(pad, press),
                    Message::Gone { pad, .. } | Message::Missed { pad, .. } => keys.forget(pad),
                    Message::Came { .. } | Message::Refused { .. } => vec![],
                }
            }
        };
        for keyed in keyed {
            match keyed {
                Keyed::Act { action, at } => carry_out(core.step(Input::Act { action, at, by: By::Keypad }, now()))?,
                Keyed::Refused(why) => println!("REFUSED {why}"),
            }
        }
    }
    pads.abort();
    carry_out(core.step(Input::End { reason: "terminated".into() }, now()))?;
    journal.close()?;
    println!("CLOSED");
    Ok(())
}
