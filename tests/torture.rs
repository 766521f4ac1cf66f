//! The program is killed while it records; what it told people is in the log. `make torture` does it many times.

use std::process::Command;

#[test]
fn what_was_answered_outlives_a_few_kills() {
    let done = Command::new("python3")
        .args(["tests/torture/torture.py", env!("CARGO_BIN_EXE_earmark"), "--kills", "10", "--at-once", "2"])
        .env(earmark::engine::assets::OVERRIDE, earmark::engine::assets::folder().unwrap())
        .output()
        .expect("python3 is installed");
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.success(), "{said}{}", String::from_utf8_lossy(&done.stderr));
    assert!(said.contains("10 kills: "), "{said}");
    println!("{said}");
}
