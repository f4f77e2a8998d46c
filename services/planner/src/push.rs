//! One plan pushed to the right under many variations of its problem, fast: what [`crate::replan::push_right`] does, without
//! compiling the problem anew each time.

use std::collections::BTreeSet;

use fitup_model::keyed::{CarId, Key};
use fitup_model::{Plan, Problem, Time};

use crate::compile::{Compiled, NEVER, Variation};
use crate::construct;
use crate::random::Random;
use crate::replan::turns;
use crate::schedule::Schedule;

/// How often the pushing may go back before it mends the plan car by car.
const JUMPS: usize = 500;

/// A plan made ready to be pushed. Cheap to push with, dear to make: one a thread.
#[derive(Debug, Clone)]
pub struct Pusher<'p> {
    base: Compiled<'p>,
    own: Compiled<'p>,
    /// In which calendars the two differ.
    dirty: Vec<u32>,
    by_person: Vec<Vec<u32>>,
    published: &'p Plan,
    /// Cars that the plan includes and that are not done.
    cars: Vec<usize>,
    /// Their operations, with when it is the turn of each and whether its visit goes on.
    turns: Vec<(Option<Time>, bool, u32)>,
    /// Cars and visits that have one of them, if these are not all.
    some: Option<(Vec<usize>, Vec<usize>)>,
}

impl<'p> Pusher<'p> {
    /// Makes `published` ready. `tied` is the problem with everything tied to the people and bays of the plan:
    /// [`fitup_model::repair::pushed_right`].
    pub fn new(tied: &'p Problem, published: &'p Plan) -> Pusher<'p> {
        let mut base = Compiled::new(tied);
        base.own_calendars();
        let turn = turns(&base, published);
        let empty = Schedule::new(&base, Random::new(1, 0));
        let cars = (0..base.cars.len()).filter(|&car| !empty.planned[car] && base.cars[car].impossible.is_none());
        let cars: Vec<usize> =
            cars.filter(|&car| base.cars[car].operations.iter().all(|&index| turn[index as usize].is_some())).collect();
        let begun = |index: u32| {
            let visit = base.operations[index as usize].visit;
            visit.is_some_and(|visit| base.visits[visit as usize].fact.is_some())
        };
        let operations = cars.iter().flat_map(|&car| &base.cars[car].operations);
        let turns = operations.map(|&index| (turn[index as usize], !begun(index), index)).collect();
        let by_person = base.calendars_by_person();
        Pusher { own: base.clone(), base, dirty: Vec::new(), by_person, published, cars, turns, some: None }
    }

    /// Returns one that pushes only what can come before `car`: what has its turn before the car's last operation, and what
    /// hangs together with that by a visit, a link before or a longest wait. Whatever comes later finds its place beside it and
    /// takes none away. Its [`completion`](Pusher::completion) alone means anything then.
    pub fn for_one(self, car: CarId) -> Pusher<'p> {
        let base = &self.base;
        let own = |index: u32| base.operations[index as usize].car as usize == car.index();
        let last = self.turns.iter().filter(|(.., index)| own(*index)).map(|(turn, ..)| *turn).max();
        let Some(last) = last else { return self };
        let mut needed = vec![false; base.operations.len()];
        let mut open: Vec<u32> =
            self.turns.iter().filter(|(turn, ..)| *turn <= last).map(|(.., index)| *index).collect();
        while let Some(index) = open.pop() {
            if std::mem::replace(&mut needed[index as usize], true) {
                continue;
            }
            let operation = &base.operations[index as usize];
            open.extend(base.links_of(operation.before).iter().map(|link| link.other));
            open.extend(base.links_of(operation.after).iter().filter(|link| link.max < NEVER).map(|link| link.other));
            open.extend(operation.visit.iter().flat_map(|visit| &base.visits[*visit as usize].operations));
        }
        let turns: Vec<_> = self.turns.iter().filter(|(.., index)| needed[*index as usize]).copied().collect();
        let of = |index: &u32| base.operations[*index as usize].car as usize;
        let cars: BTreeSet<usize> = turns.iter().map(|(.., index)| of(index)).collect();
        let visits = (0..base.visits.len()).filter(|visit| cars.contains(&(base.visits[*visit].car as usize)));
        let some = Some((cars.iter().copied().collect(), visits.collect()));
        Pusher { turns, some, ..self }
    }

    /// Returns when a car is complete under a variation; `None` if it finds no place before the horizon or the plan leaves it
    /// out.
    pub fn completion(&mut self, variation: &Variation, car: CarId) -> Option<Time> {
        let (problem, published) = (self.base.problem, self.published);
        let schedule = self.push(variation);
        completion(&schedule, car.index()).filter(|_| published.includes(problem, car))
    }

    /// Returns when each car is complete under a variation; `None` for one that finds no place before the horizon or that
    /// the plan leaves out.
    pub fn completions(&mut self, variation: &Variation) -> Vec<Option<Time>> {
        let (problem, published) = (self.base.problem, self.published);
        let schedule = self.push(variation);
        let of = |car: usize| {
            let included = published.includes(problem, CarId::from_index(car));
            completion(&schedule, car).filter(|_| included)
        };
        (0..schedule.compiled.cars.len()).map(of).collect()
    }

    /// Returns what is done when under a variation.
    pub fn plan(&mut self, variation: &Variation) -> Plan {
        self.push(variation).to_plan()
    }

    fn push(&mut self, variation: &Variation) -> Schedule<'_> {
        self.own.vary(&self.base, variation, &self.by_person, &mut self.dirty);
        self.own.follow(self.some.as_ref().map(|(cars, visits)| (cars.as_slice(), visits.as_slice())));
        let compiled = &self.own;
        let mut turns: Vec<_> = self
            .turns
            .iter()
            .map(|&(turn, fresh, index)| (turn, fresh, compiled.operations[index as usize].head, index))
            .collect();
        turns.sort_unstable();
        let mut order: Vec<u32> = turns.into_iter().map(|(.., index)| index).collect();
        let mut schedule = Schedule::new(compiled, Random::new(1, 0));
        schedule.partial = true;
        if schedule.insert(&mut order, JUMPS).is_ok() {
            for &car in &self.cars {
                schedule.planned[car] = true;
            }
            schedule.partial = false;
            return schedule;
        }
        let mut schedule = Schedule::new(compiled, Random::new(1, 0));
        construct::repair(&mut schedule, self.published);
        schedule
    }
}

/// Returns when a car is complete; `None` if it found no place.
fn completion(schedule: &Schedule, car: usize) -> Option<Time> {
    let compiled = schedule.compiled;
    let own = &compiled.cars[car];
    let end = if own.operations.is_empty() {
        own.fact_end
    } else {
        compiled.clock.minute(schedule.completion(car)).max(own.fact_end)
    };
    schedule.planned[car].then(|| Time::from_minutes(end))
}

/// Returns the plan without one car: it has no place in it but for what has started.
pub fn without(problem: &Problem, plan: &Plan, car: CarId) -> Plan {
    let (mut plan, nothing) = (plan.clone(), Plan::nothing_new(problem));
    for &id in problem.operations_of(car) {
        plan.operations[id] = nothing.operations[id].clone();
    }
    for &id in problem.visits_of(car) {
        plan.bays[id] = nothing.bays[id];
    }
    plan
}
