//! `fitup rulebook`.

use clap::{Args, Subcommand};
use fitup_proto::v1;
use tonic::Status;

use crate::cli::Context;
use crate::connect::request_id;
use crate::error::{Failure, field_violations};
use crate::file::{Fault, Place, Source};
use crate::{json, names};

/// Verbs of `fitup rulebook`.
#[derive(Debug, Subcommand)]
pub enum Command {
    Export(ExportArgs),
    Apply(ApplyArgs),
}

/// Print the rule book of the shop as a file, to edit and apply; the built-in one if the shop has none of its own
#[derive(Debug, Args)]
pub struct ExportArgs {}

/// Give the shop a rule book
///
/// Orders that are there stay as they are; the new book holds for what is taken in from now on.
#[derive(Debug, Args)]
pub struct ApplyArgs {
    /// The file; `-` is standard input
    file: String,
    /// Only check, change nothing
    #[arg(long)]
    dry_run: bool,
}

impl Command {
    /// Does it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::Export(_) => export(context).await,
            Self::Apply(args) => args.run(context).await,
        }
    }
}

async fn get(context: &Context, shop: &str) -> Result<v1::RuleBook, Status> {
    let request = v1::GetRuleBookRequest { name: names::rule_book(shop) };
    context.link.call(request, async |request| context.link.intake().get_rule_book(request).await).await
}

async fn export(context: &Context) -> Result<(), Failure> {
    let book = get(context, &context.shop_id().await?).await?;
    if context.output.json {
        context.output.object(&json::RuleBook { revision: book.revision, text: &book.text });
    } else {
        context.output.text(&book.text);
    }
    Ok(())
}

impl ApplyArgs {
    async fn run(self, context: &Context) -> Result<(), Failure> {
        let source = Source::open(&self.file)?;
        let shop = context.shop_id().await?;
        let before = get(context, &shop).await?;
        let request = v1::UpdateRuleBookRequest {
            parent: names::shop(&shop),
            text: source.text.clone(),
            revision: Some(before.revision),
            request_id: request_id(),
            validate_only: self.dry_run,
        };
        let answer = context.link.call(request, async |request| context.link.intake().update_rule_book(request).await);
        let book = answer.await.map_err(|status| refusal(&source, &status))?;
        let done = match (self.dry_run, book.revision == before.revision) {
            (true, _) => "checked",
            (false, true) => "unchanged",
            (false, false) => "applied",
        };
        if context.output.json {
            context.output.object(&json::RuleBookDone { revision: book.revision, done });
        } else if self.dry_run {
            context.output.text("the rule book holds together; nothing was changed");
        } else if done == "unchanged" {
            context.output.text(&format!("rule book {}: nothing differs", book.revision));
        } else {
            context.output.text(&format!("rule book {} applied", book.revision));
        }
        Ok(())
    }
}

/// Returns what is wrong with the file, with its places: the server tells them as `text[12:5]`.
fn refusal(source: &Source, status: &Status) -> Failure {
    let fault = |(field, message): (String, String)| {
        let place = field.strip_prefix("text[").and_then(|rest| rest.strip_suffix(']'));
        let place = place.and_then(|place| place.split_once(':'));
        let place =
            place.and_then(|(line, column)| Some(Place { line: line.parse().ok()?, column: column.parse().ok()? }));
        Fault { file: source.name.clone(), place, message, field }
    };
    let faults: Vec<Fault> = field_violations(status).into_iter().map(fault).collect();
    if faults.is_empty() { Failure::from(status.clone()) } else { Failure::faults(&source.name, &faults) }
}
