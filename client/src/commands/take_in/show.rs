//! `fitup take-in show`.

use clap::{Args, ValueEnum};
use fitup_proto::v1;

use super::shown;
use crate::cli::Context;
use crate::error::Failure;
use crate::file::lines::write_lines;
use crate::{json, names};

/// Show what an order was made from, and by which rules
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Id of the order
    id: String,
    /// Print its lines as a file for `fitup take-in change`, to edit and send back
    #[arg(long = "as", value_name = "FORM")]
    form: Option<Form>,
    /// Say why each operation is there, and on what that rests
    #[arg(long)]
    why: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Form {
    /// CSV
    File,
}

impl ShowArgs {
    /// Prints it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let request = v1::GetTakeInRequest { name: names::take_in(&at.id, &self.id) };
        let answer = context.link.call(request, async |request| context.link.intake().get_take_in(request).await);
        let take_in = answer.await?;
        if context.output.json {
            context.output.object(&json::TakeIn::new(&take_in, true));
        } else if self.form.is_some() {
            context.output.text(&write_lines(&take_in.lines, &at.zone));
        } else {
            context.output.text(&shown::shown(&take_in, &at, context.output.width, self.why));
        }
        Ok(())
    }
}
