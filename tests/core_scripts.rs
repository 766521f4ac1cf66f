//! The core on invented time: what is said when, and the log that must follow.

mod common;

use common::script::{Run, action, reading};
use earmark::bounds::{self, LONGEST_MS};
use earmark::core::speech::{Cue, Urgency};
use earmark::core::state::State;
use earmark::core::{Effect, Input};
use earmark::grammar::meaning::Understood;
use earmark::pack::Pack;
use earmark::record::Body;
use proptest::prelude::*;
use std::sync::LazyLock;

/// Without its checkpoints, which have tests of their own.
static PACK: LazyLock<Pack> = LazyLock::new(|| {
    let mut pack = common::script::pack("newborn");
    pack.checkpoints.rules.clear();
    pack
});

/// Runs a script, one input a line: `SECONDS say WORDS [@CONFIDENCE] [~ RIVAL @PROBABILITY]`, `SECONDS talk`,
/// `SECONDS key ACTION`, `SECONDS end`.
fn run(script: &str) -> Run<'static> {
    let mut run = Run::new(&PACK);
    for line in script.lines().map(str::trim).filter(|l| !l.is_empty()) {
        let (seconds, what) = line.split_once(' ').unwrap();
        let t = (seconds.parse::<f64>().unwrap() * 1000.0) as u64;
        match what.split_once(' ') {
            Some(("say", rest)) => {
                let (main, rival) = rest.split_once(" ~ ").map_or((rest, None), |(m, r)| (m, Some(r)));
                let sure = |text: &str, default: f32| -> (String, f32) {
                    text.split_once(" @").map_or((text.into(), default), |(w, c)| (w.into(), c.parse().unwrap()))
                };
                let (words, confidence) = sure(main, 0.99);
                let rival = rival.map(|r| sure(r, 0.3));
                let rival = rival.as_ref().map(|(words, p)| (words.as_str(), *p));
                run.hear(t, reading(&PACK, &words, confidence, rival));
            }
            Some(("key", rest)) => run.act(t, action(rest)),
            _ if what == "talk" => run.step(Input::Talk, t + 600),
            _ => run.step(Input::End { reason: what.into() }, t + 600),
        }
    }
    // Whatever was done, the log alone tells the same.
    let mut replayed = State::replay(&PACK, &run.records());
    replayed.advance(&PACK, run.core.now());
    assert_eq!(replayed, *run.core.state(), "{script}");
    run
}

/// The log of a script after the header, a line a record, and what was only told.
fn log_of(script: &str) -> String {
    let effects = run(script).effects.into_iter().map(|(_, effect)| effect);
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
                        PACK.events.describe(&heard.meaning),
                        heard.doubt.map_or("sure".into(), |d| format!("{d:?}")),
                        heard.rival.as_ref().map_or(String::new(), |r| format!(" rival {}", r.words)),
                    )),
                    Body::Withdraw { of, .. } => Some(format!("withdraw {of}")),
                    Body::Confirm { of, .. } => Some(format!("confirm {of}")),
                    Body::Amend { of, moved_to_ms, to } => Some(format!(
                        "amend {of} {}{}{}",
                        PACK.events.describe(&to.meaning),
                        moved_to_ms.map_or(String::new(), |t| format!(" moved to {t}")),
                        to.doubt.map_or(String::new(), |d| format!(" {d:?}")),
                    )),
                    Body::Note { .. } => Some("note".into()),
                    Body::Said { text } => Some(format!("said {text}")),
                    Body::Close(c) => {
                        Some(format!("close {} {} {} {:?}", c.accepted, c.doubtful, c.refused, c.unresolved))
                    }
                    other => Some(format!("{other:?}")),
                };
                if let Some(body) = body {
                    out += &format!("{seq} {} {birth} {body}\n", record.t_ms);
                }
                seq += 1;
            }
            Effect::Tell(text) => out += &format!("tell {text}\n"),
            // Each follows its record; they have tests of their own.
            Effect::Say(_) | Effect::Cue(_) => {}
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
         4 70600 60600 close 3 0 1 []\n"
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
         2 1600 - said not sure of that. once more, please?\n\
         3 5000 - Oxygen 30 % Rival rival oxygen thirty three\n\
         4 5600 - said thirty, or thirty three?\n\
         5 6000 - Temperature 31 °C OutOfRange\n\
         6 6600 - said is thirty one right?\n\
         7 7000 - Heart rate 80 /min sure rival heart rate eighty eight\n"
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
        "1 1600 - said one second since the start, birth is not recorded\n\
         2 2000 0 Birth sure\n\
         3 65600 63600 said one minute, three seconds since birth\n\
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
    assert_eq!(log, "1 3600 - close 0 0 2 []\n");
}

// Doubts

#[test]
fn a_doubt_is_asked_once_and_the_next_call_out_of_either_kind_settles_it() {
    let log = log_of(
        "1 say heart rate fifty ~ heart rate sixty
         8 say heart rate sixty
         20 say heart rate fifty ~ heart rate sixty
         36 say heart rate two forty
         60 end",
    );
    assert_eq!(
        log,
        "1 1000 - Heart rate 50 /min Rival rival heart rate sixty\n\
         2 1600 - said fifty, or sixty?\n\
         3 8000 - amend 1 Heart rate 60 /min\n\
         4 20000 - Heart rate 50 /min Rival rival heart rate sixty\n\
         5 20600 - said fifty, or sixty?\n\
         6 36000 - Heart rate 240 /min OutOfRange\n\
         7 36600 - said is two forty right?\n\
         8 60600 - close 1 3 0 [4, 6]\n"
    );
}

#[test]
fn an_answer_never_makes_a_second_dose() {
    let log = log_of(
        "1 say epinephrine zero point three mils @0.5
         5 say epinephrine zero point three mils
         9 end",
    );
    assert_eq!(
        log,
        "1 1000 - Epinephrine 0.3 mL LowConfidence\n\
         2 1600 - said not sure of that. once more, please?\n\
         3 5000 - confirm 1\n\
         4 5600 - said dose heard, zero point three milliliters\n\
         5 9600 - close 1 1 0 []\n"
    );
}

#[test]
fn a_keyed_event_answers_as_a_call_out_does() {
    let log = log_of(
        "1 say heart rate fifty ~ heart rate sixty
         4 key event heart_rate 60
         5 key undo
         6 end",
    );
    assert_eq!(
        log,
        "1 1000 - Heart rate 50 /min Rival rival heart rate sixty\n\
         2 1600 - said fifty, or sixty?\n\
         3 4000 - amend 1 Heart rate 60 /min\n\
         4 5000 - withdraw 3\n\
         5 6600 - close 1 1 0 [1]\n"
    );
}

#[test]
fn doses_are_read_back_in_words_instead_of_a_tone() {
    let script = "1 say epinephrine zero point three mils i v
         5 key event oxygen 40
         6 say volume given thirty mils
         8 say correction
         9 say volume given forty mils";
    assert_eq!(
        log_of(script),
        "1 1000 - Epinephrine 0.3 mL, route iv sure\n\
         2 1600 - said dose heard, zero point three milliliters, i v\n\
         3 5000 - Oxygen 40 % sure\n\
         4 6000 - Volume 30 mL sure\n\
         5 6600 - said fluid heard, thirty milliliters\n\
         6 9000 - amend 4 Volume 40 mL\n\
         7 9600 - said fluid heard, forty milliliters\n"
    );
    let cues: Vec<_> = run(script).effects.into_iter().filter(|(_, e)| matches!(e, Effect::Cue(_))).collect();
    assert_eq!(cues, [(5000, Effect::Cue(Cue::Accepted))]);
}

#[test]
fn another_value_is_another_event_and_leaves_the_doubt_open() {
    let log = log_of(
        "1 say heart rate fifty ~ heart rate sixty
         5 say heart rate eighty
         9 end",
    );
    assert_eq!(
        log,
        "1 1000 - Heart rate 50 /min Rival rival heart rate sixty\n\
         2 1600 - said fifty, or sixty?\n\
         3 5000 - Heart rate 80 /min sure\n\
         4 9600 - close 1 1 0 [1]\n"
    );
}

#[test]
fn keys_settle_a_doubt_either_way() {
    let log = log_of(
        "1 say heart rate fifty ~ heart rate sixty
         3 key rival
         4 key rival
         5 say ventilation started ~ ventilation stopped
         7 key heard
         8 say dried ~ weight unknown
         9 key rival
         10 end",
    );
    assert_eq!(
        log,
        "1 1000 - Heart rate 50 /min Rival rival heart rate sixty\n\
         2 1600 - said fifty, or sixty?\n\
         3 3000 - amend 1 Heart rate 60 /min\n\
         tell there is no open doubt\n\
         4 5000 - Ventilation started Rival rival ventilation stopped\n\
         5 5600 - said started, or stopped?\n\
         6 7000 - confirm 4\n\
         7 8000 - Dried Rival rival weight unknown\n\
         8 8600 - said not sure of that. once more, please?\n\
         9 9000 - withdraw 7\n\
         10 10600 - close 0 3 0 []\n"
    );
}

// The scribe

#[test]
fn acts_concern_the_last_event_or_the_chosen_one() {
    let log = log_of(
        "1 say heart rate sixty
         3 say saturation eighty
         5 say dried
         7 key earlier
         8 key earlier
         9 key earlier
         10 key value 66
         11 key shift -5
         11 key shift -0.4
         12 key later
         13 key confirm
         40 key withdraw
         41 key value 3",
    );
    assert_eq!(
        log,
        "1 1000 - Heart rate 60 /min sure\n\
         2 3000 - SpO2 80 % sure\n\
         3 5000 - Dried sure\n\
         tell chosen: SpO2 80 (record 2)\n\
         tell chosen: Heart rate 60 (record 1)\n\
         tell this is the first event\n\
         4 10000 - amend 1 Heart rate 66 /min\n\
         tell it cannot have been before the log was opened; only birth can\n\
         5 11000 - amend 1 Heart rate 66 /min moved to 600\n\
         tell chosen: SpO2 80 (record 2)\n\
         6 13000 - confirm 2\n\
         7 40000 - withdraw 3\n\
         8 41000 - amend 2 SpO2 3 % OutOfRange\n"
    );
}

#[test]
fn nothing_is_keyed_that_cannot_be_or_that_no_reader_would_take() {
    let log = log_of(
        "1 key event heart_rate 999
         2 key event oxygen 200
         3 key event heart_rate 80
         4 key value 999
         5 key shift -3600
         6 key shift -700000
         7 key birth 700000
         8 key birth 80000
         9 key shift -600000
         10 key shift 100000",
    );
    assert_eq!(
        log,
        "tell Heart rate 999 /min is not possible, 0 to 400 is: correct the number\n\
         tell Oxygen 200 % is not possible, 21 to 100 is: correct the number\n\
         1 3000 - Heart rate 80 /min sure\n\
         tell Heart rate 999 /min is not possible, 0 to 400 is: correct the number\n\
         tell it cannot have been before the log was opened; only birth can\n\
         tell it cannot have been before the log was opened; only birth can\n\
         tell birth cannot have been more than a day before the log was opened\n\
         2 0 0 Birth sure\n\
         3 8000 80000000 amend 2 Birth moved to -79992000\n\
         tell birth cannot have been more than a day before the log was opened\n\
         tell nothing can have happened later than now\n"
    );
}

#[test]
fn a_value_that_cannot_be_is_not_confirmed_in_any_way() {
    let mut run = Run::new(&PACK);
    let mut heard = reading(&PACK, "oxygen thirty percent", 0.99, None);
    let Understood::CallOut(meaning) = &mut heard.understood else { unreachable!() };
    meaning.value = Some(200.into());
    run.hear(1000, heard);
    for key in ["confirm", "heard", "on 1 confirm", "on 1 heard"] {
        run.act(2000, action(key));
    }
    let told =
        run.effects.iter().filter(|(_, effect)| matches!(effect, Effect::Tell(text) if text.contains("not possible")));
    assert_eq!((told.count(), run.core.state().doubts().count()), (4, 1));
    run.act(3000, action("on 1 value 100"));
    assert_eq!(run.core.state().doubts().count(), 0);
}

#[test]
fn a_log_ends_before_it_is_longer_than_readers_take() {
    let mut run = Run::new(&PACK);
    assert!(!run.core.is_full(LONGEST_MS / 2) && run.core.is_full(LONGEST_MS));
    run.step(Input::End { reason: "terminated".into() }, 2 * LONGEST_MS);
    assert!(run.records().iter().all(bounds::holds), "{:?}", run.records().last());
}

#[test]
fn an_act_on_a_named_event_concerns_no_other_and_leaves_the_choice() {
    let log = log_of(
        "1 say heart rate sixty
         3 say saturation eighty ~ saturation ninety
         5 say dried
         6 key earlier
         7 key on 1 value 66
         8 key on 1 heard
         9 key on 2 rival
         10 key on 2 rival
         11 key on 4 withdraw
         12 key on 4 confirm
         13 key on 99 confirm
         14 key confirm",
    );
    assert_eq!(
        log,
        "1 1000 - Heart rate 60 /min sure\n\
         2 3000 - SpO2 80 % Rival rival saturation ninety\n\
         3 3600 - said eighty, or ninety?\n\
         4 5000 - Dried sure\n\
         tell chosen: SpO2 80 (record 2)\n\
         5 7000 - amend 1 Heart rate 66 /min\n\
         tell Heart rate 66 (record 1) is not in doubt\n\
         6 9000 - amend 2 SpO2 90 %\n\
         tell SpO2 90 (record 2) is not in doubt\n\
         7 11000 - withdraw 4\n\
         tell record 4 is no event that stands\n\
         tell record 99 is no event that stands\n\
         8 14000 - confirm 2\n"
    );
}

#[test]
fn birth_is_marked_now_or_ago_and_moved() {
    let log = log_of(
        "5 key birth 10
         20 say dried
         30 key birth 0
         31 say dried",
    );
    assert_eq!(
        log,
        "1 0 0 Birth sure\n\
         2 5000 10000 amend 1 Birth moved to -5000\n\
         3 20000 25000 Dried sure\n\
         4 30000 0 amend 1 Birth moved to 30000\n\
         5 31000 1000 Dried sure\n"
    );
    assert_eq!(log_of("12 key birth 10\n13 say dried"), "1 2000 0 Birth sure\n2 13000 11000 Dried sure\n");
}

#[test]
fn undo_takes_back_what_the_scribe_did_and_never_a_call_out() {
    let log = log_of(
        "1 say heart rate sixty
         2 key value 90
         3 key event saturation 85
         4 key mark
         5 key undo
         6 key undo
         7 key undo
         8 key undo
         9 key value 70",
    );
    assert_eq!(
        log,
        "1 1000 - Heart rate 60 /min sure\n\
         2 2000 - amend 1 Heart rate 90 /min\n\
         3 3000 - SpO2 85 % sure\n\
         4 4000 - note\n\
         5 5000 - withdraw 4\n\
         6 6000 - withdraw 3\n\
         7 7000 - withdraw 2\n\
         tell there is nothing to undo\n\
         8 9000 - amend 1 Heart rate 70 /min\n"
    );
    let run = run("1 say heart rate sixty\n2 key value 90\n3 key undo\n4 key withdraw\n5 key undo");
    let events: Vec<_> = run.core.state().events().map(|view| view.meaning.value.clone()).collect();
    assert_eq!(events, [Some(60.into())]);
}

#[test]
fn what_cannot_be_keyed_is_refused_and_says_why() {
    let log = log_of(
        "1 key confirm
         2 key earlier
         3 key event nonsense
         4 key event birth 3
         5 key event heart_rate 300
         6 key shift 5
         7 key event dried
         8 key value 3
         9 key again",
    );
    assert_eq!(
        log,
        "tell there is no event yet\n\
         tell there is no event to choose\n\
         tell the pack has no event 'nonsense'\n\
         tell Birth cannot have this value\n\
         1 5000 - Heart rate 300 /min OutOfRange\n\
         tell nothing can have happened later than now\n\
         2 7000 - Dried sure\n\
         tell Dried cannot have this value\n\
         tell nothing has been said yet\n"
    );
}

#[test]
fn time_check_tells_all_that_runs_in_words() {
    let log = log_of(
        "0 say baby is out
         50 say ventilation started
         80 say compressions started
         125 say epinephrine zero point three mils i v
         130 key time
         140 say ventilation stopped
         141 say compressions stopped
         150 say time check
         151 say say again",
    );
    let said: Vec<_> = log.lines().filter_map(|line| line.split_once("said ")).map(|(_, text)| text).collect();
    let last = "two minutes, thirty seconds since birth. twenty five seconds since the last dose";
    assert_eq!(
        said,
        [
            "dose heard, zero point three milliliters, i v",
            "two minutes, ten seconds since birth. one minute, twenty seconds since ventilation began. \
             fifty seconds since compressions began. five seconds since the last dose",
            last,
            last
        ]
    );
}

#[test]
fn mute_silences_the_voice_and_the_log_says_so() {
    let run = run("1 key mute
         2 key time
         3 say heart rate fifty ~ heart rate sixty
         5 key mute
         6 key time");
    let bodies: Vec<_> = run.records().into_iter().map(|record| record.body).collect();
    let said = bodies.iter().filter(|body| matches!(body, Body::Said { .. })).count();
    assert_eq!(said, 1, "{bodies:?}");
    for (at, effect) in &run.effects {
        let loud = matches!(effect, Effect::Say(_) | Effect::Cue(_));
        assert!(!loud || *at >= 5000, "{at} {effect:?}");
    }
    let states: Vec<_> = bodies
        .iter()
        .filter_map(|b| if let Body::Device { state, .. } = b { Some(state.as_str()) } else { None })
        .collect();
    assert_eq!(states, ["muted", "on"]);
}

#[test]
fn tones_and_urgencies_fit_what_happened() {
    let run = run("1 say dried
         2 say heart rate fifty ~ heart rate sixty
         4 key confirm
         5 key event hat_on
         6 key event nonsense
         7 say mark that
         8 key time");
    let cues: Vec<_> =
        run.effects.iter().filter_map(|(_, e)| if let Effect::Cue(cue) = e { Some(*cue) } else { None }).collect();
    assert_eq!(cues, [Cue::Accepted, Cue::Doubtful, Cue::Mark, Cue::Accepted, Cue::Refused, Cue::Mark]);
    let urgencies: Vec<_> =
        run.effects.iter().filter_map(|(_, e)| if let Effect::Say(s) = e { Some(s.urgency) } else { None }).collect();
    assert_eq!(urgencies, [Urgency::Doubt, Urgency::Answer]);
}

// Anything at all

/// An engine that was replaced hears late.
#[test]
fn what_is_heard_late_takes_back_what_there_was_when_it_was_said() {
    let mut run = Run::new(&PACK);
    run.say(10_000, "ventilation started");
    run.act(14_000, action("event heart_rate 80"));
    run.tick_to(18_000);
    let scratch = reading(&PACK, "scratch that", 0.99, None);
    run.step(Input::Reading { onset: 12_000, reading: Box::new(scratch) }, 18_000);
    let records = run.records();
    let Body::Withdraw { of, .. } = records.last().unwrap().body else { panic!("{records:?}") };
    assert!(matches!(&records[of as usize].body, Body::Event(heard) if heard.meaning.event == "ventilation_started"));
    assert_eq!((records.last().unwrap().t_ms, records.last().unwrap().written_ms), (12_000, 18_000));
}

fn any_line() -> impl Strategy<Value = String> {
    let said = prop::sample::select(vec![
        "say baby is out",
        "say baby is out @0.4",
        "say heart rate sixty",
        "say heart rate fifty ~ heart rate sixty",
        "say ventilation started ~ ventilation stopped",
        "say epinephrine zero point three mils i v @0.5",
        "say epinephrine zero point three mils i v",
        "say temperature thirty one",
        "say scratch that",
        "say correction",
        "say mark that",
        "say time check",
        "say say again",
        "talk",
    ]);
    let keyed = prop::sample::select(vec![
        "event heart_rate 80",
        "event heart_rate 300",
        "event birth",
        "event suctioned mouth",
        "earlier",
        "later",
        "confirm",
        "withdraw",
        "heard",
        "rival",
        "value 75",
        "value 999",
        "shift -5",
        "shift 5",
        "birth 0",
        "birth 10",
        "on 2 value 70",
        "on 3 withdraw",
        "on 2 rival",
        "mark",
        "undo",
        "time",
        "again",
        "mute",
    ]);
    prop_oneof![said.prop_map(String::from), keyed.prop_map(|key| format!("key {key}"))]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    /// `run` compares the live state with a replay of the log; here after anything that can be done.
    #[test]
    fn the_log_alone_gives_the_same_state(lines in prop::collection::vec((any_line(), 1..9000u32), 0..40)) {
        let mut t = 0;
        let mut script = String::new();
        for (line, wait) in lines {
            t += wait + 700;
            script += &format!("{}.{:03} {line}\n", t / 1000, t % 1000);
        }
        let run = run(&script);
        for (_, effect) in &run.effects {
            if let Effect::Say(speech) = effect {
                prop_assert_eq!(PACK.graph.call_out_in(&speech.text), None);
            }
        }
    }
}

#[test]
fn a_log_has_had_its_day_when_it_is_a_day_old_and_an_hour_was_quiet() {
    const HOUR: u64 = 3_600_000;
    let mut run = Run::new(&PACK);
    let over = |run: &Run, hours: u64| run.core.has_had_its_day(hours * HOUR);
    assert!(!over(&run, 23) && over(&run, 24));
    run.act(23 * HOUR + HOUR / 2, action("event dried"));
    assert!(!over(&run, 24) && over(&run, 25));
    run.hear(24 * HOUR + HOUR / 2, reading(&PACK, "heart rate one twenty", 0.99, None));
    run.step(Input::Talk, 25 * HOUR);
    assert!(!over(&run, 25) && over(&run, 26));
}
