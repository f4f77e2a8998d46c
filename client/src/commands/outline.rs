//! `fitup outline`.

use clap::{Args, Subcommand};
use fitup_proto::v1;

use crate::cli::Context;
use crate::error::Failure;
use crate::file::order::hazard_name;
use crate::file::text::write_link;
use crate::outline::{Outline, library};
use crate::output::columns;
use crate::wire::minutes;
use crate::{json, words};

/// Verbs of `fitup outline`.
#[derive(Debug, Subcommand)]
pub enum Command {
    List(ListArgs),
    Show(ShowArgs),
}

/// List the job outlines
#[derive(Debug, Args)]
pub struct ListArgs {}

/// Show a job outline: its operations and waits, and the hours to fill in
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Name of the outline
    name: String,
}

impl Command {
    /// Does it.
    pub fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::List(_) => list(context),
            Self::Show(args) => {
                let outline = Outline::find(&args.name).map_err(|error| {
                    Failure::usage(error.to_string()).hint("list the outlines with `fitup outline list`")
                })?;
                if context.output.json {
                    context.output.object(&json::Outline::from(&outline));
                } else {
                    context.output.text(&describe(&outline));
                }
                Ok(())
            }
        }
    }
}

fn list(context: &Context) -> Result<(), Failure> {
    let outlines = library();
    if context.output.json {
        for outline in &outlines {
            context.output.object(&json::Outline::from(outline));
        }
        return Ok(());
    }
    let row = |outline: &Outline| vec![outline.id.clone(), outline.title.clone()];
    context.output.text(&columns(&outlines.iter().map(row).collect::<Vec<_>>()));
    Ok(())
}

/// Returns an outline in words.
fn describe(outline: &Outline) -> String {
    let order = &outline.skeleton;
    let mut text = format!("{}: {}\n\n{}\n", outline.id, outline.title, outline.description);
    if !outline.caution.is_empty() {
        text += &format!("\nCaution: {}\n", outline.caution);
    }
    text.push('\n');
    let mut rows = vec![["operation", "hours", "crew", "bay class", "after"].map(str::to_owned).to_vec()];
    for operation in &order.operations {
        let after = order.links.iter().filter(|link| link.to == operation.id).map(write_link).collect::<Vec<_>>();
        let crew = if operation.crew.is_empty() { "(by itself)".to_owned() } else { operation.crew.join(" + ") };
        let visit = order.visits.iter().find(|visit| visit.id == operation.visit);
        let loose = if visit.is_some_and(|visit| visit.loose_parts) { " (parts)" } else { "" };
        let class = visit.map_or("-".to_owned(), |visit| format!("{}{loose}", visit.bay_class));
        rows.push(vec![operation.id.clone(), hours(outline, operation), crew, class, after.join(", ")]);
    }
    text += &columns(&rows);
    for part in &order.parts {
        let users: Vec<&str> = users(order, &part.id);
        text += &format!("\npart {} is needed for {}", part.id, users.join(", "));
    }
    for approval in &order.approvals {
        let users: Vec<&str> = users(order, &approval.id);
        text += &format!("\napproval {} is needed for {}", approval.id, users.join(", "));
    }
    for operation in order.operations.iter().filter(|operation| !operation.hazards.is_empty()) {
        let hazards = operation.hazards.iter().filter_map(|&hazard| v1::Hazard::try_from(hazard).ok());
        let hazards: Vec<String> = hazards.map(|hazard| hazard_name(hazard).replace('-', " ")).collect();
        text += &format!("\ncaution at {}: {}", operation.id, hazards.join(", "));
    }
    let asked: Vec<String> = outline.asked().iter().map(|id| format!("{id}=..")).collect();
    if !asked.is_empty() {
        text += &format!("\n\nfill in: --hours {}", asked.join(" "));
    }
    text.push('\n');
    text
}

fn hours(outline: &Outline, operation: &v1::Operation) -> String {
    let usual =
        outline.usual.get(&operation.id).map(|&(low, high)| format!("{} to {}", low as f64 / 60.0, high as f64 / 60.0));
    match (operation.work.as_ref().map(minutes), usual) {
        (None, Some(usual)) => format!("asked, {usual}"),
        (None, None) => "asked".to_owned(),
        (Some(0), Some(usual)) => format!("if wanted, {usual}"),
        (Some(0), None) => "if wanted".to_owned(),
        (Some(minutes), _) => words::hours(minutes),
    }
}

fn users<'o>(order: &'o v1::Order, need: &str) -> Vec<&'o str> {
    let users = order.operations.iter().filter(|operation| operation.needs.iter().any(|one| one == need));
    users.map(|operation| operation.id.as_str()).collect()
}
