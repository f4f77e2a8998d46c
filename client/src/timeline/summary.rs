//! What stands above every view: how many orders, what it costs, and how good it is known to be.

use fitup_proto::v1;

use super::chart::wrap;
use super::late::fold;
use super::{Scene, held_name};
use crate::names::last;
use crate::words::{count, gap, grouped, proto_when};

/// Returns the head of a plan.
pub fn summary(scene: &Scene<'_>) -> String {
    let plan = scene.plan;
    let title = format!(
        "{}, plan {} for {}",
        scene.shop.display_name,
        last(&plan.name),
        proto_when(plan.as_of_time.as_ref(), scene.zone)
    );
    let mut text = format!("{}\n{}; passed the independent check\n", scene.paint.bold(&title), state(plan));
    let late = plan.orders.iter().filter(|order| order.lateness.is_some()).count();
    let free = plan.orders.iter().filter(|order| order.promise_time.is_none()).count();
    let on_time = plan.orders.len() - late - free;
    let mut parts = vec![format!("{on_time} on time"), format!("{late} late")];
    if free > 0 {
        parts.push(format!("{free} without a promise"));
    }
    text += &match plan.orders.len() {
        0 => "no order planned".to_owned(),
        orders => format!("{} planned: {}", count(orders, "order"), parts.join(", ")),
    };
    let held: Vec<&v1::OrderPlan> = plan.orders.iter().filter(|order| order.hold_expire_time.is_some()).collect();
    if let [first, ..] = held[..] {
        text += &match held.len() {
            1 => format!("; {} is held until ", held_name(first)),
            count => format!("; {count} are held, in parentheses, the first until "),
        };
        let until =
            held.iter().filter_map(|order| order.hold_expire_time).min_by_key(|until| (until.seconds, until.nanos));
        text += &proto_when(until.as_ref(), scene.zone);
    }
    if !plan.left_out.is_empty() {
        text += &format!("; {}", scene.paint.alarm(&format!("{} left out", count(plan.left_out.len(), "order"))));
    }
    text.push('\n');
    let price = plan.price.unwrap_or_default();
    text += &wrap(&format!("price {} (", grouped(price.total)), &shares(&price), " ", scene.width);
    text += &format!("bound {}: {}\n", grouped(plan.bound), quality(plan));
    for left in &plan.left_out {
        text += &fold(&format!("left out: {}: {}", last(&left.order), left.message), scene.width, 10);
    }
    text
}

fn state(plan: &v1::Plan) -> String {
    let state = match plan.state() {
        v1::plan::State::Published => "published",
        v1::plan::State::Superseded => "superseded",
        v1::plan::State::Proposed | v1::plan::State::Unspecified => "not published",
    };
    if plan.stale { format!("{state}; out of date, the shop or its orders have changed") } else { state.to_owned() }
}

fn quality(plan: &v1::Plan) -> String {
    let price = plan.price.unwrap_or_default().total;
    match plan.quality() {
        v1::plan::Quality::Optimal => "proven optimal, no plan is better".to_owned(),
        v1::plan::Quality::Feasible | v1::plan::Quality::Unspecified => gap(price, plan.bound),
    }
}

/// Returns what a price is paid for, the dearest first, with the signs between and after.
fn shares(price: &v1::Price) -> Vec<String> {
    let mut shares = [
        ("lateness", price.lateness),
        ("time in the shop", price.flow),
        ("overtime", price.overtime),
        ("changes", price.change),
        ("other people", price.same_person),
        ("cars outside", price.outside),
        ("left out", price.left_out),
    ];
    shares.sort_by_key(|(_, price)| std::cmp::Reverse(*price));
    let told: Vec<&(&str, i64)> = shares.iter().filter(|(_, price)| *price > 0).collect();
    let end = |index: usize| if index + 1 == told.len() { ")" } else { "," };
    let told =
        told.iter().enumerate().map(|(index, (name, price))| format!("{name} {}{}", grouped(*price), end(index)));
    let told: Vec<String> = told.collect();
    if told.is_empty() { vec!["nothing)".to_owned()] } else { told }
}
