//! The tools behind `make measure` and `make hearing` count as they say: their own tests, in their own language.

use std::process::Command;

fn passes(folder: &str, least: u32) {
    let output = Command::new("python3")
        .args(["-m", "unittest", "discover", "-s", folder])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("python3, which these tests need");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    // Python before 3.12 finds no tests and is content.
    let ran = said.lines().find_map(|line| line.strip_prefix("Ran ")?.split(' ').next()?.parse::<u32>().ok());
    assert!(ran >= Some(least), "{said}");
}

#[test]
fn figures_mean_what_they_say() {
    passes("tests/measure", 15);
}

#[test]
fn the_hearing_bench_is_what_it_says() {
    passes("tests/hearing", 10);
}
