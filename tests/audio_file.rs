//! Recordings, measured against outside decoders: SoX 14.4 and ffmpeg 5 (Debian packages `sox`,
//! `libsox-fmt-all`, `ffmpeg`), which also make the files.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use common::tools::{correlation, floats, level, run};
use earmark::audio::{self, AudioError, Condition, Damage, Ended, open_file};
use tempfile::TempDir;

struct Heard {
    samples: Vec<f32>,
    ended: Ended,
    damage: Vec<Damage>,
}

impl Heard {
    /// Seconds of silence that stand for damage.
    fn silenced(&self) -> f64 {
        self.damage.iter().filter(|d| d.is_silent).map(|d| (d.to - d.from).as_secs_f64()).sum()
    }
}

fn hear(path: &Path) -> Heard {
    let mut file = open_file(path).unwrap_or_else(|e| panic!("{e}"));
    let samples: Vec<f32> = file.by_ref().flatten().collect();
    assert!(file.ended().is_some(), "it is through");
    let Condition { ended, damage } = file.into_condition();
    Heard { samples, ended, damage }
}

fn cut_at(heard: &Heard) -> (f64, &str) {
    match &heard.ended {
        Ended::CutOff { at, why, .. } => (at.as_secs_f64(), why),
        Ended::Whole => panic!("taken as whole"),
    }
}

/// SoX makes 3 s of chirp with noise below 3 kHz, so that every rate can carry it; channels
/// differ in level and in part in content.
fn make(dir: &Path, name: &str, rate: u32, channels: usize, coding: &[&str]) -> PathBuf {
    let path = dir.join(name);
    let (rate, count) = (rate.to_string(), channels.to_string());
    let mut args = vec!["-R", "-n", "-r", &rate, "-c", &count];
    args.extend(coding);
    args.push(path.to_str().unwrap());
    args.extend(["synth", "3.0007"]);
    for channel in 0..channels {
        args.extend(if channel % 2 == 0 { ["sine", "100-2800"] } else { ["noise", "0"] });
    }
    args.extend(["sinc", "-3000", "gain", "-9"]);
    run("sox", &args);
    path
}

/// The same file through SoX: decoded, channels averaged, resampled.
fn by_sox(path: &Path) -> Vec<f32> {
    let path = path.to_str().unwrap();
    floats(&run("sox", &[path, "-t", "f32", "-r", "16000", "-", "remix", "-", "rate", "-v"]))
}

/// The same file through ffmpeg. Its own downmix weighs channels, so the mean is spelt out.
fn by_ffmpeg(path: &Path, channels: usize) -> Vec<f32> {
    let share = 1.0 / channels as f64;
    let terms: Vec<String> = (0..channels).map(|c| format!("{share}*c{c}")).collect();
    let filter = format!("pan=mono|c0={},aresample=16000:filter_size=64", terms.join("+"));
    let path = path.to_str().unwrap();
    floats(&run("ffmpeg", &["-v", "error", "-i", path, "-af", &filter, "-f", "f32le", "-"]))
}

/// Sample for sample; says where they part.
fn identical(what: &str, a: &[f32], b: &[f32]) {
    let parts = a.iter().zip(b).position(|(a, b)| a != b);
    assert_eq!((a.len(), parts), (b.len(), None), "{what}: length, first difference");
}

fn same_sound(what: &str, ours: &[f32], theirs: &[f32], longer: usize) {
    let both = ours.len().min(theirs.len());
    let most = ours.len() + 1 + longer;
    let length = theirs.len();
    assert!((ours.len() - 1..=most).contains(&length), "{what}: {} and {length}", ours.len());
    let alike = correlation(&ours[..both], &theirs[..both]);
    assert!(alike > 0.999, "{what}: correlation {alike}");
    // One second of theirs, slid along ours a sample at a time.
    let piece = &theirs[8_000..24_000];
    let fit = |at: &usize| correlation(&ours[*at..*at + piece.len()], piece);
    let at = (7_960..=8_040).max_by(|a, b| fit(a).total_cmp(&fit(b))).unwrap();
    assert_eq!(at, 8_000, "{what}: shifted");
    let louder = level(ours) / level(theirs);
    assert!((0.99..1.01).contains(&louder), "{what}: {louder} times as loud");
}

const CODINGS: [(&str, &[&str]); 10] = [
    ("u8.wav", &["-e", "unsigned", "-b", "8"]),
    ("i16.wav", &["-b", "16"]),
    ("i24.wav", &["-b", "24"]),
    ("i32.wav", &["-b", "32"]),
    ("f32.wav", &["-e", "float", "-b", "32"]),
    ("f64.wav", &["-e", "float", "-b", "64"]),
    ("mulaw.wav", &["-e", "mu-law"]),
    ("16.flac", &["-b", "16"]),
    ("24.flac", &["-b", "24"]),
    ("q6.ogg", &["-C", "6"]),
];
const RATES: [u32; 6] = [8_000, 11_025, 22_050, 44_100, 48_000, 96_000];

#[test]
fn every_rate_and_coding_sounds_as_it_does_through_sox_and_ffmpeg() {
    let dir = TempDir::new().unwrap();
    for (row, rate) in RATES.into_iter().enumerate() {
        for (column, (name, coding)) in CODINGS.into_iter().enumerate() {
            // Each rate and each coding meets each channel count.
            let channels = [1, 2, 6][(row + column) % 3];
            let what = format!("{rate} Hz, {channels} channels, {name}");
            let path = make(dir.path(), name, rate, channels, coding);
            let heard = hear(&path);
            assert_eq!(heard.ended, Ended::Whole, "{what}");
            assert_eq!(heard.damage, [], "{what}");
            // ffmpeg 5 leaves an Ogg stream's padding on its end, up to one long block.
            let padding = match name.ends_with("ogg") {
                true => 2_048 * 16_000 / rate as usize,
                false => 0,
            };
            let (sox, ffmpeg) = (by_sox(&path), by_ffmpeg(&path, channels));
            same_sound(&format!("{what}, SoX"), &heard.samples, &sox, 0);
            same_sound(&format!("{what}, ffmpeg"), &heard.samples, &ffmpeg, padding);
        }
    }
}

/// SoX places single-sample clicks; their times are ours to choose, so they are the truth.
#[test]
fn clicks_lie_where_they_were_put_to_within_a_millisecond() {
    let dir = TempDir::new().unwrap();
    for rate in RATES {
        for kind in ["wav", "flac", "ogg"] {
            let path = dir.path().join(format!("{rate}.{kind}"));
            let raw: Vec<u8> = (0..rate * 4)
                .flat_map(|n| {
                    let click = [rate / 2, rate * 13 / 10, rate * 7 / 2].contains(&n);
                    (if click { 0.9f32 } else { 0.0 }).to_le_bytes()
                })
                .collect();
            let source = dir.path().join("clicks.f32");
            fs::write(&source, raw).unwrap();
            let (from, to, rate) = (source.to_str().unwrap(), path.to_str().unwrap(), rate.to_string());
            run("sox", &["-t", "f32", "-r", &rate, "-c", "1", from, "-C", "8", to]);

            let heard = hear(&path).samples;
            assert_eq!(heard.len(), 64_000, "{rate} Hz, {kind}");
            for truth in [0.5, 1.3, 3.5] {
                let near = ((truth - 0.2) * 16_000.0) as usize..((truth + 0.2) * 16_000.0) as usize;
                let peak = near.max_by(|&a, &b| heard[a].abs().total_cmp(&heard[b].abs()));
                let got = peak.unwrap() as f64 / 16_000.0;
                assert!((got - truth).abs() < 1e-3, "{rate} Hz, {kind}: {truth} s became {got} s");
            }
        }
    }
}

#[test]
fn the_length_is_hinted_and_the_same_file_gives_the_same_samples() {
    let dir = TempDir::new().unwrap();
    for name in ["a.wav", "a.flac", "a.ogg"] {
        let path = make(dir.path(), name, 44_100, 2, &[]);
        let hint = open_file(&path).unwrap().duration_hint().expect("a hint");
        assert!((hint.as_secs_f64() - 3.0007).abs() < 1e-3, "{name}: {hint:?}");
        identical(name, &hear(&path).samples, &hear(&path).samples);
    }
}

#[test]
fn the_hash_is_the_one_that_sha256sum_gives() {
    let dir = TempDir::new().unwrap();
    let path = make(dir.path(), "a.flac", 16_000, 1, &[]);
    let theirs = String::from_utf8(run("sha256sum", &[path.to_str().unwrap()])).unwrap();
    assert_eq!(audio::sha256(&path).unwrap(), theirs[..64]);
}

#[test]
fn a_recording_from_a_pipe_is_whole_though_its_header_knows_no_length() {
    let dir = TempDir::new().unwrap();
    let path = make(dir.path(), "a.wav", 16_000, 1, &["-b", "16"]);
    let truth = hear(&path).samples;
    let name = path.to_str().unwrap();
    let piped = dir.path().join("piped");
    for raw in [
        run("sox", &[name, "-t", "wav", "-"]),
        run("ffmpeg", &["-v", "error", "-i", name, "-f", "wav", "-"]),
        run("ffmpeg", &["-v", "error", "-i", name, "-f", "flac", "-"]),
        run("ffmpeg", &["-v", "error", "-i", name, "-f", "wav", "-rf64", "always", "-"]),
    ] {
        fs::write(&piped, raw).unwrap();
        let heard = hear(&piped);
        assert_eq!(heard.ended, Ended::Whole);
        identical("piped", &heard.samples, &truth);
    }
}

#[test]
fn rf64_files_are_read() {
    let dir = TempDir::new().unwrap();
    let wav = make(dir.path(), "a.wav", 48_000, 2, &["-b", "16"]);
    let rf64 = dir.path().join("rf64.wav");
    let (from, to) = (wav.to_str().unwrap(), rf64.to_str().unwrap());
    run("ffmpeg", &["-v", "error", "-i", from, "-rf64", "always", to]);
    assert_eq!(&fs::read(&rf64).unwrap()[..4], b"RF64");
    let heard = hear(&rf64);
    assert_eq!(heard.ended, Ended::Whole);
    identical("RF64", &heard.samples, &hear(&wav).samples);
}

#[test]
fn what_came_before_the_cut_is_heard_and_the_cut_is_named() {
    let dir = TempDir::new().unwrap();
    for name in ["a.wav", "a.flac", "a.ogg"] {
        let path = make(dir.path(), name, 44_100, 6, &["-C", "8"]);
        let whole = hear(&path).samples;
        let bytes = fs::read(&path).unwrap();
        for part in [0.35, 0.62, 0.9] {
            fs::write(&path, &bytes[..(bytes.len() as f64 * part) as usize]).unwrap();
            let cut = hear(&path);
            let (at, why) = cut_at(&cut);
            assert!(!why.is_empty());
            assert!((cut.samples.len() as f64 - at * 16_000.0).abs() <= 1.0, "{name} {part}");
            // A WAV gives all but half a frame; FLAC and Ogg lose the block or page that was cut.
            assert!(at > 0.0 && at < 3.0, "{name} {part}: {at}");
            if name == "a.wav" {
                assert!((at - 3.0007 * part).abs() < 0.01, "{at}");
            }
            // The last samples lean on what is no longer there.
            let sure = cut.samples.len() - 700;
            identical(&format!("{name} {part}"), &cut.samples[..sure], &whole[..sure]);
        }
    }
}

#[test]
fn a_wav_whose_recorder_was_killed_before_it_wrote_the_length_is_heard() {
    let dir = TempDir::new().unwrap();
    let path = make(dir.path(), "a.wav", 16_000, 1, &["-b", "16"]);
    let whole = hear(&path).samples;
    let mut bytes = fs::read(&path).unwrap();
    bytes[4..8].fill(0);
    let data = bytes.windows(4).position(|w| w == b"data").unwrap();
    bytes[data + 4..data + 8].fill(0);
    fs::write(&path, bytes).unwrap();
    let heard = hear(&path);
    identical("unfinished", &heard.samples, &whole);
    assert!(cut_at(&heard).1.contains("before it could write the length"));
}

/// Numbers that are the same in each run.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) % n as u64) as usize
    }
}

/// Whatever differs from the original lies in what is reported as damage, or behind the cut; all else is as it was, at its
/// time. `reach` is how far a resampler's filter looks, in samples.
fn only_what_is_told_differs(what: &str, heard: &Heard, whole: &[f32], reach: usize) {
    let sample = |time: Duration| (time.as_secs_f64() * 16_000.0).round() as usize;
    let told: Vec<(usize, usize)> =
        heard.damage.iter().map(|d| (sample(d.from).saturating_sub(reach), sample(d.to) + reach)).collect();
    if heard.ended == Ended::Whole && heard.damage.iter().all(|d| d.is_silent) {
        assert_eq!(heard.samples.len(), whole.len(), "{what}");
    }
    let end = match &heard.ended {
        Ended::CutOff { at, .. } => sample(*at).saturating_sub(reach),
        Ended::Whole => heard.samples.len(),
    };
    for (n, (a, b)) in heard.samples.iter().zip(whole).enumerate().take(end) {
        let is_told = told.iter().any(|&(from, to)| (from..to).contains(&n));
        assert!((a - b).abs() <= 1e-6 || is_told, "{what}: {a} for {b} at {n}, told are {told:?}");
    }
    for damage in heard.damage.iter().filter(|d| d.is_silent) {
        let (from, to) = (sample(damage.from) + reach, sample(damage.to).saturating_sub(reach));
        let loudest = heard.samples[from.min(to)..to].iter().fold(0.0f32, |m, s| m.max(s.abs()));
        assert!(loudest < 1e-6, "{what}: {loudest} in what is lost");
    }
}

/// Real sound, so that frames and pages are as long as they are in a recording.
fn drill(dir: &Path, name: &str, seconds: &str, shape: &[&str]) -> PathBuf {
    part_of_drill(dir, name, ["94", seconds], shape)
}

fn part_of_drill(dir: &Path, name: &str, [from, seconds]: [&str; 2], shape: &[&str]) -> PathBuf {
    let path = dir.join(name);
    run("sox", &[&["tests/drill/drill.flac"], shape, &[path.to_str().unwrap(), "trim", from, seconds]].concat());
    path
}

#[test]
fn damage_anywhere_is_told_and_nothing_else_differs() {
    let dir = TempDir::new().unwrap();
    let hurt = dir.path().join("hurt");
    for (name, shape, reach) in [
        ("a.flac", &[][..], 0),
        ("a.ogg", &["-C", "4"], 0),
        ("resampled.flac", &["-r", "22050", "-c", "2"], 700),
        ("resampled.ogg", &["-r", "44100", "-c", "2"], 700),
    ] {
        let path = drill(dir.path(), name, "12", shape);
        let whole = hear(&path);
        assert_eq!((&whole.ended, &whole.damage[..]), (&Ended::Whole, &[][..]), "{name}");
        let bytes = fs::read(&path).unwrap();
        let mut dice = Dice(7);
        let (mut told, mut refused) = (0, 0);
        let cases = if reach == 0 { 80 } else { 20 };
        for case in 0..cases {
            let mut bad = bytes.clone();
            // Each fourth time near the end, where nothing behind the damage shows it.
            let at = if case % 4 == 3 { bytes.len() - 1 - dice.below(2_000) } else { dice.below(bytes.len()) };
            let to = (at + 1 + dice.below(3_000)).min(bad.len());
            match case % 5 {
                0 | 1 => bad[at] ^= 1 << dice.below(8),
                2 => bad[at..to].iter_mut().for_each(|byte| *byte = dice.below(256) as u8),
                3 => bad[at..to].fill(0),
                _ => drop(bad.drain(at..to)),
            }
            fs::write(&hurt, &bad).unwrap();
            let what = format!("{name}, case {case} at byte {at}");
            let Ok(_) = open_file(&hurt) else {
                refused += 1;
                continue;
            };
            let heard = hear(&hurt);
            only_what_is_told_differs(&what, &heard, &whole.samples, reach);
            let lines = audio::examine(&hurt).unwrap().told(&hurt);
            assert_eq!(lines.is_empty(), heard.ended == Ended::Whole && heard.damage.is_empty(), "{what}: {lines:?}");
            told += usize::from(!lines.is_empty());
            // A bit costs the frame or page that it is in, and at most those beside it.
            if case % 5 < 2 && at > 10_000 && at < bytes.len() - 10_000 {
                let lost = heard.silenced();
                assert!(heard.ended == Ended::Whole && lost > 0.0 && lost < 4.0, "{what}: {lost} s, {:?}", heard.ended);
            }
        }
        assert!(told + refused > cases * 9 / 10 && told > refused, "{name}: {told} told, {refused} refused");
    }
}

#[test]
fn damage_at_the_first_sound_keeps_the_times_behind_it() {
    let dir = TempDir::new().unwrap();
    let path = drill(dir.path(), "a.flac", "8", &[]);
    let whole = hear(&path).samples;
    let piped = run("ffmpeg", &["-v", "error", "-i", path.to_str().unwrap(), "-f", "flac", "-"]);
    for mut bytes in [fs::read(&path).unwrap(), piped] {
        let frame = bytes.windows(2).rposition(|two| two == [0xff, 0xf8]).unwrap();
        let first = bytes.windows(2).position(|two| two == [0xff, 0xf8]).unwrap();
        assert!(first < frame);
        bytes[first + 20] ^= 1;
        fs::write(&path, &bytes).unwrap();
        let heard = hear(&path);
        assert!(heard.silenced() > 0.05 && heard.damage[0].from.is_zero(), "{:?}", heard.damage);
        only_what_is_told_differs("first frame", &heard, &whole, 0);
    }
}

#[test]
fn a_damaged_end_is_told_though_the_header_knows_no_length() {
    let dir = TempDir::new().unwrap();
    let path = drill(dir.path(), "a.flac", "8", &[]);
    let whole = hear(&path).samples;
    let piped = run("ffmpeg", &["-v", "error", "-i", path.to_str().unwrap(), "-f", "flac", "-"]);
    let mut bit = piped.clone();
    bit[piped.len() - 100] ^= 1;
    for bytes in [&bit, &piped[..piped.len() - 1], &piped[..piped.len() * 2 / 3]] {
        fs::write(&path, bytes).unwrap();
        let heard = hear(&path);
        assert!(cut_at(&heard).1.contains("damaged, or not whole"), "{:?}", heard.ended);
        only_what_is_told_differs("the end", &heard, &whole, 0);
    }
}

#[test]
fn lost_and_damaged_ogg_pages_become_silence_of_the_same_length() {
    let dir = TempDir::new().unwrap();
    let path = drill(dir.path(), "a.ogg", "20", &["-C", "4"]);
    let whole = hear(&path).samples;
    let bytes = fs::read(&path).unwrap();
    let mut pages: Vec<usize> = (0..bytes.len()).filter(|&n| bytes[n..].starts_with(b"OggS")).collect();
    pages.push(bytes.len());
    let last = pages.len() - 2;
    assert!(last > 8, "{last}");
    let middle = last / 2;
    // Pages to take out; then those whose first letter is damaged.
    for (out, bad) in [
        (vec![], vec![middle]),
        (vec![middle], vec![]),
        (vec![middle, middle + 1, middle + 3], vec![middle + 6]),
        // The first with sound, and the last but one: the end of the last is then known, not its beginning.
        (vec![2], vec![last - 1]),
    ] {
        let mut hurt = Vec::new();
        for (n, ends) in pages.windows(2).enumerate() {
            let mut page = bytes[ends[0]..ends[1]].to_vec();
            page[0] ^= u8::from(bad.contains(&n));
            hurt.extend(if out.contains(&n) { vec![] } else { page });
        }
        fs::write(&path, hurt).unwrap();
        let heard = hear(&path);
        let what = format!("without {out:?}, with {bad:?}");
        if out == [2] && bytes[pages[2] + 5] & 1 != 0 {
            // It holds a part of what tells how the sound is coded.
            continue;
        }
        assert_eq!(heard.ended, Ended::Whole, "{what}");
        let runs = out.iter().chain(&bad).filter(|n| !out.contains(&(**n - 1))).count();
        assert_eq!(heard.damage.len(), runs, "{what}: {:?}", heard.damage);
        only_what_is_told_differs(&what, &heard, &whole, 0);
    }
    // What stands between pages, or twice, takes nothing away.
    let at = pages[middle];
    let page = &bytes[at..pages[middle + 1]];
    for more in [b"Not a page, OggS nor this".as_slice(), page] {
        fs::write(&path, [&bytes[..at], page, more, &bytes[pages[middle + 1]..]].concat()).unwrap();
        let heard = hear(&path);
        assert_eq!((heard.ended, heard.damage), (Ended::Whole, vec![]));
        identical("more", &heard.samples, &whole);
    }
    // How long the end was cannot be known without its last page.
    fs::write(&path, &bytes[..pages[last]]).unwrap();
    assert!(cut_at(&hear(&path)).1.contains("end mark"));
    let mut hurt = bytes.clone();
    hurt[pages[last] + 40] ^= 1;
    fs::write(&path, hurt).unwrap();
    assert!(cut_at(&hear(&path)).1.contains(&format!("from byte {}", pages[last])));
}

#[test]
fn flac_whose_checksum_over_all_samples_is_wrong_is_in_doubt_as_a_whole() {
    let dir = TempDir::new().unwrap();
    let path = drill(dir.path(), "a.flac", "6", &[]);
    let whole = hear(&path).samples;
    let bytes = fs::read(&path).unwrap();
    // The stream information stands at byte 8: 34 bytes, of which the last 16 are the MD5.
    let other = part_of_drill(dir.path(), "b.flac", ["60", "6"], &[]);
    let other = fs::read(other).unwrap();
    let mut wrong = bytes.clone();
    wrong[30] ^= 1;
    for (what, bytes) in [("another checksum", wrong), ("another's frames", [&bytes[..42], &other[42..]].concat())] {
        fs::write(&path, bytes).unwrap();
        let heard = hear(&path);
        assert_eq!(heard.ended, Ended::Whole, "{what}");
        let [damage] = &heard.damage[..] else { panic!("{what}: {:?}", heard.damage) };
        assert!(!damage.is_silent && damage.from.is_zero() && damage.to.as_secs_f64() == 6.0, "{what}: {damage:?}");
        assert!(damage.why.contains("not known where"), "{what}: {damage:?}");
        assert_eq!(heard.samples.len(), whole.len(), "{what}");
    }
    let mut without = bytes.clone();
    without[26..42].fill(0);
    // 256 samples fewer are promised: the checksum vouches for all that are there.
    let mut fewer = bytes.clone();
    fewer[24] -= 1;
    for (what, bytes) in [("no checksum", &without), ("a wrong count", &fewer)] {
        fs::write(&path, bytes).unwrap();
        let heard = hear(&path);
        assert_eq!((&heard.ended, &heard.damage[..]), (&Ended::Whole, &[][..]), "{what}");
        identical(what, &heard.samples, &whole);
    }
    without[24] -= 1;
    fs::write(&path, &without).unwrap();
    assert!(hear(&path).damage[0].why.contains("more sound than the header says"));
}

#[test]
fn a_second_recording_behind_the_first_is_told() {
    let dir = TempDir::new().unwrap();
    for name in ["a.flac", "a.ogg"] {
        let path = drill(dir.path(), name, "4", &[]);
        let first = fs::read(&path).unwrap();
        let second = fs::read(part_of_drill(dir.path(), &format!("other-{name}"), ["60", "3"], &[])).unwrap();
        let mut hidden = second.clone();
        // Its first page is damaged.
        hidden[30] ^= 1;
        for second in [second, hidden] {
            fs::write(&path, [&first[..], &second].concat()).unwrap();
            let condition = audio::examine(&path).unwrap();
            assert!(!condition.is_sound(), "{name}: {condition:?}");
        }
    }
}

#[test]
fn what_is_no_plain_file_is_refused_at_once() {
    let dir = TempDir::new().unwrap();
    let pipe = dir.path().join("pipe.flac");
    run("mkfifo", &[pipe.to_str().unwrap()]);
    for path in [Path::new("/dev/zero"), Path::new("/dev/full"), dir.path(), &pipe] {
        let error = refusal(path).to_string();
        assert!(error.contains("give a plain file") && error.contains(path.to_str().unwrap()), "{error}");
        assert!(audio::sha256(path).is_err());
    }
    let link = dir.path().join("link.wav");
    std::os::unix::fs::symlink(make(dir.path(), "a.wav", 16_000, 1, &[]), &link).unwrap();
    assert_eq!(hear(&link).ended, Ended::Whole);
}

#[test]
fn samples_that_are_no_numbers_become_silence() {
    let dir = TempDir::new().unwrap();
    let path = make(dir.path(), "a.wav", 16_000, 1, &["-e", "float", "-b", "32"]);
    let mut bytes = fs::read(&path).unwrap();
    let data = bytes.windows(4).position(|w| w == b"data").unwrap() + 8;
    bytes[data + 400..data + 404].copy_from_slice(&f32::NAN.to_le_bytes());
    bytes[data + 404..data + 408].copy_from_slice(&f32::INFINITY.to_le_bytes());
    fs::write(&path, bytes).unwrap();
    let heard = hear(&path);
    assert_eq!(heard.samples[100..102], [0.0, 0.0]);
    assert!(heard.samples.iter().all(|s| s.is_finite()));
}

fn refusal(path: &Path) -> AudioError {
    open_file(path).err().unwrap_or_else(|| panic!("{} was taken", path.display()))
}

#[test]
fn what_cannot_be_heard_is_refused_with_the_mend() {
    let dir = TempDir::new().unwrap();
    let at = |name: &str| dir.path().join(name);
    let error = refusal(&at("nowhere.wav"));
    assert!(matches!(error, AudioError::NotFound { .. }), "{error}");

    let error = refusal(dir.path());
    assert!(matches!(error, AudioError::Unreadable { .. }), "{error}");

    fs::write(at("empty.wav"), b"").unwrap();
    let error = refusal(&at("empty.wav"));
    assert!(matches!(error, AudioError::Empty { .. }), "{error}");

    fs::write(at("prose.txt"), "A quiet room. ".repeat(500)).unwrap();
    let source = make(dir.path(), "a.wav", 48_000, 1, &[]);
    for name in ["other.mp3", "other.opus", "other.m4a", "adpcm.wav"] {
        let target = at(name);
        let (from, to) = (source.to_str().unwrap(), target.to_str().unwrap());
        let codec: &[&str] = match name {
            "adpcm.wav" => &["-c:a", "adpcm_ms"],
            _ => &[],
        };
        let args = [&["-v", "error", "-i", from][..], codec, &[to]].concat();
        run("ffmpeg", &args);
    }
    for name in ["prose.txt", "other.mp3", "other.opus", "other.m4a", "adpcm.wav"] {
        let error = refusal(&at(name));
        assert!(matches!(error, AudioError::NotAudio { .. }), "{name}: {error}");
        let said = error.to_string();
        assert!(said.contains("WAV, FLAC and Ogg Vorbis"), "{said}");
        assert!(said.contains("ffmpeg -i") && said.contains(name), "{said}");
    }

    for kind in ["wav", "flac"] {
        let path = at(&format!("none.{kind}"));
        run("sox", &["-n", "-r", "16000", "-c", "1", path.to_str().unwrap(), "trim", "0", "0"]);
        let error = refusal(&path);
        assert!(matches!(error, AudioError::Empty { .. }), "{kind}: {error}");
    }

    let bytes = fs::read(&source).unwrap();
    fs::write(at("stub.wav"), &bytes[..30]).unwrap();
    let flac = make(dir.path(), "b.flac", 16_000, 1, &[]);
    fs::write(at("stub.flac"), &fs::read(flac).unwrap()[..60]).unwrap();
    let ogg = make(dir.path(), "b.ogg", 16_000, 1, &[]);
    fs::write(at("stub.ogg"), &fs::read(ogg).unwrap()[..500]).unwrap();
    for name in ["stub.wav", "stub.flac", "stub.ogg"] {
        let error = refusal(&at(name));
        assert!(matches!(error, AudioError::Damaged { .. }), "{name}: {error}");
    }
}

/// Random damage anywhere: never a panic, never more sound than the file could hold.
#[test]
fn random_damage_never_breaks_the_reader() {
    use proptest::prelude::*;
    let dir = TempDir::new().unwrap();
    let originals: Vec<Vec<u8>> =
        ["a.wav", "a.flac", "a.ogg"].map(|name| fs::read(make(dir.path(), name, 22_050, 2, &[])).unwrap()).into();
    let path = dir.path().join("hurt");
    let hits = prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..40);
    let strategy = (0..3usize, hits, any::<bool>(), any::<prop::sample::Index>());
    proptest!(ProptestConfig::with_cases(150), |((which, hits, early, end) in strategy)| {
        let mut bytes = originals[which].clone();
        for (at, byte) in hits {
            // Half of the cases aim at the headers.
            let reach = if early { 200.min(bytes.len()) } else { bytes.len() };
            bytes[at.index(reach)] = byte;
        }
        bytes.truncate(end.index(bytes.len() * 2));
        fs::write(&path, &bytes).unwrap();
        if let Ok(mut file) = open_file(&path) {
            let mut total = 0;
            for piece in file.by_ref() {
                prop_assert!(piece.iter().all(|s| s.is_finite()));
                total += piece.len();
                prop_assert!(total < 16_000 * 8_000, "endless");
            }
            prop_assert!(file.ended().is_some());
        }
    });
}
