//! What became of the weeks: a record that the checker can be asked about, and its measures.

use std::collections::BTreeMap;

use fitup_model::keyed::{CarId, KeyedVec, OperationId};
use fitup_model::plan::Assignment;
use fitup_model::problem::{BayChoice, Commitment, Link, Operation, SamePerson, Visit};
use fitup_model::{Calendar, Fault, Plan, Problem, ProblemData, Span, Time, Window, check};

use super::floor::Floor;
use super::world::minutes;

/// What the floor had to do against the rules, because nobody knew how things would go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Concessions {
    /// Work that had to be finished after hours.
    pub stayed_on: usize,
    /// Longest waits that were exceeded: such work is done again in earnest.
    pub waited_too_long: usize,
    /// Visits that were still in a bay when it was to close, and outages of equipment that had to wait for work on it.
    pub bay_kept_open: usize,
}

/// The measures of one run under one way of dispatching.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Measures {
    /// Cars that came before the end of the weeks, those in the shop at the start included.
    pub cars: usize,
    /// Of these, cars that are not complete at the end of all; they count as complete then.
    pub unfinished: usize,
    /// Share of the promised cars that are complete in time; 1 if none is promised.
    pub on_time: f64,
    /// Mean minutes after the promise, 0 for those in time.
    pub lateness: f64,
    /// Sum of minutes after the promise times the order's weight.
    pub weighted_lateness: f64,
    /// Mean minutes from arrival to completion.
    pub cycle: f64,
    /// Share of the people's hours that were worked, up to the end of the weeks.
    pub utilisation: f64,
    /// What went against the rules.
    pub concessions: Concessions,
    /// Rules that the record breaks beside these; there should be none.
    pub broken: usize,
}

/// A run as a problem that has happened and the plan that it amounts to: [`fitup_model::check()`] can be asked about it.
#[derive(Debug, Clone)]
pub struct Record {
    /// What was, concessions made.
    pub problem: Problem,
    /// What was done.
    pub plan: Plan,
    /// The concessions.
    pub concessions: Concessions,
}

impl Floor<'_> {
    /// Returns when a car is complete; `None` if it is not.
    pub fn completion(&self, car: CarId) -> Option<Time> {
        let ends = self.world.truth.operations_of(car).iter().map(|&id| self.done[id].as_ref().map(|done| done.end));
        ends.collect::<Option<Vec<_>>>()?.into_iter().max().filter(|end| *end <= self.world.truth.horizon)
    }

    /// Returns what was done for an operation, if it has started.
    pub fn done(&self, id: OperationId) -> Option<&Assignment> {
        self.done[id].as_ref()
    }

    /// Returns the record: what was done, under the rules of what was true. Work that had to be finished after hours, waits
    /// that ran out and bays that were kept open are allowed in it and counted. What was not done is not in it.
    ///
    /// # Errors
    /// The faults of a record that is no problem.
    pub fn record(&self) -> Result<Record, Vec<Fault>> {
        let truth = &self.world.truth;
        let mut data = truth.clone().into_data();
        let mut plan = Plan::nothing_new(truth);
        let mut concessions = Concessions::default();
        for (id, done) in self.done.iter() {
            plan.operations[id].clone_from(done);
        }
        for (id, bay) in self.bays.iter() {
            plan.bays[id] = *bay;
        }
        let is_fact = |id: OperationId| matches!(truth.operations[id].commitment, Commitment::Started { .. });
        for (id, done) in self.done.iter().filter(|(id, _)| !is_fact(*id)) {
            let Some(done) = done.as_ref().filter(|_| !truth.operations[id].interruptible) else { continue };
            let mut stayed = false;
            for &person in &done.technicians {
                let calendar = truth.technicians[person].calendar;
                if !truth.calendars[calendar].encloses(done.window()) {
                    stayed = true;
                    let own = data.technicians[person].calendar;
                    let longer = data.calendars[own].union(&Calendar::new(vec![done.window()]));
                    data.technicians[person].calendar = data.calendars.push(longer);
                }
            }
            concessions.stayed_on += usize::from(stayed);
        }
        for link in &mut data.links {
            let (Some(from), Some(to), Some(longest)) = (&self.done[link.from], &self.done[link.to], link.max_wait)
            else {
                continue;
            };
            if to.start - from.end > longest && !is_fact(link.to) {
                link.max_wait = Some(to.start - from.end);
                concessions.waited_too_long += 1;
            }
        }
        for (id, bay) in self.bays.iter() {
            let (Some(bay), Some(stay)) = (*bay, plan.occupation(truth, id)) else { continue };
            let entered = matches!(data.visits[id].bay, BayChoice::Entered(_));
            if !entered && !truth.calendars[truth.bays[bay].calendar].encloses(stay) {
                let longer = data.calendars[data.bays[bay].calendar].union(&Calendar::new(vec![stay]));
                data.bays[bay].calendar = data.calendars.push(longer);
                concessions.bay_kept_open += 1;
            }
        }
        for id in truth.equipment.keys() {
            let uses =
                |operation: OperationId| truth.operations[operation].equipment.iter().any(|(pool, _)| *pool == id);
            let used: Vec<Window> = self
                .done
                .iter()
                .filter(|(id, _)| uses(*id))
                .filter_map(|(_, done)| Some(done.as_ref()?.window()))
                .collect();
            let all = data.equipment[id].outages.len();
            data.equipment[id].outages.retain(|outage| {
                !used.iter().any(|used| used.start() < outage.window.start() && used.overlaps(outage.window))
            });
            concessions.bay_kept_open += all - data.equipment[id].outages.len();
        }
        let is_done = |id: OperationId| plan.operations[id].as_ref().is_some_and(|done| done.end <= truth.horizon);
        let (data, plan) = only(data, &plan, is_done);
        Ok(Record { problem: Problem::new(data)?, plan, concessions })
    }

    /// Returns the measures.
    ///
    /// # Errors
    /// As [`Floor::record`].
    pub fn measures(&self) -> Result<Measures, Vec<Fault>> {
        let truth = &self.world.truth;
        let record = self.record()?;
        let broken = check(&record.problem, &record.plan).len();
        let mut found = Measures { concessions: record.concessions, broken, ..Measures::default() };
        let (mut promised, mut kept, mut late, mut cycle) = (0, 0, 0, 0);
        for (id, car) in truth.cars.iter().filter(|(_, car)| car.arrival < self.world.until) {
            let complete = self.completion(id);
            found.cars += 1;
            found.unfinished += usize::from(complete.is_none());
            let complete = complete.unwrap_or(truth.horizon);
            cycle += (complete - car.arrival).minutes();
            if let Some(promise) = car.promise {
                promised += 1;
                kept += usize::from(complete <= promise);
                let minutes = (complete - promise).max(Span::ZERO).minutes();
                late += minutes;
                found.weighted_lateness += (car.late_weight * minutes) as f64;
            }
        }
        let mean = |sum: i64, count: usize| if count == 0 { 0.0 } else { sum as f64 / count as f64 };
        found.on_time = if promised == 0 { 1.0 } else { kept as f64 / promised as f64 };
        found.lateness = mean(late, promised);
        found.cycle = mean(cycle, found.cars);
        found.utilisation = self.utilisation();
        Ok(found)
    }

    fn utilisation(&self) -> f64 {
        let truth = &self.world.truth;
        let span = Window::new(truth.now, self.world.until);
        let span = Calendar::new(span.into_iter().collect());
        let (mut open, mut worked) = (0.0, 0.0);
        for person in truth.technicians.keys() {
            let hours = truth.calendars[truth.technicians[person].calendar].intersection(&span);
            open += minutes(&hours);
            let own = self.done.values().flatten().filter(|done| done.technicians.contains(&person));
            worked += minutes(&hours.intersection(&Calendar::new(own.map(|done| done.window()).collect())));
        }
        if open > 0.0 { worked / open } else { 0.0 }
    }
}

/// Returns the problem and the plan without the operations that were not done, and what is empty without them.
fn only(data: ProblemData, plan: &Plan, is_done: impl Fn(OperationId) -> bool) -> (ProblemData, Plan) {
    let mut new = ProblemData {
        cars: KeyedVec::new(),
        visits: KeyedVec::new(),
        operations: KeyedVec::new(),
        links: Vec::new(),
        ..data.clone()
    };
    let mut kept = Plan { operations: KeyedVec::new(), bays: KeyedVec::new() };
    let (mut cars, mut visits, mut operations) = (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
    for (id, old) in data.operations.iter().filter(|(id, _)| is_done(*id)) {
        let car = *cars.entry(old.car).or_insert_with(|| new.cars.push(data.cars[old.car].clone()));
        let visit = old.visit.map(|visit| {
            *visits.entry(visit).or_insert_with(|| {
                kept.bays.push(plan.bays[visit]);
                new.visits.push(Visit { car, ..data.visits[visit].clone() })
            })
        });
        operations.insert(id, new.operations.push(Operation { car, visit, ..old.clone() }));
        kept.operations.push(plan.operations[id].clone());
    }
    for operation in operations.values() {
        let operation = &mut new.operations[*operation];
        operation.same_person = operation
            .same_person
            .and_then(|wish| Some(SamePerson { operation: *operations.get(&wish.operation)?, ..wish }));
    }
    new.links = data
        .links
        .iter()
        .filter_map(|link| Some(Link { from: *operations.get(&link.from)?, to: *operations.get(&link.to)?, ..*link }))
        .collect();
    (new, kept)
}
