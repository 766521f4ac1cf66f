//! Every subcommand and every flag says what it is for.

use clap::{Command, CommandFactory};
use earmark::cli::Cli;

/// Calls `visit` with every command below this one, and with its words as typed.
fn walk(command: &Command, path: &str, visit: &mut impl FnMut(&Command, &str)) {
    visit(command, path);
    for below in command.get_subcommands() {
        walk(below, &format!("{path} {}", below.get_name()), visit);
    }
}

/// A help text that says something: more than the name again.
fn says_something(help: Option<&clap::builder::StyledStr>) -> bool {
    help.is_some_and(|text| text.to_string().split_whitespace().count() >= 2)
}

#[test]
fn every_command_and_argument_has_help() {
    let mut seen = 0;
    walk(&Cli::command(), "earmark", &mut |command, path| {
        assert!(says_something(command.get_about()), "{path} has no help: give its variant a doc comment");
        for argument in command.get_arguments() {
            assert!(
                says_something(argument.get_help()),
                "{path}: {argument} has no help: give its field a doc comment"
            );
            seen += 1;
        }
    });
    assert!(seen >= 10, "only {seen} arguments were looked at");
}

#[test]
fn the_program_prints_each_flag_with_its_help() {
    let mut root = Cli::command();
    root.build();
    walk(&root, "earmark", &mut |command, path| {
        // `earmark help …` is clap's own.
        if path.split(' ').nth(1) == Some("help") {
            return;
        }
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_earmark"))
            .args(path.split(' ').skip(1))
            .arg("--help")
            .output()
            .unwrap();
        assert!(output.status.success(), "{path} --help: {output:?}");
        let squeezed = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        let printed = squeezed(&String::from_utf8(output.stdout).unwrap());
        for argument in command.get_arguments() {
            let name = argument.get_long().map_or_else(|| argument.to_string(), |long| format!("--{long}"));
            let help = argument.get_long_help().or(argument.get_help()).map(|help| squeezed(&help.to_string()));
            let help = help.unwrap_or_else(|| panic!("{path}: {name} has no help"));
            assert!(printed.contains(&name), "{path} --help does not show {name}:\n{printed}");
            assert!(printed.contains(&help), "{path} --help does not say of {name}: {help}\n{printed}");
        }
    });
}
