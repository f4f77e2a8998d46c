//! `fitup order show`.

use clap::{Args, ValueEnum};

use super::get;
use crate::cli::Context;
use crate::error::Failure;
use crate::file::write::write_order;
use crate::json;

/// Show a repair order
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Id of the order
    id: String,
    /// Print it as a file for `fitup order change`, to edit and send back
    #[arg(long = "as", value_name = "FORM")]
    form: Option<Form>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Form {
    /// A TOML file
    File,
}

impl ShowArgs {
    /// Prints it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let order = get(context, &at.id, &self.id).await?;
        if context.output.json {
            context.output.object(&json::Order::from(&order));
            return Ok(());
        }
        if self.form.is_none() {
            context.output.text(&format!("# {}\n", super::list::state_of(&order, &at.zone)));
        }
        context.output.text(&write_order(&self.id, &order, &at.zone));
        Ok(())
    }
}
