//! `fitup completions`.

use clap::{Args, CommandFactory};
use clap_complete::Shell;

use crate::cli::{Cli, Context};
use crate::error::Failure;

/// Print completions for a shell
#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// The shell
    shell: Shell,
}

impl CompletionsArgs {
    /// Prints the script.
    pub fn run(&self, context: &Context) -> Result<(), Failure> {
        let mut script = Vec::new();
        clap_complete::generate(self.shell, &mut Cli::command(), "fitup", &mut script);
        context.output.bytes(&script);
        Ok(())
    }
}
