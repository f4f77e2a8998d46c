//! The floor in a rehearsal: what has started and ended, and what can start now. It knows what will be and shows only what
//! is known.

mod bays;
mod people;

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use fitup_model::keyed::{BayId, CarId, Key, KeyedVec, OperationId, TechnicianId, VisitId};
use fitup_model::plan::Assignment;
use fitup_model::problem::{BayChoice, Commitment, ReadyReason};
use fitup_model::{Calendar, Problem, Span, Time, Window};
use fitup_planner::Stop;

use super::policy::Policy;
use super::world::World;

const DAY: i64 = 1440;

/// A longest wait up to this is watched: the work that it belongs to goes before all other.
const WATCHED: Span = Span::from_minutes(DAY);

/// A chain of longest waits up to this is not begun unless the day is long enough for it.
const TIGHT: Span = Span::from_minutes(6 * 60);

/// The state of the floor.
#[derive(Debug)]
pub struct Floor<'w> {
    pub(super) world: &'w World,
    pub(super) now: Time,
    pub(super) done: KeyedVec<OperationId, Option<Assignment>>,
    pub(super) bays: KeyedVec<VisitId, Option<BayId>>,
    /// Visits in each bay; more than one only if facts say so.
    holders: KeyedVec<BayId, Vec<VisitId>>,
    last: KeyedVec<BayId, Option<(VisitId, Time)>>,
    /// Visits that were in a bay together with others at the start, as no plan could have it: their cars stay.
    stuck: Vec<VisitId>,
    busy: KeyedVec<TechnicianId, Time>,
    /// Cars that are known and not complete.
    pub(super) open: Vec<CarId>,
    waiting: Vec<CarId>,
    events: BinaryHeap<Reverse<Time>>,
    before: KeyedVec<OperationId, Vec<usize>>,
    after: KeyedVec<OperationId, Vec<usize>>,
    tail: KeyedVec<OperationId, Span>,
}

impl<'w> Floor<'w> {
    /// Returns the floor at the start of the weeks.
    pub fn new(world: &'w World) -> Floor<'w> {
        let truth = &world.truth;
        let operations = truth.operations.len();
        let mut floor = Floor {
            world,
            now: truth.now,
            done: KeyedVec::filled(None, operations),
            bays: KeyedVec::filled(None, truth.visits.len()),
            holders: KeyedVec::filled(Vec::new(), truth.bays.len()),
            last: KeyedVec::filled(None, truth.bays.len()),
            stuck: Vec::new(),
            busy: KeyedVec::filled(truth.now, truth.technicians.len()),
            open: Vec::new(),
            waiting: truth.cars.keys().rev().collect(),
            events: BinaryHeap::new(),
            before: KeyedVec::filled(Vec::new(), operations),
            after: KeyedVec::filled(Vec::new(), operations),
            tail: KeyedVec::filled(Span::ZERO, operations),
        };
        let arrives = |car: &CarId| (car_known(world, *car), *car);
        floor.waiting.sort_by_key(|car| Reverse(arrives(car)));
        for (index, link) in truth.links.iter().enumerate() {
            floor.before[link.to].push(index);
            floor.after[link.from].push(index);
        }
        for id in truth.operations.keys() {
            floor.tail[id] = floor.tail_of(id, 0);
        }
        floor.take_over_facts();
        let known = truth.cars.keys().map(|car| car_known(world, car));
        let ready = truth.operations.values().flat_map(|operation| &operation.ready).map(|ready| ready.time);
        let people = truth.technicians.values().map(|person| person.calendar);
        let calendars = people.chain(truth.bays.values().map(|bay| bay.calendar));
        let mut calendars: Vec<_> = calendars.collect();
        calendars.sort_unstable();
        calendars.dedup();
        let opens = calendars.into_iter().flat_map(|id| truth.calendars[id].windows()).map(|window| window.start());
        let times: Vec<Time> = known.chain(ready).chain(opens).chain([truth.now]).collect();
        for time in times {
            floor.wake(time);
        }
        floor
    }

    fn take_over_facts(&mut self) {
        let truth = &self.world.truth;
        for (id, visit) in truth.visits.iter() {
            if let BayChoice::Entered(bay) = visit.bay {
                self.bays[id] = Some(bay);
            }
        }
        for (id, operation) in truth.operations.iter() {
            let Commitment::Started { start, end, technicians } = &operation.commitment else { continue };
            self.done[id] =
                Some(Assignment { start: *start, end: *end, technicians: technicians.clone(), overtime: false });
            for &person in technicians {
                self.busy[person] = self.busy[person].max(*end);
            }
            self.wake_after(id, *end);
        }
        for (id, visit) in truth.visits.iter() {
            if let BayChoice::Entered(bay) = visit.bay
                && !self.is_left(id)
            {
                self.holders[bay].push(id);
            }
        }
        let begun = |id: &VisitId| truth.operations_in(*id).iter().any(|&id| self.done[id].is_some());
        let together = self.holders.values().map(|all| all.iter().copied().filter(begun).collect::<Vec<_>>());
        self.stuck = together.filter(|all| all.len() > 1).flatten().collect();
    }

    /// Asks for another look at this time, if it is to come.
    pub(super) fn wake(&mut self, time: Time) {
        let time = time.ceil_to(self.world.truth.grid);
        if time >= self.now {
            self.events.push(Reverse(time));
        }
    }

    fn wake_after(&mut self, id: OperationId, end: Time) {
        self.wake(end);
        for index in 0..self.after[id].len() {
            self.wake(end + self.world.truth.links[self.after[id][index]].min_wait);
        }
        for change in 0..self.world.truth.changeovers.len() {
            self.wake(end + self.world.truth.changeovers[change].span);
        }
    }

    /// Lets the weeks pass under `policy`. Ends early if `stop` says so: then less has happened.
    pub fn run(&mut self, policy: &mut dyn Policy, stop: &dyn Stop) {
        while let Some(Reverse(time)) = self.events.pop() {
            if time >= self.world.truth.horizon || stop.should_stop() {
                break;
            }
            self.now = time;
            while self.events.peek().is_some_and(|next| next.0 <= time) {
                self.events.pop();
            }
            while self.waiting.last().is_some_and(|&car| car_known(self.world, car) <= time) {
                self.open.extend(self.waiting.pop());
            }
            let complete = |car: CarId| self.world.truth.operations_of(car).iter().all(|&id| self.has_ended(id));
            let open: Vec<CarId> = self.open.iter().copied().filter(|&car| !complete(car)).collect();
            self.open = open;
            if self.open.is_empty() && self.waiting.is_empty() || policy.has_seen_enough(self) {
                break;
            }
            for wish in policy.look(self, stop) {
                self.wake(wish);
            }
            while self.start_all(policy) {}
        }
    }

    /// Starts what can start now, in the order of the policy; tells whether anything did.
    fn start_all(&mut self, policy: &dyn Policy) -> bool {
        let mut turns = Vec::new();
        for &car in &self.open {
            for &id in self.world.truth.operations_of(car) {
                if self.done[id].is_some() || !self.is_ready(id) {
                    continue;
                }
                let hot = self.deadline(id);
                match (hot, policy.turn(self, id)) {
                    (Some(deadline), _) => turns.push((0, deadline.minutes(), id)),
                    (None, Some(rank)) => turns.push((1, rank, id)),
                    (None, None) => {}
                }
            }
        }
        turns.sort_unstable();
        let mut any = false;
        for (hot, _, id) in turns {
            any |= self.try_start(policy, id, hot == 0);
        }
        any
    }

    fn try_start(&mut self, policy: &dyn Policy, id: OperationId, hot: bool) -> bool {
        let truth = &self.world.truth;
        let operation = &truth.operations[id];
        if !self.has_equipment(id) || !policy.is_thought_through(self, id) && !self.gate_is_open(id) {
            return false;
        }
        if operation.visit.is_some_and(|visit| !self.is_alone(visit)) {
            return false;
        }
        let mut bay = None;
        if let Some(visit) = operation.visit
            && self.bays[visit].is_none()
        {
            bay = policy.bay(self, visit);
            if bay.is_none() {
                return false;
            }
        }
        let people = if operation.crew.is_empty() {
            if !self.is_same_person(id, &[]) {
                return false;
            }
            Vec::new()
        } else {
            match policy.crew(self, id, hot) {
                Some(people) => people,
                None => return false,
            }
        };
        let end = end_of(truth, id, self.now, &people);
        for &person in &people {
            self.busy[person] = end;
        }
        if let (Some(visit), Some(bay)) = (operation.visit, bay) {
            let left = self.holders[bay].iter().filter_map(|&before| Some((before, self.left_at(before)?)));
            self.last[bay] = left.max_by_key(|(_, time)| *time).or(self.last[bay]);
            self.holders[bay] = vec![visit];
            self.bays[visit] = Some(bay);
        }
        self.done[id] = Some(Assignment { start: self.now, end, technicians: people, overtime: false });
        self.wake_after(id, end);
        true
    }

    /// Returns what the time is.
    pub fn now(&self) -> Time {
        self.now
    }

    /// Tells whether an operation has ended.
    pub fn has_ended(&self, id: OperationId) -> bool {
        self.done[id].as_ref().is_some_and(|done| done.end <= self.now)
    }

    /// Returns since when an operation could have started for all that its car waits for; `None` if it still waits.
    pub fn ready_since(&self, id: OperationId) -> Option<Time> {
        let truth = &self.world.truth;
        let mut since = truth.operations[id].ready.iter().map(|ready| ready.time).max().unwrap_or(truth.now);
        for link in self.before[id].iter().map(|&index| &truth.links[index]) {
            let end = self.done[link.from].as_ref().map(|done| done.end).filter(|end| *end <= self.now)?;
            since = since.max(end + link.min_wait.max(Span::ZERO));
        }
        Some(since)
    }

    fn is_ready(&self, id: OperationId) -> bool {
        self.ready_since(id).is_some_and(|since| since <= self.now)
    }

    /// Returns by when an operation must start for a longest wait that runs already.
    fn deadline(&self, id: OperationId) -> Option<Time> {
        let links = self.before[id].iter().map(|&index| &self.world.truth.links[index]);
        let running = links.filter_map(|link| {
            let longest = link.max_wait.filter(|longest| *longest <= WATCHED)?;
            Some(self.done[link.from].as_ref()?.end + longest)
        });
        running.min()
    }

    /// Returns the booked work of an operation, and what was found at teardown.
    pub fn known_work(&self, id: OperationId) -> Span {
        let booked = &self.world.booked.operations[id];
        let apart = self.world.truth.operations_of(booked.car).iter().any(|&id| self.has_ended(id));
        if booked.crew.is_empty() || !apart || !self.world.damaged[booked.car] {
            return booked.work;
        }
        Span::from_minutes((booked.work.minutes() as f64 * (1.0 + self.world.hidden_work)).ceil() as i64)
    }

    /// Returns how long an operation is expected to take with these people.
    pub fn known_length(&self, id: OperationId, people: &[TechnicianId]) -> Span {
        let booked = &self.world.booked;
        let length = booked.duration(id, people).unwrap_or(booked.operations[id].work);
        let (work, known) = (booked.operations[id].work.minutes().max(1) as f64, self.known_work(id).minutes() as f64);
        Span::from_minutes((length.minutes() as f64 * known / work).ceil() as i64).ceil_to(booked.grid)
    }

    fn has_equipment(&self, id: OperationId) -> bool {
        let truth = &self.world.truth;
        truth.operations[id].equipment.iter().all(|&(pool, units)| {
            let ahead = self.known_length(id, &[]) + self.known_length(id, &[]);
            let soon = Window::new(self.now, self.now + ahead);
            let out = truth.equipment[pool]
                .outages
                .iter()
                .filter(|outage| soon.is_some_and(|soon| outage.window.overlaps(soon)));
            let out: u32 = out.map(|outage| outage.units).sum();
            let used =
                self.open.iter().flat_map(|&car| truth.operations_of(car)).filter(|other| self.is_running(**other));
            let used = used.flat_map(|&other| &truth.operations[other].equipment).filter(|(own, _)| *own == pool);
            let used: u32 = used.map(|(_, units)| units).sum();
            used + units + out <= truth.equipment[pool].capacity
        })
    }

    fn is_running(&self, id: OperationId) -> bool {
        self.done[id].as_ref().is_some_and(|done| done.start <= self.now && self.now < done.end)
    }

    /// Returns when an operation that has started is expected to end, as far as anybody knows.
    pub fn expected_end(&self, id: OperationId) -> Option<Time> {
        let done = self.done[id].as_ref()?;
        if done.end <= self.now || matches!(self.world.truth.operations[id].commitment, Commitment::Started { .. }) {
            return Some(done.end);
        }
        let booked = &self.world.booked;
        let expected = end_with(booked, id, done.start, &done.technicians, self.known_length(id, &done.technicians));
        let more = Span::from_minutes((self.known_work(id).minutes() / 5).max(1));
        // What is over its time needs a little longer, again and again.
        Some(if expected > self.now { expected } else { (self.now + more).ceil_to(booked.grid) })
    }

    /// Returns the earliest time that is known for a reason of waiting.
    pub(super) fn known_ready(&self, id: OperationId, index: usize) -> Time {
        let booked = &self.world.booked.operations[id].ready[index];
        let truth = &self.world.truth.operations[id].ready[index];
        let open = matches!(booked.reason, ReadyReason::Part(_) | ReadyReason::Approval(_));
        // That a part is late is known on the day on which it does not come.
        if open && booked.time <= self.now { truth.time } else { booked.time }
    }

    /// Tells whether something has not come on its day: then its new day is known, and is kept.
    pub(super) fn is_known_late(&self, id: OperationId, index: usize) -> bool {
        let booked = self.world.booked.operations[id].ready[index].time;
        booked <= self.now && self.known_ready(id, index) > booked
    }
}

/// Returns when a car becomes known: the shop's own orders at once, others when they come.
fn car_known(world: &World, car: CarId) -> Time {
    if car.index() < world.own { world.truth.now } else { world.truth.cars[car].arrival }
}

fn end_of(problem: &Problem, id: OperationId, start: Time, people: &[TechnicianId]) -> Time {
    let length = problem.duration(id, people).unwrap_or(problem.operations[id].work);
    end_with(problem, id, start, people, length)
}

/// Returns when work of this length ends by the hours of these people, with its pauses.
fn end_with(problem: &Problem, id: OperationId, start: Time, people: &[TechnicianId], length: Span) -> Time {
    let operation = &problem.operations[id];
    if operation.crew.is_empty() || !operation.interruptible {
        return start + length;
    }
    let all = Calendar::always(start, problem.horizon);
    let calendar = |person: &TechnicianId| &problem.calendars[problem.technicians[*person].calendar];
    let open = people.iter().fold(all, |open, person| open.intersection(calendar(person)));
    let mut left = length;
    for window in open.windows() {
        if left <= window.span() {
            return window.start() + left;
        }
        left = left - window.span();
    }
    problem.horizon + left
}
