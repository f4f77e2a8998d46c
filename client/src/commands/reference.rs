//! `fitup reference`.

use clap::{Args, CommandFactory};

use crate::cli::{Cli, Context};
use crate::error::Failure;

/// Print the reference of all commands, in Markdown
#[derive(Debug, Args)]
pub struct ReferenceArgs {}

impl ReferenceArgs {
    /// Prints it.
    pub fn run(&self, context: &Context) -> Result<(), Failure> {
        context.output.text(&reference());
        Ok(())
    }
}

/// Returns the reference: the help of every command, global flags once.
pub fn reference() -> String {
    let mut root = Cli::command();
    root.build();
    let mut text = String::from("# Commands of fitup\n");
    describe(&root, "fitup", &mut text);
    text
}

fn describe(command: &clap::Command, path: &str, text: &mut String) {
    if command.get_name() == "help" {
        return;
    }
    let is_root = path == "fitup";
    *text += &format!("\n## `{path}`\n\n");
    let about = command.get_long_about().or(command.get_about()).map(ToString::to_string).unwrap_or_default();
    *text += &format!("{about}\n");
    if !command.has_subcommands() {
        let usage = command.clone().render_usage().to_string();
        *text += &format!("\n    {}\n", usage.trim_start_matches("Usage: ").trim());
    }
    let args: Vec<&clap::Arg> = command
        .get_arguments()
        .filter(|arg| !arg.is_hide_set() && !["help", "version"].contains(&arg.get_id().as_str()))
        .filter(|arg| is_root || !arg.is_global_set())
        .collect();
    if !args.is_empty() {
        text.push('\n');
    }
    for arg in args {
        let environment = arg.get_env().map(|name| format!(" (`{}`)", name.to_string_lossy())).unwrap_or_default();
        let help = arg.get_help().map(ToString::to_string).unwrap_or_default();
        *text += &format!("- `{}`: {help}{environment}\n", arg.to_string().replace('|', "\\|"));
    }
    for child in command.get_subcommands() {
        describe(child, &format!("{path} {}", child.get_name()), text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `client/reference.md` is what `fitup reference` prints; `fitup reference > client/reference.md` brings it up to
    /// date.
    #[test]
    fn the_reference_is_current() {
        assert_eq!(reference(), include_str!("../../reference.md"), "run `fitup reference > client/reference.md`");
    }
}
