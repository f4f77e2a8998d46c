//! `fitup man`.

use std::fs;
use std::path::PathBuf;

use clap::{Args, CommandFactory};

use crate::cli::{Cli, Context};
use crate::error::Failure;

/// Print the manual page, or write one for each command into a folder
#[derive(Debug, Args)]
pub struct ManArgs {
    /// Folder to write all pages to; without it the page of fitup itself is printed
    folder: Option<PathBuf>,
}

impl ManArgs {
    /// Prints or writes the pages.
    pub fn run(&self, context: &Context) -> Result<(), Failure> {
        let Some(folder) = &self.folder else {
            let mut page = Vec::new();
            let rendered = clap_mangen::Man::new(Cli::command()).render(&mut page);
            rendered.map_err(|error| Failure::usage("cannot make the manual page").cause(error.to_string()))?;
            context.output.bytes(&page);
            return Ok(());
        };
        let wrong = |error: std::io::Error| {
            Failure::usage(format!("cannot write to {}", folder.display())).cause(error.to_string())
        };
        fs::create_dir_all(folder).map_err(wrong)?;
        clap_mangen::generate_to(Cli::command(), folder).map_err(wrong)
    }
}
