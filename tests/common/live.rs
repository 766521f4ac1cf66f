//! What the tests of the listening program share: a terminal to run it in, and its log held against a replay's.

use serde_json::Value;
use std::fmt::Debug;
use std::path::Path;
use std::process::Command;

/// Stands at the end of what [`in_a_terminal`] shows, if the program ended well.
pub const ENDED_WELL: &str = "ended with 0";

/// Runs a line in a terminal of its own, whose keys and screen are standard input and output.
pub fn in_a_terminal(line: &str) -> Command {
    // An interrupt typed at the terminal reaches the shell too, which must outlive the program to say how it ended.
    let line = format!("trap : INT; {line}; echo ended with $?");
    let mut command = Command::new("script");
    command.args(["-qc", &line, "/dev/null"]).env("SHELL", "/bin/sh").env("TERM", "xterm");
    command
}

/// All records of a log, held against the schema.
pub fn records(log: &Path) -> Vec<Value> {
    super::schema::check_log(log);
    std::fs::read_to_string(log).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// In what the events or their times in ms differ. When playing began is not known to the log, so mutual distances
/// count.
pub fn differ<M: PartialEq + Debug>(found: &[(i64, M)], expected: &[(i64, M)]) -> Option<String> {
    if !found.iter().map(|(_, what)| what).eq(expected.iter().map(|(_, what)| what)) {
        return Some(format!("{found:?} instead of {expected:?}"));
    }
    let mut shifts: Vec<i64> = found.iter().zip(expected).map(|(f, e)| f.0 - e.0).collect();
    shifts.sort_unstable();
    let start = shifts[shifts.len() / 2];
    found.iter().zip(expected).find_map(|(f, e)| {
        let error = f.0 - e.0 - start;
        (error.abs() > 150).then(|| format!("{:?} is off by {error} ms", f.1))
    })
}

/// Plays until what was heard is what it should be: on a machine that is busy with other work the sound server itself
/// tears the sound. Three times at the most.
pub fn tried<T>(mut play: impl FnMut(u32) -> (T, Option<String>)) -> T {
    let heard = (1..=3).find_map(|n| match play(n) {
        (heard, None) => Some(heard),
        (_, Some(why)) => {
            println!("try {n}: {why}");
            None
        }
    });
    heard.expect("what is heard live differs from a replay")
}
