//! What will be late, and why.

use fitup_proto::v1;

use super::Scene;
use super::chart::wrap;
use crate::names::last;
use crate::output::{columns, shorten};
use crate::wire::minutes;
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
    let whys = std::iter::once(vec!["why".to_owned()]).chain(late.iter().map(|order| reasons(order)));
    let table = columns(&rows);
    let facts = table.lines().map(str::chars).map(Iterator::count).max().unwrap_or(0);
    let mut text = String::new();
    for (line, reasons) in table.lines().zip(whys) {
        let why = reasons.join(" ");
        if facts + 2 + why.chars().count() <= scene.width {
            text += &format!("{line:<facts$}  {why}\n");
        } else {
            text += &format!("{line}\n{}", wrap(&" ".repeat(indent), &reasons, " ", scene.width));
        }
    }
    text
}

/// Returns the largest waits of an order in words, each with what parts it from the next.
///
/// Nights and cures are told only if there is nothing that somebody could mend, and work only if there is nothing else.
fn reasons(order: &v1::OrderPlan) -> Vec<String> {
    let rank = |one: &v1::Delay| match one.kind() {
        v1::delay::Kind::Work => 2,
        v1::delay::Kind::Closed | v1::delay::Kind::Cure => 1,
        _ => 0,
    };
    let mut waits = added_up(&order.delays);
    waits.sort_by_key(rank);
    if let Some(best) = waits.first().map(rank) {
        waits.retain(|one| rank(one) == best);
    }
    let told: Vec<String> = waits.iter().take(REASONS).map(|one| delay(one, last(&order.order))).collect();
    let end = |index: usize| if index + 1 == told.len() { "" } else { ";" };
    let told: Vec<String> = told.iter().enumerate().map(|(index, reason)| format!("{reason}{}", end(index))).collect();
    if told.is_empty() { vec!["-".to_owned()] } else { told }
}

/// Returns delays with those of the same reason added up, the largest first.
fn added_up(delays: &[v1::Delay]) -> Vec<v1::Delay> {
    let mut sums: Vec<v1::Delay> = Vec::new();
    for one in delays {
        let same =
            |sum: &&mut v1::Delay| (sum.kind, &sum.subject, &sum.holder) == (one.kind, &one.subject, &one.holder);
        match sums.iter_mut().find(same) {
            Some(sum) => {
                let seconds = |delay: &v1::Delay| delay.duration.as_ref().map_or(0, |duration| duration.seconds);
                sum.duration = Some(prost_types::Duration { seconds: seconds(sum) + seconds(one), nanos: 0 });
            }
            None => sums.push(one.clone()),
        }
    }
    sums.sort_by_key(|sum| std::cmp::Reverse(sum.duration.as_ref().map(minutes)));
    sums
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
