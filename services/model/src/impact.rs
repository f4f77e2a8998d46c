//! What the facts of now do to the published plan: which cars end later than published, and which promises break.

use jiff::Timestamp;

use crate::timetable::{LeftOutOrder, OrderTimetable, Timetable};

/// What becomes of an order of the published plan if nobody does anything.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hit {
    /// Id of the order.
    pub order: String,
    /// Its vehicle.
    pub vehicle: String,
    /// What was promised.
    pub promise_time: Option<Timestamp>,
    /// When the published plan has it complete; `None` if it is not in that plan.
    pub published_time: Option<Timestamp>,
    /// When it will be complete; `None` if it finds no place any more.
    pub expected_time: Option<Timestamp>,
    /// Why it finds no place.
    pub message: String,
}

impl Hit {
    /// Tells whether the promise holds; `None` without one.
    pub fn holds(&self) -> Option<bool> {
        let promise = self.promise_time?;
        Some(self.expected_time.is_some_and(|time| time <= promise))
    }
}

/// Returns the orders whose completion differs between the published plan and `pushed`, what becomes of it: broken
/// promises first, then by how much later they are complete.
pub fn hits(published: &Timetable, pushed: &Timetable) -> Vec<Hit> {
    let before = |id: &str| published.orders.iter().find(|order| order.order == id);
    let mut hits: Vec<Hit> = Vec::new();
    let hit = |order: &OrderTimetable, published_time, expected_time| Hit {
        order: order.order.clone(),
        vehicle: order.vehicle.clone(),
        promise_time: order.promise_time,
        published_time,
        expected_time,
        message: String::new(),
    };
    for order in &pushed.orders {
        let published_time = before(&order.order).map(|old| old.completion_time);
        if published_time != Some(order.completion_time) {
            hits.push(hit(order, published_time, Some(order.completion_time)));
        }
    }
    for LeftOutOrder { order: id, message, .. } in &pushed.left_out {
        if let Some(old) = before(id) {
            hits.push(Hit { message: message.clone(), ..hit(old, Some(old.completion_time), None) });
        }
    }
    let late = |hit: &Hit| {
        let seconds = |time: Option<Timestamp>| time.map(Timestamp::as_second);
        let expected = seconds(hit.expected_time).unwrap_or(i64::MAX / 4);
        expected - seconds(hit.published_time).unwrap_or(expected)
    };
    hits.sort_by_key(|hit| (hit.holds() != Some(false), -late(hit), hit.order.clone()));
    hits
}
