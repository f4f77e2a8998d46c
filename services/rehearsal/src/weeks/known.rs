//! What is known of the floor, as a planning problem: nothing of what is still to come.

use std::collections::BTreeMap;

use fitup_model::keyed::{CarId, Key, KeyedVec, OperationId, VisitId};
use fitup_model::plan::Assignment;
use fitup_model::problem::{BayChoice, Commitment, Link, ReadyReason};
use fitup_model::{Calendar, Plan, Problem, Span, Time};

use super::floor::Floor;

const DAY: i64 = 1440;

/// The cars that are known and not complete, as a problem of their own, and which is which.
#[derive(Debug)]
pub struct Known {
    /// The problem.
    pub problem: Problem,
    cars: Vec<CarId>,
    operations: Vec<OperationId>,
    visits: Vec<VisitId>,
}

/// What cars are promised, where it is not what their orders say.
pub type Promises = BTreeMap<CarId, Option<Time>>;

/// What is intended for each operation and visit of the floor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Intent {
    /// When and by whom.
    pub operations: KeyedVec<OperationId, Option<Assignment>>,
    /// Where.
    pub bays: KeyedVec<VisitId, Option<fitup_model::keyed::BayId>>,
}

impl Intent {
    /// Returns the intent of somebody who has no plan.
    pub fn none(problem: &Problem) -> Intent {
        Intent {
            operations: KeyedVec::filled(None, problem.operations.len()),
            bays: KeyedVec::filled(None, problem.visits.len()),
        }
    }
}

impl Known {
    /// Returns what is known now.
    ///
    /// Durations are as booked until the work is done, damage is known when the first work on the car has ended, parts
    /// are expected as booked until the day on which they do not come, and who is away is known on the day.
    pub fn of(floor: &Floor, flow: i64, promises: &Promises) -> Known {
        let booked = floor.world.booked();
        let mut data = booked.clone().into_data();
        data.now = floor.now();
        let (cars, visits, operations) = (data.cars, data.visits, data.operations);
        (data.cars, data.visits, data.operations) = (KeyedVec::new(), KeyedVec::new(), KeyedVec::new());
        let mut known = Known { problem: booked.clone(), cars: Vec::new(), operations: Vec::new(), visits: Vec::new() };
        let mut keys: BTreeMap<OperationId, OperationId> = BTreeMap::new();
        for &car in &floor.open {
            let new: CarId = data.cars.push(cars[car].clone());
            data.cars[new].flow_weight = data.cars[new].flow_weight.max(flow);
            if let Some(&promise) = promises.get(&car) {
                data.cars[new].promise = promise;
            }
            known.cars.push(car);
            let mut visit_keys: BTreeMap<VisitId, VisitId> = BTreeMap::new();
            for &id in booked.visits_of(car) {
                let mut visit = visits[id].clone();
                visit.car = new;
                if let Some(bay) = floor.bays[id] {
                    visit.bay = BayChoice::Entered(bay);
                }
                visit_keys.insert(id, data.visits.push(visit));
                known.visits.push(id);
            }
            for &id in booked.operations_of(car) {
                let mut operation = operations[id].clone();
                operation.car = new;
                operation.visit = operation.visit.map(|visit| visit_keys[&visit]);
                operation.work = floor.known_work(id);
                for index in 0..operation.ready.len() {
                    operation.ready[index].time = floor.known_ready(id, index);
                    if floor.is_known_late(id, index) {
                        operation.ready[index].reason = ReadyReason::NotBefore;
                    }
                }
                if let (Some(done), Some(end)) = (&floor.done[id], floor.expected_end(id)) {
                    operation.commitment =
                        Commitment::Started { start: done.start, end, technicians: done.technicians.clone() };
                }
                keys.insert(id, data.operations.push(operation));
                known.operations.push(id);
            }
        }
        for &id in &known.operations {
            let operation = &mut data.operations[keys[&id]];
            if let Some(wish) = &mut operation.same_person {
                wish.operation = keys[&wish.operation];
            }
        }
        let links = booked.links.iter().filter(|link| keys.contains_key(&link.from));
        // A longest wait that runs already cannot be planned away: the floor puts it before all other work.
        let running = |link: &Link| floor.done[link.from].is_some();
        data.links = links
            .map(|link| Link {
                from: keys[&link.from],
                to: keys[&link.to],
                max_wait: link.max_wait.filter(|_| !running(link)),
                ..*link
            })
            .collect();
        let midnight = Time::from_minutes((data.now.minutes().div_euclid(DAY) + 1) * DAY);
        let (today, later) = (Calendar::always(data.now, midnight), Calendar::always(midnight, data.horizon));
        let truth = &floor.world.truth;
        for id in booked.technicians.keys() {
            let own = &booked.calendars[booked.technicians[id].calendar];
            let seen = &truth.calendars[truth.technicians[id].calendar];
            let calendar = seen.intersection(&today).union(&own.intersection(&later));
            data.technicians[id].calendar = data.calendars.push(calendar);
        }
        let horizon = data.now + Span::from_minutes(35 * DAY);
        let last = data.operations.values().flat_map(|operation| &operation.ready).map(|ready| ready.time).max();
        let horizon = last.map_or(horizon, |last| horizon.max(last + Span::from_minutes(21 * DAY)));
        data.horizon = horizon.min(data.horizon).ceil_to(data.grid);
        let open = Calendar::always(Time::from_minutes(i64::MIN / 4), data.horizon);
        data.calendars = data.calendars.values().map(|calendar| calendar.intersection(&open)).collect();
        data.days.retain(|day| *day < horizon);
        known.problem = Problem::new(data).expect("what is known of a problem is one");
        known
    }

    /// Returns a car of the floor here; `None` if it is not known or complete.
    pub fn car(&self, car: CarId) -> Option<CarId> {
        self.cars.iter().position(|own| *own == car).map(CarId::from_index)
    }

    /// Returns the plan that an intent amounts to here.
    pub fn plan(&self, intent: &Intent) -> Plan {
        Plan {
            operations: self.operations.iter().map(|&id| intent.operations[id].clone()).collect(),
            bays: self.visits.iter().map(|&id| intent.bays[id]).collect(),
        }
    }

    /// Writes a plan of what is known into an intent.
    pub fn intend(&self, plan: &Plan, intent: &mut Intent) {
        for (index, &id) in self.operations.iter().enumerate() {
            intent.operations[id].clone_from(&plan.operations[OperationId::from_index(index)]);
        }
        for (index, &id) in self.visits.iter().enumerate() {
            intent.bays[id] = plan.bays[VisitId::from_index(index)];
        }
    }
}
