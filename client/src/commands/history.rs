//! `fitup history`.

use clap::Args;
use fitup_proto::v1;
use jiff::tz::TimeZone;

use crate::cli::Context;
use crate::error::Failure;
use crate::output::{columns, shorten};
use crate::words::proto_when;
use crate::{json, names};

/// Show who changed what, when and from where, the latest first
#[derive(Debug, Args)]
pub struct HistoryArgs {
    /// Only of this order; without it of the whole shop
    #[arg(value_name = "ORDER")]
    order: Option<String>,
    /// What is of no single shop: tokens for all shops
    #[arg(long, conflicts_with = "order")]
    of_all_shops: bool,
    /// At most so many
    #[arg(long, default_value_t = 20, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    limit: u32,
}

/// The most that the server gives at once.
const PAGE: u32 = 500;

impl HistoryArgs {
    /// Prints a line for each change.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let (shop, zone) = match self.of_all_shops {
            true => ("-".to_owned(), TimeZone::UTC),
            false => {
                let at = context.shop().await?;
                (at.id, at.zone)
            }
        };
        let resource = self.order.as_ref().map(|order| names::order(&shop, order)).unwrap_or_default();
        let (mut left, mut page_token) = (self.limit, String::new());
        let mut rows = vec![["when", "who", "from", "did", "to", "change"].map(str::to_owned).to_vec()];
        while left > 0 {
            let request = v1::ListHistoryRequest {
                parent: names::shop(&shop),
                page_size: i32::try_from(left.min(PAGE)).unwrap_or_default(),
                page_token,
                resource: resource.clone(),
            };
            let page = context.link.call(request, async |request| context.link.history().list_history(request).await);
            let page = page.await?;
            for entry in &page.entries {
                if context.output.json {
                    context.output.object(&json::Entry::from(entry));
                } else {
                    rows.push(row(entry, &zone));
                }
            }
            left = left.saturating_sub(u32::try_from(page.entries.len()).unwrap_or(u32::MAX));
            page_token = page.next_page_token;
            if page_token.is_empty() {
                break;
            }
        }
        if context.output.json {
            return Ok(());
        }
        if rows.len() == 1 {
            context.output.note("nothing was changed");
            return Ok(());
        }
        let lines: Vec<String> =
            columns(&rows).lines().map(|line| shorten(line, context.output.width).clone()).collect();
        context.output.text(&lines.join("\n"));
        Ok(())
    }
}

fn row(entry: &v1::HistoryEntry, zone: &TimeZone) -> Vec<String> {
    let who = match entry.actor_display_name.as_str() {
        "" => entry.actor.clone(),
        name => format!("{name} ({})", names::last(&entry.actor)),
    };
    let from = if entry.origin.is_empty() { "-" } else { &entry.origin };
    vec![
        proto_when(entry.create_time.as_ref(), zone),
        shorten(&who, 30),
        from.to_owned(),
        entry.action.clone(),
        thing(&entry.resource),
        change(&entry.changes),
    ]
}

/// Returns a name as it reads: `order 1042`.
fn thing(name: &str) -> String {
    match name.split('/').collect::<Vec<_>>()[..] {
        ["tokens", token] => format!("token {token}"),
        ["shops", _] => "shop".to_owned(),
        ["shops", _, "orders", order] => format!("order {order}"),
        ["shops", _, "holds", hold] => format!("hold {hold}"),
        ["shops", _, "plans", plan] => format!("plan {plan}"),
        ["shops", _, "planRuns", run] => format!("run {run}"),
        _ => name.to_owned(),
    }
}

/// Returns the first change and how many more there are; of what was made or removed, only how many fields it has.
fn change(changes: &[v1::history_entry::Change]) -> String {
    let is_new = changes.iter().all(|change| change.before_json == "null");
    let is_gone = changes.iter().all(|change| change.after_json == "null");
    match changes {
        [] => String::new(),
        [only] => format!("{}: {} -> {}", only.field, only.before_json, only.after_json),
        _ if is_new || is_gone => format!("{} fields", changes.len()),
        [first, rest @ ..] => {
            format!("{}: {} -> {}, {} more", first.field, first.before_json, first.after_json, rest.len())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_read_well() {
        assert_eq!(thing("shops/main"), "shop");
        assert_eq!(thing("shops/main/orders/1042"), "order 1042");
        assert_eq!(thing("shops/main/holds/1051"), "hold 1051");
        assert_eq!(thing("shops/main/planRuns/7"), "run 7");
        assert_eq!(thing("tokens/7f"), "token 7f");
        assert_eq!(thing("shops/main/lockers/7"), "shops/main/lockers/7");
    }

    #[test]
    fn changes_are_short() {
        let one = |field: &str, before: &str, after: &str| v1::history_entry::Change {
            field: field.to_owned(),
            before_json: before.to_owned(),
            after_json: after.to_owned(),
        };
        assert_eq!(change(&[]), "");
        assert_eq!(change(&[one("state", "null", "\"queued\"")]), "state: null -> \"queued\"");
        assert_eq!(change(&[one("a", "null", "1"), one("b", "null", "2")]), "2 fields");
        assert_eq!(change(&[one("a", "1", "null"), one("b", "2", "null")]), "2 fields");
        assert_eq!(change(&[one("a", "1", "2"), one("b", "null", "2")]), "a: 1 -> 2, 1 more");
    }
}
