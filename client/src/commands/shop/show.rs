//! `fitup shop show`.

use clap::{Args, ValueEnum};

use crate::cli::Context;
use crate::error::Failure;
use crate::file::write::write_shop;
use crate::json;

/// Show a shop
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Print it as a file for `fitup shop apply`, to edit and apply again
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
        if context.output.json {
            context.output.object(&json::Shop::new(&at.id, &at.shop));
            return Ok(());
        }
        if self.form.is_none() {
            let plan = at.shop.published_plan.rsplit('/').next().unwrap_or_default();
            let plan =
                if plan.is_empty() { "no plan is published".to_owned() } else { format!("plan {plan} is published") };
            context.output.text(&format!("# revision {}, {plan}\n", at.shop.revision));
        }
        context.output.text(&write_shop(&at.id, &at.shop));
        Ok(())
    }
}
