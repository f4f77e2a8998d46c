//! The dispatch list: what each technician and each bay does today, and what each piece of work waits for.

use jiff::{SignedDuration, Timestamp, ToSpan};

use crate::order::{Hazard, OrderFacts, OrderOperation, Progress};
use crate::shop::Shop;
use crate::timetable::{OperationTimetable, Timetable};

/// What stands between an operation and its start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wait {
    /// The car is not there; it is to come then.
    Car(Timestamp),
    /// Work before it is not done; it is to end then.
    Work(String, Timestamp),
    /// A cure or a shortest wait runs until then.
    Cure(String, Timestamp),
    /// This part is not there; it is expected then.
    Part(String, Option<Timestamp>),
    /// This approval was not given; it is expected then.
    Approval(String, Option<Timestamp>),
    /// This bay is taken by that order.
    Bay(String, String),
    /// This technician is on that order.
    Technician(String, String),
    /// This technician is out until then.
    Out(String, Timestamp),
    /// This bay is down until then.
    Down(String, Timestamp),
}

impl Wait {
    /// Tells whether it does not pass by going on as planned: somebody has to do something about it.
    pub fn blocks(&self) -> bool {
        !matches!(self, Wait::Work(..) | Wait::Cure(..) | Wait::Bay(..) | Wait::Technician(..))
    }
}

/// How a piece of work stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EntryState {
    /// Somebody is on it, or it cures.
    Running,
    /// It has begun, and nobody is on it.
    Paused,
    /// It can start now.
    Ready,
    /// Something comes before it, and goes on as planned.
    Waiting,
    /// Something is missing.
    Blocked,
}

/// A piece of work on the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Id of the order.
    pub order: String,
    /// Its vehicle.
    pub vehicle: String,
    /// Id of the operation.
    pub operation: String,
    /// For people.
    pub display_name: String,
    /// Id of its bay.
    pub bay: Option<String>,
    /// Ids of its people.
    pub technicians: Vec<String>,
    /// Planned start.
    pub start_time: Timestamp,
    /// Planned end.
    pub end_time: Timestamp,
    /// How it stands.
    pub state: EntryState,
    /// What it waits for, what blocks it first.
    pub waits: Vec<Wait>,
    /// What asks for caution.
    pub hazards: Vec<Hazard>,
    /// It is a check that is passed or failed.
    pub hold_point: bool,
}

/// What somebody or something does today, by start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lane {
    /// Id of the technician or the bay.
    pub id: String,
    /// What it does.
    pub entries: Vec<Entry>,
}

/// The dispatch list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DispatchList {
    /// By technician, in the order of the shop; those without work today are there too.
    pub technicians: Vec<Lane>,
    /// By bay, in the order of the shop.
    pub bays: Vec<Lane>,
}

/// Returns the list for the day of `now`: of the published plan what is planned for today and not done, and what should
/// have been done before.
pub fn dispatch_list(shop: &Shop, orders: &[OrderFacts], published: &Timetable, now: Timestamp) -> DispatchList {
    let day_end = shop.zone().to_datetime(now).date().checked_add(1.day()).ok();
    let day_end = day_end.and_then(|date| shop.zone().to_timestamp(date.into()).ok()).unwrap_or(now);
    let view = View { shop, orders, published, now };
    let mut entries: Vec<Entry> = Vec::new();
    for plan in &published.orders {
        let Some(order) = orders.iter().find(|order| order.id == plan.order) else { continue };
        for planned in plan.operations.iter().filter(|planned| planned.start_time < day_end) {
            let Some(operation) = order.operation(&planned.operation) else { continue };
            if !matches!(operation.progress, Progress::Done { .. }) {
                entries.push(view.entry(order, operation, planned));
            }
        }
    }
    entries.sort_by(|a, b| (a.start_time, &a.order, &a.operation).cmp(&(b.start_time, &b.order, &b.operation)));
    let lane = |id: &String, of: &dyn Fn(&Entry) -> bool| Lane {
        id: id.clone(),
        entries: entries.iter().filter(|entry| of(entry)).cloned().collect(),
    };
    DispatchList {
        technicians: shop
            .technicians
            .iter()
            .map(|person| lane(&person.id, &|entry| entry.technicians.contains(&person.id)))
            .collect(),
        bays: shop.bays.iter().map(|bay| lane(&bay.id, &|entry| entry.bay.as_ref() == Some(&bay.id))).collect(),
    }
}

struct View<'v> {
    shop: &'v Shop,
    orders: &'v [OrderFacts],
    published: &'v Timetable,
    now: Timestamp,
}

impl View<'_> {
    fn entry(&self, order: &OrderFacts, operation: &OrderOperation, planned: &OperationTimetable) -> Entry {
        let visit = order.visits.iter().find(|visit| Some(&visit.id) == operation.visit.as_ref());
        // Facts rule over what was planned.
        let bay = visit.and_then(|visit| visit.bay.clone()).or_else(|| planned.bay.clone());
        let pinned = operation.pin.as_ref().map(|pin| &pin.technicians).filter(|people| !people.is_empty());
        let technicians = match &operation.progress {
            Progress::Running { technicians, .. } => technicians.clone(),
            _ => pinned.unwrap_or(&planned.technicians).clone(),
        };
        let mut waits = match operation.progress {
            Progress::Running { .. } => Vec::new(),
            _ => self.waits(order, operation, bay.as_deref(), &technicians),
        };
        waits.sort_by_key(|wait| !wait.blocks());
        let state = match (&operation.progress, waits.first()) {
            (Progress::Running { .. }, _) => EntryState::Running,
            (_, Some(wait)) if wait.blocks() => EntryState::Blocked,
            (Progress::Paused { .. }, _) => EntryState::Paused,
            (_, Some(_)) => EntryState::Waiting,
            (_, None) => EntryState::Ready,
        };
        Entry {
            order: order.id.clone(),
            vehicle: order.vehicle.clone(),
            operation: operation.id.clone(),
            display_name: planned.display_name.clone(),
            bay,
            technicians,
            start_time: planned.start_time,
            end_time: planned.end_time,
            state,
            waits,
            hazards: operation.hazards.clone(),
            hold_point: operation.hold_point.is_some(),
        }
    }

    fn waits(
        &self,
        order: &OrderFacts,
        operation: &OrderOperation,
        bay: Option<&str>,
        technicians: &[String],
    ) -> Vec<Wait> {
        let mut waits = Vec::new();
        if !order.arrived && order.arrival_time > self.now {
            waits.push(Wait::Car(order.arrival_time));
        }
        for link in order.links.iter().filter(|link| link.to == operation.id) {
            let Some(before) = order.operation(&link.from) else { continue };
            let wait = SignedDuration::from_mins(link.min_wait_minutes.into());
            match &before.progress {
                Progress::Done { end_time, .. } => {
                    let until = end_time.checked_add(wait).unwrap_or(*end_time);
                    if self.now < until {
                        waits.push(Wait::Cure(before.id.clone(), until));
                    }
                }
                Progress::Running { remaining_minutes, remaining_time: Some(since), .. } if before.crew.is_empty() => {
                    let left = SignedDuration::from_mins((*remaining_minutes).into());
                    let until = since.checked_add(left).unwrap_or(*since);
                    if self.now < until {
                        waits.push(Wait::Cure(before.id.clone(), until));
                    }
                }
                _ => {
                    let planned = self.planned(&order.id, &before.id);
                    waits.push(Wait::Work(before.id.clone(), planned.map_or(self.now, |planned| planned.end_time)));
                }
            }
        }
        let needed = |id: &String| operation.needs.contains(id);
        for part in order.parts.iter().filter(|part| !part.met && needed(&part.id)) {
            waits.push(Wait::Part(part.id.clone(), part.expected_time));
        }
        for approval in order.approvals.iter().filter(|approval| !approval.met && needed(&approval.id)) {
            waits.push(Wait::Approval(approval.id.clone(), approval.expected_time));
        }
        self.resources(order, bay, technicians, &mut waits);
        waits
    }

    fn resources(&self, order: &OrderFacts, bay: Option<&str>, technicians: &[String], waits: &mut Vec<Wait>) {
        let is_on = |period: &&crate::shop::Period| period.start_time <= self.now && self.now < period.end_time;
        if let Some(bay) = self.shop.bays.iter().find(|other| Some(other.id.as_str()) == bay) {
            if let Some(period) = bay.downtime.iter().find(is_on) {
                waits.push(Wait::Down(bay.id.clone(), period.end_time));
            }
            let holder = self.orders.iter().find(|other| other.id != order.id && holds(other, &bay.id));
            waits.extend(holder.map(|holder| Wait::Bay(bay.id.clone(), holder.id.clone())));
        }
        for id in technicians {
            let person = self.shop.technicians.iter().find(|person| person.id == *id);
            if let Some(period) = person.and_then(|person| person.absences.iter().find(is_on)) {
                waits.push(Wait::Out(id.clone(), period.end_time));
            }
            let busy = self.orders.iter().find(|other| {
                other.operations.iter().any(|operation| {
                    matches!(&operation.progress, Progress::Running { technicians, .. } if technicians.contains(id))
                })
            });
            waits.extend(busy.map(|busy| Wait::Technician(id.clone(), busy.id.clone())));
        }
    }

    fn planned(&self, order: &str, operation: &str) -> Option<&OperationTimetable> {
        let order = self.published.orders.iter().find(|other| other.order == order)?;
        order.operations.iter().find(|other| other.operation == operation)
    }
}

/// Tells whether a visit of the order stands in the bay: it has begun, and there is work left in it.
fn holds(order: &OrderFacts, bay: &str) -> bool {
    order.visits.iter().filter(|visit| visit.bay.as_deref() == Some(bay)).any(|visit| {
        let within = || order.operations.iter().filter(|other| other.visit.as_ref() == Some(&visit.id));
        within().any(|other| other.progress != Progress::Waiting)
            && within().any(|other| !matches!(other.progress, Progress::Done { .. }))
    })
}
