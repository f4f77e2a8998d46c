//! From the facts of a shop and its orders to the parts of a problem.

use std::collections::HashMap;

use jiff::Timestamp;

use super::Snapshot;
use crate::calendar::Calendar;
use crate::cost::Cost;
use crate::keyed::{BayId, CalendarId, Key, KeyedVec, OperationId, TechnicianId, VisitId};
use crate::order::{Order, OrderOperation, OrderVisit, Progress};
use crate::problem::{
    Bay, BayChoice, Car, Changeover, Commitment, Efficiency, Equipment, Link, Operation, Outage, Outside, ProblemData,
    Published, PublishedBay, Ready, ReadyReason, SamePerson, SamePersonRule, Technician, Visit,
};
use crate::shop::Shop;
use crate::spread::Spread;
use crate::time::{Span, Time};
use crate::timetable::{OperationTimetable, OrderTimetable, Timetable};
use crate::week::Frame;

/// Ids of the facts to keys of the problem, while it is built.
pub(super) struct Builder<'a> {
    snapshot: &'a Snapshot,
    published: Option<&'a Timetable>,
    frame: &'a Frame,
    pub(super) data: ProblemData,
    skills: HashMap<&'a str, crate::keyed::SkillId>,
    classes: HashMap<&'a str, crate::keyed::BayClassId>,
    pub(super) bays: HashMap<&'a str, BayId>,
    pub(super) technicians: HashMap<&'a str, TechnicianId>,
    families: HashMap<&'a str, crate::keyed::FamilyId>,
}

impl<'a> Builder<'a> {
    /// `published` is the published plan as it counts at the time of the snapshot.
    pub(super) fn new(snapshot: &'a Snapshot, published: Option<&'a Timetable>, frame: &'a Frame) -> Builder<'a> {
        let settings = &snapshot.shop.settings;
        let grid = Span::from_minutes(settings.grid_minutes().into());
        let mut data = ProblemData::empty(grid, frame.horizon());
        data.now = frame.minute_after(snapshot.now);
        data.days = frame.midnights();
        data.overtime_weight = settings.overtime_weight().into();
        data.outside = settings.outside_limit.map(|limit| Outside { limit, weight: settings.outside_weight().into() });
        let mut builder = Builder {
            snapshot,
            published,
            frame,
            data,
            skills: HashMap::new(),
            classes: HashMap::new(),
            bays: HashMap::new(),
            technicians: HashMap::new(),
            families: HashMap::new(),
        };
        builder.add_shop(&snapshot.shop);
        builder
    }

    fn add_shop(&mut self, shop: &'a Shop) {
        let data = &mut self.data;
        for skill in &shop.skills {
            self.skills.insert(skill, data.skills.push(skill.clone()));
        }
        let whole = Calendar::always(Time::ORIGIN, data.horizon);
        for bay in &shop.bays {
            let mut classes = Vec::new();
            for class in &bay.classes {
                classes.push(*self.classes.entry(class).or_insert_with(|| data.bay_classes.push(class.clone())));
            }
            let open = whole.minus(&self.frame.closed(&bay.downtime));
            let calendar = intern(&mut data.calendars, open);
            self.bays.insert(&bay.id, data.bays.push(Bay { name: bay.id.clone(), classes, calendar }));
        }
        for equipment in &shop.equipment {
            let outage = |outage: &crate::shop::EquipmentOutage| {
                self.frame.lengthened(&outage.period).map(|window| Outage { window, units: outage.count })
            };
            // Outages that only touch on the clock may overlap on the grid; the pool then counts as short of both.
            let outages = outages_within(equipment.count, equipment.outages.iter().filter_map(outage).collect());
            data.equipment.push(Equipment { name: equipment.id.clone(), capacity: equipment.count, outages });
        }
        for technician in &shop.technicians {
            let week = shop.calendar(&technician.calendar).expect("checked by the shop");
            let regular = self.frame.open(shop, week).minus(&self.frame.closed(&technician.absences));
            let extra = self.frame.extra(&technician.overtime);
            let with_overtime = (extra != Calendar::default())
                .then(|| regular.union(&extra))
                .filter(|all| *all != regular)
                .map(|all| intern(&mut data.calendars, all));
            let skills = technician.skills.iter().map(|own| {
                let id = self.skills[own.skill.as_str()];
                (id, Efficiency(own.efficiency_percent * 10))
            });
            let technician_id = data.technicians.push(Technician {
                name: technician.id.clone(),
                calendar: intern(&mut data.calendars, regular),
                with_overtime,
                skills: skills.collect(),
            });
            self.technicians.insert(&technician.id, technician_id);
        }
        for changeover in &shop.changeovers {
            let mut family =
                |id: &'a String| *self.families.entry(id).or_insert_with(|| data.families.push(id.clone()));
            let (from, to) = (family(&changeover.from_family), family(&changeover.to_family));
            let span = Span::from_minutes(changeover.minutes.into());
            data.changeovers.push(Changeover { from, to, span });
        }
    }

    pub(super) fn add_order(&mut self, order: &Order) {
        let shop = &self.snapshot.shop;
        let published = self.published.and_then(|plan| plan.orders.iter().find(|other| other.order == order.id));
        let car = self.data.cars.push(Car {
            name: order.id.clone(),
            arrival: self.frame.minute_after(order.arrival_time),
            promise: order.promise_time.map(|time| self.frame.minute(time)),
            late_weight: order.late_weight.unwrap_or(shop.settings.late_weight()).into(),
            flow_weight: order.flow_weight.unwrap_or(shop.settings.flow_weight()).into(),
        });
        let mut visits: HashMap<&str, VisitId> = HashMap::new();
        for visit in &order.visits {
            let bay = self.bay_choice(order, visit, published);
            let published = published.and_then(|plan| plan.visits.iter().find(|other| other.visit == visit.id));
            let published = published.and_then(|plan| {
                let bay = *self.bays.get(plan.bay.as_str())?;
                let price = self.change_price(shop.settings.bay_change_price(), plan.start_time);
                Some(PublishedBay { bay, price })
            });
            let family = visit.family.as_deref().and_then(|family| self.families.get(family)).copied();
            let id = self.data.visits.push(Visit {
                name: format!("{}/{}", order.id, visit.id),
                car,
                class: self.classes[visit.bay_class.as_str()],
                on_vehicle: !visit.loose_parts,
                family,
                bay,
                published,
            });
            visits.insert(&visit.id, id);
        }
        let first = self.data.operations.len();
        let key = |index: usize| OperationId::from_index(first + index);
        let keys: HashMap<&str, OperationId> =
            order.operations.iter().enumerate().map(|(index, operation)| (operation.id.as_str(), key(index))).collect();
        for operation in &order.operations {
            let plan = published.and_then(|plan| plan.operations.iter().find(|other| other.operation == operation.id));
            let ready = self.ready(order, operation);
            let commitment = self.commitment(operation, &ready, plan);
            let same_person = operation.same_person.as_ref().map(|wish| SamePerson {
                operation: keys[wish.operation.as_str()],
                rule: if wish.required {
                    SamePersonRule::Required
                } else {
                    SamePersonRule::Preferred(shop.settings.same_person_price().into())
                },
            });
            let operation = Operation {
                name: format!("{}/{}", order.id, operation.id),
                car,
                visit: operation.visit.as_deref().map(|visit| visits[visit]),
                work: Span::from_minutes(work_left(operation).into()),
                spread: Spread::new(
                    Span::from_minutes(operation.work_minutes.into()),
                    operation.low_work_minutes.map(|minutes| Span::from_minutes(minutes.into())),
                    operation.high_work_minutes.map(|minutes| Span::from_minutes(minutes.into())),
                ),
                crew: operation.crew.iter().map(|skill| self.skills[skill.as_str()]).collect(),
                equipment: operation
                    .equipment
                    .iter()
                    .map(|need| (self.equipment(&need.equipment), need.count))
                    .collect(),
                interruptible: operation.interruptible,
                ready,
                commitment,
                same_person,
                published: self.published(plan),
            };
            self.data.operations.push(operation);
        }
        self.add_begun(order, &visits, &keys);
        for link in &order.links {
            self.data.links.push(Link {
                from: keys[link.from.as_str()],
                to: keys[link.to.as_str()],
                min_wait: Span::from_minutes(link.min_wait_minutes.into()),
                max_wait: link.max_wait_minutes.map(|minutes| Span::from_minutes(minutes.into())),
            });
        }
    }

    /// Adds what was done of operations that pause, as operations of their own that are over: a paused car keeps its bay.
    fn add_begun(&mut self, order: &Order, visits: &HashMap<&str, VisitId>, keys: &HashMap<&str, OperationId>) {
        for operation in &order.operations {
            let Progress::Paused { start_time, pause_time, technicians, .. } = &operation.progress else { continue };
            let rest = keys[operation.id.as_str()];
            let car = self.data.operations[rest].car;
            let start = self.frame.minute(*start_time).min(self.data.now);
            let begun = self.data.operations.push(Operation {
                name: format!("{}/{} so far", order.id, operation.id),
                car,
                visit: operation.visit.as_deref().map(|visit| visits[visit]),
                // Nothing asks how long a fact should have taken, but work in a bay takes some time.
                work: Span::from_minutes(1),
                spread: None,
                crew: Vec::new(),
                equipment: Vec::new(),
                interruptible: false,
                ready: Vec::new(),
                commitment: Commitment::Started {
                    start,
                    end: self.frame.minute(*pause_time).min(self.data.now).max(start),
                    technicians: self.people(technicians),
                },
                same_person: None,
                published: None,
            });
            self.data.links.push(Link { from: begun, to: rest, min_wait: Span::ZERO, max_wait: None });
        }
    }

    fn equipment(&self, id: &str) -> crate::keyed::EquipmentId {
        let pools = self.data.equipment.iter();
        pools.into_iter().find(|(_, pool)| pool.name == id).map(|(key, _)| key).expect("checked by the order")
    }

    fn bay_choice(&self, order: &Order, visit: &OrderVisit, published: Option<&OrderTimetable>) -> BayChoice {
        let started = order
            .operations
            .iter()
            .any(|operation| operation.visit.as_ref() == Some(&visit.id) && operation.progress != Progress::Waiting);
        match visit.bay.as_deref().map(|id| self.bays[id]) {
            Some(bay) if started => BayChoice::Entered(bay),
            Some(bay) => BayChoice::Pinned(bay),
            None => published.and_then(|plan| self.frozen_bay(plan, visit)).map_or(BayChoice::Free, BayChoice::Pinned),
        }
    }

    /// Returns the published bay of a visit that is too near to change.
    fn frozen_bay(&self, plan: &OrderTimetable, visit: &OrderVisit) -> Option<BayId> {
        let plan = plan.visits.iter().find(|other| other.visit == visit.id)?;
        let bay = *self.bays.get(plan.bay.as_str())?;
        let serves = self.snapshot.shop.bays[bay.index()].classes.contains(&visit.bay_class);
        let (start, end) = (self.frame.minute(plan.start_time), self.frame.minute_after(plan.end_time));
        let stay = crate::time::Window::new(start, end)?;
        let open = self.data.calendars[self.data.bays[bay].calendar].encloses(stay);
        (serves && open && self.frozen(plan.start_time)).then_some(bay)
    }

    fn frozen(&self, start: Timestamp) -> bool {
        let freeze = Span::from_minutes(self.snapshot.shop.settings.freeze_minutes().into());
        let start = self.frame.minute(start);
        self.data.now <= start && start < self.data.now + freeze
    }

    /// Returns `price`, more for what was published to start within two days.
    fn change_price(&self, price: u32, start: Timestamp) -> Cost {
        let soon = self.frame.minute(start) < self.data.now + Span::from_minutes(2 * 1440);
        Cost::from(price) * if soon { self.snapshot.shop.settings.soon_factor().into() } else { 1 }
    }

    fn ready(&self, order: &Order, operation: &OrderOperation) -> Vec<Ready> {
        let mut ready = vec![Ready { time: self.frame.minute_after(order.arrival_time), reason: ReadyReason::Arrival }];
        let is_part = |id: &String| order.parts.iter().any(|part| part.id == *id);
        for need in order.parts.iter().chain(&order.approvals).filter(|need| operation.needs.contains(&need.id)) {
            if let Some(expected) = need.expected_time.filter(|_| !need.met) {
                let id = need.id.clone();
                let reason = if is_part(&id) { ReadyReason::Part(id) } else { ReadyReason::Approval(id) };
                ready.push(Ready { time: self.frame.minute_after(expected), reason });
            }
        }
        if let Some(time) = operation.earliest_start_time {
            ready.push(Ready { time: self.frame.minute_after(time), reason: ReadyReason::NotBefore });
        }
        ready
    }

    fn commitment(&self, operation: &OrderOperation, ready: &[Ready], plan: Option<&OperationTimetable>) -> Commitment {
        match &operation.progress {
            Progress::Done { start_time, end_time, technicians } => Commitment::Started {
                start: self.frame.minute(*start_time).min(self.data.now),
                end: self.frame.minute(*end_time).max(self.frame.minute(*start_time)).min(self.data.now),
                technicians: self.people(technicians),
            },
            Progress::Running { start_time, technicians, remaining_minutes, remaining_time } => {
                let start = self.frame.minute(*start_time).min(self.data.now);
                let end = match remaining_time {
                    None => self.running_end(operation, technicians, *remaining_minutes, plan),
                    Some(since) if operation.crew.is_empty() => {
                        let end = self.frame.minute(*since) + Span::from_minutes((*remaining_minutes).into());
                        if end <= self.data.now { end } else { end.ceil_to(self.data.grid) }
                    }
                    Some(_) => {
                        let now = self.frame.instant(self.data.now);
                        let left = crate::floor::minutes_left(&self.snapshot.shop, operation, now);
                        // It runs, so there is something left, whatever the booked hours say.
                        let left = left.max(u32::try_from(self.data.grid.minutes()).unwrap_or(1));
                        self.running_end(operation, technicians, left, plan)
                    }
                };
                Commitment::Started { start, end: end.max(start), technicians: self.people(technicians) }
            }
            Progress::Waiting | Progress::Paused { .. } => self.settled(operation, ready, plan),
        }
    }

    fn people(&self, ids: &[String]) -> Vec<TechnicianId> {
        ids.iter().map(|id| self.technicians[id.as_str()]).collect()
    }

    /// Returns when a running operation ends: work that may stop goes on while all of its people are at work, other work
    /// goes on until it is done. They are at work in their overtime too where the work is published for it, or goes on in it.
    fn running_end(
        &self,
        operation: &OrderOperation,
        technicians: &[String],
        remaining_minutes: u32,
        plan: Option<&OperationTimetable>,
    ) -> Time {
        let people = self.people(technicians);
        let remaining = Span::from_minutes(remaining_minutes.into());
        let speeds = people.iter().zip(&operation.crew).filter_map(|(person, skill)| {
            let skills = &self.data.technicians[*person].skills;
            skills.iter().find(|(own, _)| *own == self.skills[skill.as_str()]).map(|(_, efficiency)| *efficiency)
        });
        let slowest = speeds.min().unwrap_or(Efficiency::NORMAL);
        let mut left = slowest.time_for(remaining, Span::from_minutes(1));
        let now = self.data.now;
        if !operation.interruptible {
            return (now + left).ceil_to(self.data.grid);
        }
        let hours = |person: &TechnicianId, overtime: bool| {
            let technician = &self.data.technicians[*person];
            &self.data.calendars[technician.with_overtime.filter(|_| overtime).unwrap_or(technician.calendar)]
        };
        let open = |overtime: bool| {
            let after = Calendar::always(now, self.data.horizon);
            people.iter().fold(after, |open, person| open.intersection(hours(person, overtime)))
        };
        let in_overtime = open(true).window_at(now).is_some() && open(false).window_at(now).is_none();
        let open = open(in_overtime || plan.is_some_and(|plan| plan.overtime));
        for window in open.windows() {
            if left <= window.span() {
                return (window.start() + left).ceil_to(self.data.grid);
            }
            left = left - window.span();
        }
        // They are never there long enough again: the floor will have to say who goes on.
        (self.data.horizon.max(now) + left).ceil_to(self.data.grid)
    }

    /// Returns what was settled by hand, or is published for so soon that it stays, if the rules still allow it.
    fn settled(&self, operation: &OrderOperation, ready: &[Ready], plan: Option<&OperationTimetable>) -> Commitment {
        if let Some(pin) = &operation.pin {
            let technicians = (!pin.technicians.is_empty()).then(|| self.people(&pin.technicians));
            let start = pin.start_time.map(|time| self.frame.minute_after(time).ceil_to(self.data.grid));
            if technicians.is_some() || start.is_some() {
                return Commitment::Pinned { technicians, start };
            }
        }
        let Some(plan) = plan.filter(|plan| self.frozen(plan.start_time)) else { return Commitment::Free };
        let start = self.frame.minute_after(plan.start_time);
        let known = plan.technicians.iter().map(|id| self.technicians.get(id.as_str()).copied());
        let technicians: Option<Vec<TechnicianId>> = known.collect();
        let Some(technicians) = technicians else { return Commitment::Free };
        let fits = technicians.len() == operation.crew.len()
            && start == start.ceil_to(self.data.grid)
            && ready.iter().all(|ready| ready.time <= start)
            && technicians.iter().zip(&operation.crew).all(|(&person, skill)| {
                let person = &self.data.technicians[person];
                let skilled = person.skills.iter().any(|(own, _)| *own == self.skills[skill.as_str()]);
                let calendar = person.with_overtime.filter(|_| plan.overtime).unwrap_or(person.calendar);
                skilled && self.data.calendars[calendar].window_at(start).is_some()
            });
        if fits { Commitment::Pinned { technicians: Some(technicians), start: Some(start) } } else { Commitment::Free }
    }

    fn published(&self, plan: Option<&OperationTimetable>) -> Option<Published> {
        let plan = plan?;
        let settings = &self.snapshot.shop.settings;
        Some(Published {
            start: self.frame.minute(plan.start_time),
            technicians: plan.technicians.iter().filter_map(|id| self.technicians.get(id.as_str()).copied()).collect(),
            person_price: self.change_price(settings.person_change_price(), plan.start_time),
            day_price: self.change_price(settings.day_change_price(), plan.start_time),
        })
    }
}

/// Returns the booked minutes that are still to be planned.
fn work_left(operation: &OrderOperation) -> u32 {
    match operation.progress {
        Progress::Paused { remaining_minutes, .. } => remaining_minutes.max(1),
        _ => operation.work_minutes,
    }
}

fn intern(calendars: &mut KeyedVec<CalendarId, Calendar>, calendar: Calendar) -> CalendarId {
    let same = calendars.iter().find(|(_, other)| **other == calendar).map(|(id, _)| id);
    same.unwrap_or_else(|| calendars.push(calendar))
}

/// Returns `outages` so that no more than `capacity` pieces are ever out: where lengthening to the grid made two of
/// them overlap, the later one starts where the earlier one ends.
fn outages_within(capacity: u32, mut outages: Vec<Outage>) -> Vec<Outage> {
    outages.sort_unstable_by_key(|outage| outage.window);
    let mut kept: Vec<Outage> = Vec::new();
    for outage in outages {
        let over = |kept: &[Outage], start: Time| -> u32 {
            let at = kept.iter().filter(|other| other.window.start() <= start && start < other.window.end());
            at.map(|other| other.units).sum()
        };
        let mut start = outage.window.start();
        while over(&kept, start) + outage.units > capacity && start < outage.window.end() {
            let ends = kept.iter().map(|other| other.window.end()).filter(|end| *end > start);
            start = ends.min().unwrap_or(outage.window.end());
        }
        kept.extend(
            crate::time::Window::new(start, outage.window.end())
                .filter(|window| window.span() > Span::ZERO)
                .map(|window| Outage { window, ..outage }),
        );
    }
    kept
}
