//! How two plans differ, in the words of the floor: which operations move, and why, and which promises.

use jiff::{SignedDuration, Timestamp};

use crate::order::{Need, OrderFacts};
use crate::shop::{Period, ShopFacts};
use crate::timetable::{OperationState, OperationTimetable, OrderTimetable, Timetable};

/// Where, when and by whom an operation is done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slot {
    /// First instant.
    pub start_time: Timestamp,
    /// The instant after the last.
    pub end_time: Timestamp,
    /// Id of its bay.
    pub bay: Option<String>,
    /// Ids of its people.
    pub technicians: Vec<String>,
}

/// Why an operation cannot stay where the first plan has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reason {
    /// This part is expected then.
    Part(String, Timestamp),
    /// This approval is expected then.
    Approval(String, Timestamp),
    /// This technician is out until then.
    Out(String, Timestamp),
    /// This bay is down until then.
    Down(String, Timestamp),
    /// This equipment is short until then.
    Short(String, Timestamp),
    /// It was settled by hand.
    Settled,
    /// Work before it, of its own car, ends then.
    After(String, Timestamp),
    /// This technician is on that order until then.
    Busy(String, String, Timestamp),
    /// That order has this bay until then.
    Taken(String, String, Timestamp),
}

/// An operation that is planned otherwise.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OperationChange {
    /// Id of the order.
    pub order: String,
    /// Id of the operation.
    pub operation: String,
    /// For people.
    pub display_name: String,
    /// In the first plan; `None` if it is not there.
    pub before: Option<Slot>,
    /// In the second plan; `None` if it is not there.
    pub after: Option<Slot>,
    /// Why it does not stay; `None` if it could.
    pub reason: Option<Reason>,
}

/// An order that is complete at another time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PromiseChange {
    /// Id of the order.
    pub order: String,
    /// What was promised.
    pub promise_time: Option<Timestamp>,
    /// When the first plan has it complete.
    pub before_time: Option<Timestamp>,
    /// When the second plan has it complete.
    pub after_time: Option<Timestamp>,
}

/// How two plans differ.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PlanDiff {
    /// Operations, by their earlier start.
    pub operations: Vec<OperationChange>,
    /// Orders, by id.
    pub promises: Vec<PromiseChange>,
    /// Operations that both plans have and that had not started when the second was made.
    pub compared: usize,
}

/// Returns how `after` differs from `before`. The facts say why: those of the moment at which `after` was made, or later
/// ones.
pub fn diff(before: &Timetable, after: &Timetable, shop: &ShopFacts, orders: &[OrderFacts]) -> PlanDiff {
    let mut found = PlanDiff::default();
    let order_in = |plan: &'_ Timetable, id: &str| plan.orders.iter().position(|order| order.order == id);
    let mut ids: Vec<&str> = before.orders.iter().chain(&after.orders).map(|order| order.order.as_str()).collect();
    ids.sort_unstable();
    ids.dedup();
    for id in ids {
        let old = order_in(before, id).map(|index| &before.orders[index]);
        let new = order_in(after, id).map(|index| &after.orders[index]);
        let facts = orders.iter().find(|order| order.id == id);
        compare_operations(old, new, (shop, facts, after), &mut found);
        let (before_time, after_time) = (old.map(|o| o.completion_time), new.map(|o| o.completion_time));
        // What left the plan because it is complete has not lost its date.
        let complete = new.is_none() && facts.is_none();
        if before_time != after_time && !complete {
            let promise_time = new.or(old).and_then(|order| order.promise_time);
            found.promises.push(PromiseChange { order: id.to_owned(), promise_time, before_time, after_time });
        }
    }
    let start = |slot: &Option<Slot>| slot.as_ref().map(|slot| slot.start_time);
    found.operations.sort_by_key(|change| {
        let earlier = start(&change.before).into_iter().chain(start(&change.after)).min();
        (earlier, change.order.clone(), change.operation.clone())
    });
    found
}

type Facts<'f> = (&'f ShopFacts, Option<&'f OrderFacts>, &'f Timetable);

fn compare_operations(
    old: Option<&OrderTimetable>,
    new: Option<&OrderTimetable>,
    facts: Facts<'_>,
    found: &mut PlanDiff,
) {
    let order = new.or(old).map(|order| order.order.clone()).unwrap_or_default();
    let operations = |of: Option<&OrderTimetable>| of.map(|order| order.operations.clone()).unwrap_or_default();
    let (olds, news) = (operations(old), operations(new));
    for after in news.iter().filter(|after| after.state == OperationState::Planned) {
        let before = olds.iter().find(|other| other.operation == after.operation);
        found.compared += usize::from(before.is_some());
        if before.is_some_and(|before| slot(before) == slot(after)) {
            continue;
        }
        found.operations.push(OperationChange {
            order: order.clone(),
            operation: after.operation.clone(),
            display_name: after.display_name.clone(),
            before: before.map(slot),
            after: Some(slot(after)),
            reason: before.and_then(|before| reason(&order, before, after, facts, &news)),
        });
    }
    // Only of orders that are left out: what is done or gone has not moved.
    if new.is_none() && facts.1.is_some() {
        for before in olds.iter().filter(|before| before.state == OperationState::Planned) {
            found.operations.push(OperationChange {
                order: order.clone(),
                operation: before.operation.clone(),
                display_name: before.display_name.clone(),
                before: Some(slot(before)),
                after: None,
                reason: None,
            });
        }
    }
}

fn slot(operation: &OperationTimetable) -> Slot {
    Slot {
        start_time: operation.start_time,
        end_time: operation.end_time,
        bay: operation.bay.clone(),
        technicians: operation.technicians.clone(),
    }
}

/// Returns what keeps the operation from its old place: something that is missing, somebody or something that is out,
/// a word, the work before it, and at last who else is there.
fn reason(
    order: &str,
    before: &OperationTimetable,
    after: &OperationTimetable,
    (shop, facts, plan): Facts<'_>,
    news: &[OperationTimetable],
) -> Option<Reason> {
    let operation = facts.and_then(|facts| facts.operation(&before.operation));
    let missing = |needs: &[Need]| {
        let needed = |need: &&Need| !need.met && operation.is_some_and(|operation| operation.needs.contains(&need.id));
        let late = needs.iter().filter(needed).filter_map(|need| Some((need.id.clone(), need.expected_time?)));
        late.filter(|(_, expected)| *expected > before.start_time).max_by_key(|(_, expected)| *expected)
    };
    if let Some(facts) = facts {
        if let Some((id, time)) = missing(&facts.parts) {
            return Some(Reason::Part(id, time));
        }
        if let Some((id, time)) = missing(&facts.approvals) {
            return Some(Reason::Approval(id, time));
        }
    }
    resource(before, operation, shop)
        .or_else(|| by_hand(after, operation))
        .or_else(|| own_work(before, facts, news))
        .or_else(|| others(order, before, plan))
}

fn by_hand(after: &OperationTimetable, operation: Option<&crate::order::OrderOperation>) -> Option<Reason> {
    let pin = operation?.pin.as_ref()?;
    let tied = pin.start_time == Some(after.start_time) || pin.technicians == after.technicians;
    tied.then_some(Reason::Settled)
}

fn resource(
    before: &OperationTimetable,
    operation: Option<&crate::order::OrderOperation>,
    shop: &ShopFacts,
) -> Option<Reason> {
    let during = |period: &&Period| period.start_time < before.end_time && before.start_time < period.end_time;
    let people = shop.technicians.iter().filter(|person| before.technicians.contains(&person.id));
    for person in people {
        if let Some(period) = person.absences.iter().find(during) {
            return Some(Reason::Out(person.id.clone(), period.end_time));
        }
    }
    if let Some(bay) = shop.bays.iter().find(|bay| Some(&bay.id) == before.bay.as_ref())
        && let Some(period) = bay.downtime.iter().find(during)
    {
        return Some(Reason::Down(bay.id.clone(), period.end_time));
    }
    for need in &operation?.equipment {
        let pool = shop.equipment.iter().find(|pool| pool.id == need.equipment)?;
        if let Some(outage) = pool.outages.iter().find(|outage| during(&&outage.period)) {
            return Some(Reason::Short(pool.id.clone(), outage.period.end_time));
        }
    }
    None
}

/// Returns the work of the same car that reaches into the old place.
fn own_work(before: &OperationTimetable, facts: Option<&OrderFacts>, news: &[OperationTimetable]) -> Option<Reason> {
    let links = facts?.links.iter().filter(|link| link.to == before.operation);
    let ends = links.filter_map(|link| {
        let from = news.iter().find(|other| other.operation == link.from)?;
        let wait = SignedDuration::from_mins(link.min_wait_minutes.into());
        Some((from.operation.clone(), from.end_time.checked_add(wait).ok()?))
    });
    let last = ends.max_by_key(|(_, end)| *end).filter(|(_, end)| *end > before.start_time)?;
    Some(Reason::After(last.0, last.1))
}

/// Returns who of other orders has the old place in the new plan.
fn others(order: &str, before: &OperationTimetable, plan: &Timetable) -> Option<Reason> {
    let others = || plan.orders.iter().filter(|other| other.order != order);
    for other in others() {
        let visits = other.visits.iter().filter(|visit| Some(&visit.bay) == before.bay.as_ref());
        for visit in visits {
            if visit.start_time < before.end_time && before.start_time < visit.end_time {
                return Some(Reason::Taken(visit.bay.clone(), other.order.clone(), visit.end_time));
            }
        }
    }
    for other in others() {
        for busy in &other.operations {
            let shared = busy.technicians.iter().find(|id| before.technicians.contains(id));
            if let Some(id) = shared.filter(|_| busy.start_time < before.end_time && before.start_time < busy.end_time)
            {
                return Some(Reason::Busy(id.clone(), other.order.clone(), busy.end_time));
            }
        }
    }
    None
}
