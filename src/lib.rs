//! Earmark records what is called out around a newborn who needs help, hands-free and offline.
//!
//! It records and reminds. It decides nothing and is no medical device. Local protocol and licensed
//! judgement come first.
//!
//! From sound to log: [`audio`] gives 16 kHz mono, [`hearing`] cuts it at pauses, an [`engine`]
//! turns each piece into hypotheses with [`decode`] over a [`pack`]'s [`grammar`], the [`core`] makes
//! records of them, the [`journal`] puts those on disk, and [`show`] tells people. [`replay`] and
//! [`daemon`] are the two wirings; [`cli`] is what is typed. Afterwards [`debrief`] makes figures of one
//! log and [`compare`] of many. [`files`] opens what is read, and [`terminal`] makes what is shown safe for a terminal.
//! DEVELOPERS.md has the floors.

pub mod audio;
pub mod board;
pub mod bounds;
pub mod check;
pub mod checkpoints;
pub mod cli;
pub mod compare;
pub mod core;
pub mod daemon;
pub mod debrief;
pub mod decode;
pub mod device;
pub mod engine;
pub mod export;
pub mod files;
pub mod glance;
pub mod grammar;
pub mod hearing;
pub mod hex;
pub mod html;
pub mod hypothesis;
pub mod journal;
pub mod keypad;
pub mod keys;
pub mod opening;
pub mod pack;
pub mod phrases;
pub mod prepare;
pub mod record;
pub mod recorder;
pub mod redact;
pub mod replay;
pub mod seal;
pub mod settings;
pub mod show;
pub mod signature;
pub mod sound;
pub mod terminal;
pub mod time;
pub mod view;
pub mod voice;
