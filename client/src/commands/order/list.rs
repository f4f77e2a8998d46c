//! `fitup order list`.

use std::collections::BTreeMap;

use clap::Args;
use fitup_proto::v1;
use jiff::tz::TimeZone;
use tonic::Code;

use crate::cli::Context;
use crate::error::Failure;
use crate::output::{columns, shorten};
use crate::words::{count, proto_date, proto_when};
use crate::{json, names};

/// List the repair orders, a line each
#[derive(Debug, Args)]
pub struct ListArgs {
    /// Also those that are complete or cancelled
    #[arg(long)]
    all: bool,
}

impl ListArgs {
    /// Prints a line for each.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let mut orders = Vec::new();
        let mut page_token = String::new();
        let states = if self.all { Vec::new() } else { vec![v1::order::State::Open.into()] };
        loop {
            let request = v1::ListOrdersRequest {
                parent: names::shop(&at.id),
                page_size: 500,
                page_token,
                states: states.clone(),
            };
            let page = context.link.call(request, async |request| context.link.orders().list_orders(request).await);
            let page = page.await?;
            orders.extend(page.orders);
            page_token = page.next_page_token;
            if page_token.is_empty() {
                break;
            }
        }
        let planned = planned(context, &at.id).await?;
        if context.output.json {
            for order in &orders {
                let completion = planned.get(names::last(&order.name)).copied().flatten();
                context.output.object(&json::OrderLine::new(order, state_of(order, &at.zone), completion));
            }
            return Ok(());
        }
        if orders.is_empty() {
            context.output.note("there is no open order; enter some with `fitup order add FILE`");
            return Ok(());
        }
        context.output.text(&table(&orders, &planned, &at.zone, context.output.width));
        Ok(())
    }
}

/// Returns when each order is complete by the published plan, or else the latest; nothing if there is no plan.
async fn planned(context: &Context, shop: &str) -> Result<BTreeMap<String, Option<prost_types::Timestamp>>, Failure> {
    let request = v1::GetPlanRequest { name: names::plan(shop, "-") };
    match context.link.call(request, async |request| context.link.plans().get_plan(request).await).await {
        Ok(plan) => {
            let completion = |order: v1::OrderPlan| (names::last(&order.order).to_owned(), order.completion_time);
            Ok(plan.orders.into_iter().map(completion).collect())
        }
        Err(status) if status.code() == Code::NotFound => Ok(BTreeMap::new()),
        Err(status) => Err(status.into()),
    }
}

fn table(
    orders: &[v1::Order],
    planned: &BTreeMap<String, Option<prost_types::Timestamp>>,
    zone: &TimeZone,
    width: usize,
) -> String {
    let mut rows = vec![["order", "vehicle", "state", "promise", "planned"].map(str::to_owned).to_vec()];
    for order in orders {
        let id = names::last(&order.name);
        let promise = proto_date(order.promise_time.as_ref(), zone);
        let completion = planned.get(id).copied().flatten();
        let is_late = completion.zip(order.promise_time).is_some_and(|(end, promise)| end.seconds > promise.seconds);
        let mark = if is_late { " !" } else { "" };
        let completion = format!("{}{mark}", proto_date(completion.as_ref(), zone));
        rows.push(vec![id.to_owned(), order.vehicle.clone(), state_of(order, zone), promise, completion]);
    }
    // Vehicle and state share what the other columns leave.
    let fixed: usize = [0, 3, 4].map(|column| rows.iter().map(|row| row[column].len()).max().unwrap_or(0)).iter().sum();
    let room = width.saturating_sub(fixed + 8).max(24);
    let state = rows.iter().map(|row| row[2].chars().count()).max().unwrap_or(0).min(room * 3 / 5);
    for row in &mut rows {
        row[1] = shorten(&row[1], room - state);
        row[2] = shorten(&row[2], state);
    }
    let late = rows.iter().filter(|row| row[4].ends_with('!')).count();
    let legend = if late > 0 { format!("! later than promised: {}\n", count(late, "order")) } else { String::new() };
    columns(&rows) + &legend
}

/// Returns where an order is, in words: `3/14 done, pull running`.
pub fn state_of(order: &v1::Order, zone: &TimeZone) -> String {
    match order.state() {
        v1::order::State::Complete => return "complete".to_owned(),
        v1::order::State::Cancelled => return "cancelled".to_owned(),
        v1::order::State::Open | v1::order::State::Unspecified => {}
    }
    let state = |operation: &v1::Operation| operation.progress.as_ref().map(|progress| progress.state());
    let total = order.operations.len();
    let done = order.operations.iter().filter(|one| state(one) == Some(v1::progress::State::Done)).count();
    let running: Vec<&str> = order
        .operations
        .iter()
        .filter(|operation| state(operation) == Some(v1::progress::State::Running))
        .map(|operation| operation.id.as_str())
        .collect();
    let mut words = Vec::new();
    if done > 0 || !running.is_empty() {
        words.push(format!("{done}/{total} done"));
    }
    if !running.is_empty() {
        words.push(format!("{} running", running.join(" and ")));
        return words.join(", ");
    }
    if !order.arrived {
        words.push(format!("comes {}", proto_when(order.arrival_time.as_ref(), zone)));
        return words.join(", ");
    }
    let awaited = order
        .approvals
        .iter()
        .filter(|approval| !approval.granted)
        .map(|approval| approval.id.as_str())
        .chain(order.parts.iter().filter(|part| !part.received).map(|part| part.id.as_str()))
        .collect::<Vec<_>>();
    if !awaited.is_empty() {
        words.push(format!("waits for {}", awaited.join(", ")));
    } else if words.is_empty() {
        words.push("not started".to_owned());
    }
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::file::Source;
    use crate::file::order::read_orders;

    #[test]
    fn a_line_says_where_each_order_is() {
        let text = include_str!("../../../examples/orders.toml").to_owned();
        let file = read_orders(&Source { name: String::new(), text }, &TimeZone::UTC);
        let mut orders: Vec<v1::Order> = Vec::new();
        for draft in file.orders {
            orders.push(v1::Order { name: names::order("a", &draft.id), state: 1, ..draft.order });
        }
        orders[1].arrived = true;
        let late = orders[0].promise_time.map(|time| prost_types::Timestamp { seconds: time.seconds + 3600, nanos: 0 });
        let planned = BTreeMap::from([("1050".to_owned(), late)]);
        insta::assert_snapshot!(table(&orders, &planned, &TimeZone::UTC, 80));
        orders[1].arrived = false;
        assert_eq!(state_of(&orders[1], &TimeZone::UTC), "comes Tue 6 May 09:00");
    }
}
