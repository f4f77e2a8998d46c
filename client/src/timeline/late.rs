//! What will be late, and why.

use fitup_proto::v1;

use super::Scene;
use crate::file::text::minutes;
use crate::names::last;
use crate::output::{columns, shorten};
use crate::words::{delay, proto_when, span};

/// Reasons that are told; the smaller ones are left out.
const REASONS: usize = 3;

/// Returns the late orders of a plan, the latest first.
pub fn late(plan: &v1::Plan) -> Vec<&v1::OrderPlan> {
    let mut late: Vec<&v1::OrderPlan> = plan.orders.iter().filter(|order| order.lateness.is_some()).collect();
    late.sort_by_key(|order| std::cmp::Reverse(order.lateness.as_ref().map(minutes)));
    late
}

/// Returns a line for each late order; reasons that do not fit beside stand below.
pub fn draw(scene: &Scene<'_>) -> String {
    let late = late(scene.plan);
    if late.is_empty() {
        return "no order is late\n".to_owned();
    }
    let mut rows = vec![["order", "vehicle", "promised", "complete", "late"].map(str::to_owned).to_vec()];
    for order in &late {
        rows.push(vec![
            last(&order.order).to_owned(),
            shorten(&order.vehicle, scene.width.saturating_sub(60).clamp(10, 30)),
            proto_when(order.promise_time.as_ref(), scene.zone),
            proto_when(order.completion_time.as_ref(), scene.zone),
            span(order.lateness.as_ref().map_or(0, minutes)),
        ]);
    }
    let indent = rows.iter().map(|row| row[0].chars().count()).max().unwrap_or(0) + 2;
    let whys = std::iter::once("why".to_owned()).chain(late.iter().map(|order| why(order)));
    let table = columns(&rows);
    let facts = table.lines().map(str::chars).map(Iterator::count).max().unwrap_or(0);
    let mut text = String::new();
    for (line, why) in table.lines().zip(whys) {
        if facts + 2 + why.chars().count() <= scene.width {
            text += &format!("{line:<facts$}  {why}\n");
        } else {
            text += &format!("{line}\n{}", fold(&format!("{:indent$}{why}", ""), scene.width, indent));
        }
    }
    text
}

/// Returns the largest waits of an order in words; work only if nothing else is to tell.
pub fn why(order: &v1::OrderPlan) -> String {
    let waits = order.delays.iter().filter(|one| one.kind() != v1::delay::Kind::Work);
    let told: Vec<String> = waits.take(REASONS).map(delay).collect();
    let told = if told.is_empty() { order.delays.iter().take(1).map(delay).collect() } else { told };
    if told.is_empty() { "-".to_owned() } else { told.join(", ") }
}

/// Breaks a line at blanks; what goes on below is indented.
pub fn fold(line: &str, width: usize, indent: usize) -> String {
    let mut text = String::new();
    let mut rest = line.to_owned();
    while rest.chars().count() > width {
        let limit = rest.char_indices().nth(width).map_or(rest.len(), |(at, _)| at);
        let Some(blank) = rest[..limit].rfind(' ').filter(|&at| at > indent) else { break };
        text += rest[..blank].trim_end();
        text.push('\n');
        rest = format!("{}{}", " ".repeat(indent), rest[blank..].trim_start());
    }
    text + &rest + "\n"
}
