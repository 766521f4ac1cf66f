//! What must hold of checkpoints whatever is called out, keyed and corrected, and whenever.

mod common;

use common::script::{HEARING_MS, Run, TICK_MS, pack};
use earmark::checkpoints::{Change, Machine};
use earmark::core::action::{Action, Side};
use earmark::core::speech::Urgency;
use earmark::core::state::State;
use earmark::core::{Effect, PROMPT_MS};
use earmark::pack::Pack;
use earmark::record::{Body, By, CheckpointState, Record};
use proptest::prelude::*;
use std::collections::BTreeMap;
use std::sync::LazyLock;

static PACKS: LazyLock<[Pack; 2]> = LazyLock::new(|| [pack("newborn"), pack("newborn-five-breaths")]);

const SAID: [&str; 34] = [
    "baby is out",
    "dried",
    "baby not breathing",
    "baby is breathing",
    "baby is crying",
    "ventilation started",
    "ventilation started",
    "ventilation stopped",
    "heart rate fifty",
    "heart rate eighty",
    "heart rate one ten",
    "no heart rate",
    "heart rate is rising",
    "heart rate not rising",
    "chest is rising",
    "chest not moving",
    "chest not moving",
    "mask adjusted",
    "mouth opened",
    "pressure increased to thirty",
    "five breaths given",
    "intubated",
    "laryngeal mask placed",
    "compressions started",
    "compressions stopped",
    "oxygen one hundred",
    "epinephrine zero point three mils i v",
    "saline thirty mils",
    "saturation seventy",
    "apgar six at five minutes",
    "temperature thirty six point eight",
    "handover done",
    "scratch that",
    "correction",
];

#[derive(Debug, Clone)]
enum Move {
    Say(&'static str),
    Key(Action),
    /// Nobody does anything.
    Wait,
}

fn any_move() -> impl Strategy<Value = Move> {
    let keys = vec![
        Action::Birth { ago_ms: 0 },
        Action::Birth { ago_ms: 30_000 },
        Action::Withdraw,
        Action::Undo,
        Action::Shift(-5000),
        Action::Confirm,
        Action::AmendValue(50.0),
        Action::Resolve(Side::Heard),
        Action::Mute,
    ];
    prop_oneof![
        8 => prop::sample::select(SAID.to_vec()).prop_map(Move::Say),
        2 => prop::sample::select(keys).prop_map(Move::Key),
        1 => Just(Move::Wait),
    ]
}

/// Moves, each with the time before it in milliseconds.
fn any_moves() -> impl Strategy<Value = Vec<(Move, u64)>> {
    prop::collection::vec((any_move(), prop_oneof![6 => 700..15_000u64, 1 => 15_000..200_000u64]), 0..40)
}

fn run<'p>(pack: &'p Pack, moves: &[(Move, u64)]) -> Run<'p> {
    let mut run = Run::new(pack);
    let mut t = 0;
    for (step, wait) in moves {
        t += wait;
        match step {
            Move::Say(words) => run.say(t, words),
            Move::Key(action) => run.act(t, action.clone()),
            Move::Wait => {}
        }
        t = t.max(run.core.now());
    }
    run.tick_to(t + 30_000);
    run
}

fn prompts<'r>(run: &'r Run) -> impl Iterator<Item = (u64, &'r str)> {
    run.effects.iter().filter_map(|(at, effect)| match effect {
        Effect::Say(speech) if speech.urgency == Urgency::Checkpoint => Some((*at, speech.about.as_deref().unwrap())),
        _ => None,
    })
}

/// What the log says of checkpoints, without the corrections that moved them.
fn checkpoints(records: &[Record]) -> Vec<(u64, String, CheckpointState)> {
    let states = records.iter().filter_map(|record| match &record.body {
        Body::Checkpoint { id, state, .. } => Some((record.t_ms, id.clone(), *state)),
        _ => None,
    });
    states.collect()
}

/// `PROPTEST_CASES` for a longer run.
fn cases() -> u32 {
    std::env::var("PROPTEST_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(150)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn never_two_prompts_at_once(which in 0..2usize, moves in any_moves()) {
        let run = run(&PACKS[which], &moves);
        let times: Vec<u64> = prompts(&run).map(|(at, _)| at).collect();
        for pair in times.windows(2) {
            prop_assert!(pair[1] >= pair[0] + PROMPT_MS, "{:?}", pair);
        }
    }

    /// At the moment of a prompt the log's last word on that checkpoint is `due`, and its time has just come.
    #[test]
    fn never_a_prompt_for_what_is_met_and_none_is_late(which in 0..2usize, moves in any_moves()) {
        let pack = &PACKS[which];
        let run = run(pack, &moves);
        let mut last: BTreeMap<&str, (CheckpointState, u64)> = BTreeMap::new();
        for (at, effect) in &run.effects {
            match effect {
                Effect::Append(record) => {
                    if let Body::Checkpoint { id, state, .. } = &record.body {
                        last.insert(id, (*state, record.t_ms));
                    }
                }
                Effect::Say(speech) if speech.urgency == Urgency::Checkpoint => {
                    let id = speech.about.as_deref().unwrap();
                    let (state, due) = last[id];
                    prop_assert_eq!(state, CheckpointState::Due, "{}", id);
                    let rule = pack.checkpoints.rules.iter().find(|rule| rule.id == id).unwrap();
                    let times = (0..u64::from(rule.times)).map(|k| due + k * rule.again_ms as u64);
                    prop_assert!(times.into_iter().any(|t| (t..=t + 1000).contains(at)), "{} due {} said {}", id, due, at);
                }
                _ => {}
            }
        }
    }

    /// Nothing that is due is forgotten: if the voice was free and nothing weightier was near, it was said.
    #[test]
    fn what_is_due_is_said_or_something_else_is(which in 0..2usize, moves in any_moves()) {
        let moves: Vec<_> = moves.into_iter().filter(|(step, _)| !matches!(step, Move::Key(_))).collect();
        let run = run(&PACKS[which], &moves);
        let said: Vec<(u64, &str)> = prompts(&run).collect();
        let dues: Vec<(u64, u64, String)> = run.effects.iter().filter_map(|(at, effect)| match effect {
            Effect::Append(record) => match &record.body {
                Body::Checkpoint { id, state: CheckpointState::Due, .. } => Some((*at, record.t_ms, id.clone())),
                _ => None,
            },
            _ => None,
        }).collect();
        let priority = |id: &str| PACKS[which].checkpoints.rules.iter().find(|rule| rule.id == id).unwrap().priority;
        // At the very end what it stood back for has not come yet.
        let whole = |at: u64| at + PROMPT_MS + TICK_MS < run.core.now();
        for (at, due, id) in dues.iter().filter(|(at, ..)| whole(*at)) {
            let own = said.iter().any(|(t, other)| t == at && other == id);
            let other = said.iter().any(|(t, _)| t.abs_diff(*at) < PROMPT_MS + TICK_MS);
            // It stood back for something weightier that was about to be due, which may have been met since.
            let soon = run.records().iter().any(|record| match &record.body {
                Body::Checkpoint { id: other, state, .. } => {
                    priority(other) > priority(id) && *state != CheckpointState::Missed
                        && record.written_ms >= *at && record.written_ms <= at + PROMPT_MS + HEARING_MS + TICK_MS
                }
                _ => false,
            });
            let ended = run.records().iter().any(|r| matches!(r.body, Body::Withdraw { .. } | Body::Amend { .. } | Body::Event(_))
                && r.written_ms > *at && r.written_ms <= at + PROMPT_MS + HEARING_MS + TICK_MS);
            prop_assert!(own || other || soon || ended || at.saturating_sub(*due) > 1000, "{id} due {due} at {at}: {said:?}");
        }
    }

    /// The log alone gives the state, checkpoints included.
    #[test]
    fn a_replayed_log_gives_the_same_state(which in 0..2usize, moves in any_moves()) {
        let pack = &PACKS[which];
        let run = run(pack, &moves);
        let mut replayed = State::replay(pack, &run.records());
        replayed.advance(pack, run.core.now());
        prop_assert_eq!(&replayed, run.core.state());
    }

    /// The events of a log, given to a new core at the moments at which they were written, bring about the
    /// same checkpoints at the same times.
    #[test]
    fn a_replayed_log_gives_the_same_checkpoints(which in 0..2usize, moves in any_moves()) {
        let pack = &PACKS[which];
        let first = run(pack, &moves);
        let records = first.records();
        let mut state = State::new(pack);
        let mut again = Vec::new();
        let mut note = |transitions: Vec<earmark::checkpoints::Transition>| {
            for t in transitions {
                if let Change::To(to) = t.change {
                    again.push((t.at.max(0) as u64, pack.checkpoints.rules[t.rule].id.clone(), to));
                }
            }
        };
        let mut tick = 0;
        for record in &records {
            while (tick + 1) * TICK_MS <= record.written_ms {
                tick += 1;
                note(state.advance(pack, tick * TICK_MS));
            }
            note(state.apply(pack, record));
        }
        while (tick + 1) * TICK_MS <= first.core.now() {
            tick += 1;
            note(state.advance(pack, tick * TICK_MS));
        }
        prop_assert_eq!(again, checkpoints(&records));
    }

    /// Without corrections, running over the whole history at once ends where living through it does.
    #[test]
    fn time_may_pass_in_any_steps(which in 0..2usize, moves in any_moves(), step in 50..5000i64) {
        let pack = &PACKS[which];
        let moves: Vec<_> = moves.into_iter().filter(|(step, _)| matches!(step, Move::Say(words) if !["scratch that", "correction"].contains(words))).collect();
        let run = run(pack, &moves);
        let rules = &pack.checkpoints;
        let facts: Vec<_> = run.records().iter().enumerate().filter_map(|(seq, record)| match &record.body {
            Body::Event(heard) if heard.source.by == By::Voice && heard.doubt.is_none() => Some(earmark::checkpoints::Fact {
                seq: seq as u64, at: record.t_ms as i64, meaning: heard.meaning.clone(),
            }),
            _ => None,
        }).collect();
        let end = run.core.now() as i64;
        let whole = Machine::rebuilt(rules, facts.clone(), end);
        let mut stepped = Machine::new(rules);
        let mut clock = 0;
        for fact in facts {
            while clock + step < fact.at {
                clock += step;
                stepped.advance(rules, clock);
            }
            stepped.advance(rules, fact.at);
            stepped.learn(rules, fact);
        }
        stepped.advance(rules, end);
        prop_assert_eq!(whole, stepped);
    }
}
