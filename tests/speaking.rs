//! When the core speaks: prompts wait for people to end their sentence, answers do not; the loss of a device is said.

mod common;

use common::script::{Run, pack};
use earmark::core::action::Action;
use earmark::core::speech::Urgency;
use earmark::core::{Effect, Input};
use earmark::pack::Pack;
use earmark::record::Body;
use std::sync::LazyLock;

static PACK: LazyLock<Pack> = LazyLock::new(|| pack("newborn"));

/// Ventilation since 40 s: the heart rate is asked for at 55 s.
fn until(t: u64) -> Run<'static> {
    let mut run = Run::new(&PACK);
    run.say(10_000, "baby is out");
    run.say(40_000, "ventilation started");
    run.tick_to(t);
    run
}

fn speaking(run: &mut Run, t: u64, speaking: bool) {
    run.tick_to(t);
    run.step(Input::Speaking(speaking), t);
}

/// When the heart rate was asked for.
fn asked(run: &Run) -> Vec<u64> {
    let of = |effect: &Effect| matches!(effect, Effect::Say(s) if s.about.as_deref() == Some("first_heart_rate"));
    run.effects.iter().filter(|(_, effect)| of(effect)).map(|(at, _)| *at).collect()
}

fn said(run: &Run) -> Vec<String> {
    let text = |effect: &Effect| if let Effect::Say(speech) = effect { Some(speech.text.clone()) } else { None };
    run.effects.iter().filter_map(|(_, effect)| text(effect)).collect()
}

#[test]
fn a_prompt_waits_for_the_end_of_a_sentence() {
    let mut run = until(54_000);
    speaking(&mut run, 54_500, true);
    speaking(&mut run, 55_300, false);
    run.tick_to(57_000);
    assert_eq!(asked(&run), [55_300]);
}

#[test]
fn a_prompt_waits_no_longer_than_it_may_be_late() {
    let mut run = until(54_000);
    speaking(&mut run, 54_500, true);
    run.tick_to(57_000);
    assert_eq!(asked(&run), [55_750]);
}

#[test]
fn what_is_met_meanwhile_is_not_asked() {
    let mut run = until(54_000);
    speaking(&mut run, 54_500, true);
    run.say(54_800, "heart rate eighty");
    run.tick_to(57_000);
    assert_eq!(asked(&run), [] as [u64; 0]);
}

#[test]
fn an_answer_does_not_wait() {
    let mut run = until(44_000);
    speaking(&mut run, 44_500, true);
    run.act(44_600, Action::TimeCheck);
    let (at, effect) = run.effects.last().unwrap();
    assert!(*at == 44_600 && matches!(effect, Effect::Say(s) if s.urgency == Urgency::Answer), "{at} {effect:?}");
}

#[test]
fn the_caution_and_the_loss_of_a_device_are_said() {
    let mut run = Run::new(&PACK);
    run.step(Input::Listening, 10);
    for (t, device, state) in [(1_000, "microphone", "lost"), (2_000, "microphone", "back"), (3_000, "keypad", "ready")]
    {
        run.step(Input::Device { device: device.into(), state: state.into(), text: None }, t);
    }
    assert_eq!(
        said(&run),
        [&PACK.manifest.caution, "the microphone is lost. keys still work", "the microphone is back"]
    );
}

#[test]
fn without_a_voice_everything_is_shown_and_the_log_says_why() {
    let mut run = Run::new(&PACK);
    run.step(Input::Device { device: "voice".into(), state: "absent".into(), text: None }, 5);
    run.step(Input::Listening, 10);
    run.act(1_000, Action::Mute);
    run.act(2_000, Action::TimeCheck);
    assert!(said(&run).is_empty());
    let told: Vec<_> = run
        .effects
        .iter()
        .filter_map(|(_, e)| if let Effect::Tell(text) = e { Some(text.as_str()) } else { None })
        .collect();
    assert_eq!(
        told,
        [&PACK.manifest.caution, "this recording has no voice", "two seconds since the start, birth is not recorded"]
    );
    assert!(run.records().iter().any(|r| matches!(&r.body, Body::Device { state, .. } if state == "absent")));
}
