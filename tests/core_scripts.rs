//! The core on invented time: what is said when, and the log that must follow.

use earmark::core::{Core, Effect, Input};
use earmark::decode::confidence::Measures;
use earmark::decode::reading::RivalReading;
use earmark::decode::{Reading, Word};
use earmark::grammar::meaning::Understood;
use earmark::pack::Pack;
use earmark::record::{Body, EngineId, Purpose};
use earmark::settings;
use earmark::time::Anchor;
use std::sync::LazyLock;

static PACK: LazyLock<Pack> = LazyLock::new(|| settings::load_pack("newborn").unwrap_or_else(|e| panic!("{e}")));

fn understand(words: &str) -> Understood {
    let meanings = PACK.graph.understand(words);
    assert_eq!(meanings.len(), 1, "{words}");
    meanings[0].clone()
}

/// A reading as if heard without doubt; `rival` is the other sentence and its probability.
fn reading(words: &str, confidence: f32, rival: Option<(&str, f32)>) -> Reading {
    Reading {
        understood: understand(words),
        words: words.split(' ').map(|w| Word { text: w.into(), from_ms: 0, to_ms: 0 }).collect(),
        onset_ms: 0,
        end_ms: 500,
        confidence,
        rival: rival.map(|(words, probability)| RivalReading {
            understood: understand(words),
            words: words.into(),
            probability,
        }),
        may_go_on: false,
        measures: Measures {
            gap: 0.0,
            worst_word: 0.0,
            absolute: 0.0,
            gain: 0.0,
            margin: 0.0,
            phones: 1.0,
            pace: 1.0,
            before: 0.0,
            after: 0.0,
        },
    }
}

/// Runs a script, one input a line: `SECONDS say WORDS [@CONFIDENCE] [~ RIVAL @PROBABILITY]`, `SECONDS talk`,
/// `SECONDS end`. Gives the log after the header, a line a record.
fn log_of(script: &str) -> String {
    let anchor = Anchor { start: "2026-01-01T09:00:00+00:00".parse().unwrap() };
    let id = EngineId { name: "script".into(), sha256: String::new(), model_sha256: String::new() };
    let header = settings::header("0".into(), &PACK, id, "script".into(), anchor, Purpose::Drill);
    let (mut core, mut effects) = Core::open(header, &PACK.events, anchor);
    for line in script.lines().map(str::trim).filter(|l| !l.is_empty()) {
        let (seconds, what) = line.split_once(' ').unwrap();
        let t = (seconds.parse::<f64>().unwrap() * 1000.0) as u64;
        let input = match what.split_once(' ') {
            Some(("say", rest)) => {
                let (main, rival) = rest.split_once(" ~ ").map_or((rest, None), |(m, r)| (m, Some(r)));
                let sure = |text: &str, default: f32| -> (String, f32) {
                    text.split_once(" @").map_or((text.into(), default), |(w, c)| (w.into(), c.parse().unwrap()))
                };
                let (words, confidence) = sure(main, 0.99);
                let rival = rival.map(|r| sure(r, 0.3));
                let rival = rival.as_ref().map(|(words, p)| (words.as_str(), *p));
                Input::Reading { onset: t, reading: Box::new(reading(&words, confidence, rival)) }
            }
            _ if what == "talk" => Input::Talk,
            _ => Input::End { reason: what.into() },
        };
        effects.extend(core.step(input, t + 600));
    }
    let mut out = String::new();
    let mut seq = 0;
    for effect in effects {
        match effect {
            Effect::Append(record) => {
                let birth = record.birth_ms.map_or(String::from("-"), |b| b.to_string());
                let body = match &record.body {
                    Body::Header(_) => None,
                    Body::Event(heard) => Some(format!(
                        "{} {}{}",
                        earmark::show::describe(&heard.meaning, &PACK.events),
                        heard.doubt.map_or("sure".into(), |d| format!("{d:?}")),
                        heard.rival.as_ref().map_or(String::new(), |r| format!(" rival {}", r.words)),
                    )),
                    Body::Withdraw { of, .. } => Some(format!("withdraw {of}")),
                    Body::Amend { of, to } => {
                        Some(format!("amend {of} {}", earmark::show::describe(&to.meaning, &PACK.events)))
                    }
                    Body::Note { .. } => Some("note".into()),
                    Body::Said { text } => Some(format!("said {text}")),
                    Body::Close(c) => Some(format!("close {} {} {}", c.accepted, c.doubtful, c.refused)),
                    other => Some(format!("{other:?}")),
                };
                if let Some(body) = body {
                    out += &format!("{seq} {} {birth} {body}\n", record.t_ms);
                }
                seq += 1;
            }
            Effect::Tell(text) => out += &format!("tell {text}\n"),
            Effect::Say(speech) => out += &format!("say {}\n", speech.text),
            Effect::Cue(cue) => out += &format!("cue {cue:?}\n"),
            Effect::Voice(change) => out += &format!("voice {change:?}\n"),
            Effect::Stop => out += "stop\n",
        }
    }
    out
}

#[test]
fn birth_is_time_zero() {
    let log = log_of(
        "1 say warmer on
         10 say baby is out
         55 say ventilation started
         60 talk
         70 end",
    );
    assert_eq!(
        log,
        "1 1000 - Equipment ready: warmer sure\n\
         2 10000 0 Birth sure\n\
         3 55000 45000 Ventilation started sure\n\
         4 70600 60600 close 3 0 1\n"
    );
}

#[test]
fn doubts_are_kept_apart_and_never_move_birth() {
    let log = log_of(
        "1 say baby is out @0.3
         5 say oxygen thirty ~ oxygen thirty three @0.4
         6 say temperature thirty one
         7 say heart rate eighty ~ heart rate eighty eight @0.02",
    );
    assert_eq!(
        log,
        "1 1000 - Birth LowConfidence\n\
         2 5000 - Oxygen 30 % Rival rival oxygen thirty three\n\
         3 6000 - Temperature 31 °C OutOfRange\n\
         4 7000 - Heart rate 80 /min sure rival heart rate eighty eight\n"
    );
}

#[test]
fn scratch_that_takes_back_the_last_event_even_birth() {
    let log = log_of(
        "1 say baby is out
         2 say dried
         3 say scratch that
         4 say scratch that
         5 say scratch that
         6 say baby is out
         7 say dried",
    );
    assert_eq!(
        log,
        "1 1000 0 Birth sure\n\
         2 2000 1000 Dried sure\n\
         3 3000 2000 withdraw 2\n\
         4 4000 - withdraw 1\n\
         tell there is no event to withdraw\n\
         5 6000 0 Birth sure\n\
         6 7000 1000 Dried sure\n"
    );
}

#[test]
fn a_correction_amends_the_last_event_of_its_kind_and_holds_ten_seconds() {
    let log = log_of(
        "1 say heart rate sixty
         2 say saturation eighty
         3 say correction
         4 say heart rate eighty
         5 say correction
         16 say heart rate ninety
         17 say correction
         18 say peep five",
    );
    assert_eq!(
        log,
        "1 1000 - Heart rate 60 /min sure\n\
         2 2000 - SpO2 80 % sure\n\
         3 4000 - amend 1 Heart rate 80 /min\n\
         4 16000 - Heart rate 90 /min sure\n\
         5 18000 - PEEP 5 cmH2O sure\n"
    );
}

#[test]
fn commands_answer_and_doubtful_commands_do_nothing() {
    let log = log_of(
        "1 say time check
         2 say baby is out
         65 say time check
         66 say mark that
         67 say scratch that @0.3
         68 say end of recording",
    );
    assert_eq!(
        log,
        "1 1000 - said 0:01 since the log was opened; birth is not recorded\n\
         2 2000 0 Birth sure\n\
         3 65000 63000 said 1:03 since birth\n\
         4 66000 64000 note\n\
         5 67000 65000 To the recorder: scratch LowConfidence\n\
         stop\n"
    );
}

#[test]
fn what_is_too_unsure_is_refused_and_counted() {
    let log = log_of(
        "1 say dried @0.01
         2 talk
         3 end",
    );
    assert_eq!(log, "1 3600 - close 0 0 2\n");
}
