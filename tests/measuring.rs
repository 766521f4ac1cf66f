//! The tool behind `make measure` counts as it says: its own tests, in its own language.

use std::process::Command;

#[test]
fn figures_mean_what_they_say() {
    let output = Command::new("python3")
        .args(["-m", "unittest", "discover", "-s", "tests/measure"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("python3, which these tests need");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    // Python before 3.12 finds no tests and is content.
    let ran = said.lines().find_map(|line| line.strip_prefix("Ran ")?.split(' ').next()?.parse::<u32>().ok());
    assert!(ran >= Some(15), "{said}");
}
