//! Where the time of a car goes: the chain of operations that decides its completion, walked backwards.

use jiff::{SignedDuration, Timestamp};

use crate::keyed::{BayId, CarId, EquipmentId, OperationId, TechnicianId};
use crate::plan::{Assignment, Plan};
use crate::problem::{Problem, ReadyReason};
use crate::time::{Span, Time};
use crate::timetable::DelayKind;

/// What a stretch of the chain goes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Cause {
    /// Work, pauses included.
    Work,
    /// An unattended operation, or a shortest wait.
    Cure,
    /// The part of this name.
    Part(String),
    /// The approval of this name.
    Approval(String),
    /// This bay, which the car has.
    Bay(BayId, CarId),
    /// This technician, who is on the car.
    Technician(TechnicianId, CarId),
    /// This equipment, which the car has among others.
    Equipment(EquipmentId, CarId),
    /// Nobody who could do it is at work.
    Closed,
    /// A time settled by hand.
    Settled,
    /// Anything else: it waits for something later.
    Other,
}

/// A stretch of the chain that decides when a car is complete.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChainDelay {
    /// What it goes to.
    pub cause: Cause,
    /// The operation that waits or is worked on.
    pub operation: OperationId,
    /// First minute.
    pub start: Time,
    /// The minute after the last.
    pub end: Time,
}

impl ChainDelay {
    /// Returns the delay in names and instants.
    pub fn named(&self, problem: &Problem, instant: impl Fn(Time) -> Timestamp) -> crate::timetable::Delay {
        let car = |car: &CarId| Some(problem.cars[*car].name.clone());
        let (kind, subject, holder) = match &self.cause {
            Cause::Work => (DelayKind::Work, None, None),
            Cause::Cure => (DelayKind::Cure, None, None),
            Cause::Part(id) => (DelayKind::Part, Some(id.clone()), None),
            Cause::Approval(id) => (DelayKind::Approval, Some(id.clone()), None),
            Cause::Bay(bay, by) => (DelayKind::Bay, Some(problem.bays[*bay].name.clone()), car(by)),
            Cause::Technician(id, by) => (DelayKind::Technician, Some(problem.technicians[*id].name.clone()), car(by)),
            Cause::Equipment(id, by) => (DelayKind::Equipment, Some(problem.equipment[*id].name.clone()), car(by)),
            Cause::Closed => (DelayKind::Closed, None, None),
            Cause::Settled => (DelayKind::Settled, None, None),
            Cause::Other => (DelayKind::Other, None, None),
        };
        let name = &problem.operations[self.operation].name;
        crate::timetable::Delay {
            kind,
            duration: SignedDuration::from_mins((self.end - self.start).minutes()),
            subject,
            holder,
            operation: name.split_once('/').map_or(name.as_str(), |(_, operation)| operation).to_owned(),
            until_time: instant(self.end),
        }
    }
}

/// Returns where the time of `car` goes from now on, the longest stretch first; empty if the car is left out.
///
/// From the last operation backwards: before each operation stands the link or readiness that allowed it last, and
/// between the two the time in which it could have started but for a bay, a person or equipment.
pub fn delays(problem: &Problem, plan: &Plan, car: CarId) -> Vec<ChainDelay> {
    let mut chain = Vec::new();
    let assigned = |id: OperationId| plan.operations[id].as_ref();
    let last = problem.operations_of(car).iter().copied().max_by_key(|&id| assigned(id).map(|a| (a.end, a.start)));
    let mut current = last.filter(|_| plan.completion(problem, car).is_some());
    while let Some(id) = current {
        let Some(assignment) = assigned(id).filter(|assignment| assignment.end > problem.now) else { break };
        let cause = if problem.operations[id].crew.is_empty() { Cause::Cure } else { Cause::Work };
        let start = assignment.start.max(problem.now);
        chain.push(ChainDelay { cause, operation: id, start, end: assignment.end });
        let before = last_link(problem, plan, id);
        let mut stretch = Vec::new();
        let allowed = push_readiness(problem, id, before.map(|(_, time)| time), start, &mut stretch);
        if let Some(own) = push_wait(problem, plan, id, assignment, allowed, &mut stretch) {
            chain.extend(stretch.into_iter().filter(|delay| delay.start >= own.1));
            current = Some(own.0);
            continue;
        }
        chain.append(&mut stretch);
        if let Some((from, allowed)) = before
            && let Some(end) = assigned(from).map(|a| a.end.max(problem.now))
            && end < allowed
        {
            chain.push(ChainDelay { cause: Cause::Cure, operation: id, start: end, end: allowed.min(start) });
        }
        current = before.map(|(from, _)| from);
    }
    // Facts may overlap what comes after them by links: the later stretch counts.
    chain.sort_by_key(|delay| (delay.start, delay.end));
    for index in (1..chain.len()).rev() {
        chain[index - 1].end = chain[index - 1].end.min(chain[index].start);
    }
    chain.retain(|delay| delay.start < delay.end);
    chain.sort_by_key(|delay| (-(delay.end - delay.start), delay.start));
    chain
}

/// Returns the operation before `id` whose link allows it last, and from when on.
fn last_link(problem: &Problem, plan: &Plan, id: OperationId) -> Option<(OperationId, Time)> {
    let before = problem.links.iter().filter(|link| link.to == id);
    let allowed = before.filter_map(|link| Some((link.from, plan.operations[link.from].as_ref()?.end + link.min_wait)));
    allowed.max_by_key(|(_, time)| *time)
}

/// Notes the time between the last link and readiness, and returns when the operation was allowed to start.
fn push_readiness(
    problem: &Problem,
    id: OperationId,
    linked: Option<Time>,
    start: Time,
    chain: &mut Vec<ChainDelay>,
) -> Time {
    let linked = linked.unwrap_or(problem.now).max(problem.now).min(start);
    let last = problem.operations[id].ready.iter().max_by_key(|ready| ready.time);
    let Some(ready) = last.filter(|ready| ready.time > linked) else { return linked };
    let cause = match &ready.reason {
        // The car's own time starts with its arrival.
        ReadyReason::Arrival => return ready.time.min(start),
        ReadyReason::Part(id) => Cause::Part(id.clone()),
        ReadyReason::Approval(id) => Cause::Approval(id.clone()),
        ReadyReason::NotBefore => Cause::Settled,
    };
    chain.push(ChainDelay { cause, operation: id, start: linked, end: ready.time.min(start) });
    ready.time.min(start)
}

/// Notes what the operation waited for between `allowed` and its start: what got free last before it. If the car itself
/// held that, returns the operation that did, and until when: the chain then goes on through it.
fn push_wait(
    problem: &Problem,
    plan: &Plan,
    id: OperationId,
    assignment: &Assignment,
    allowed: Time,
    chain: &mut Vec<ChainDelay>,
) -> Option<(OperationId, Time)> {
    let start = assignment.start;
    if allowed >= start {
        return None;
    }
    let mut note = |cause: Cause, start: Time, end: Time| chain.push(ChainDelay { cause, operation: id, start, end });
    let pinned = matches!(
        problem.operations[id].commitment,
        crate::problem::Commitment::Pinned { start: Some(_), .. } | crate::problem::Commitment::Started { .. }
    );
    if pinned {
        note(Cause::Settled, allowed, start);
        return None;
    }
    let holders = holders(problem, plan, id, assignment, allowed);
    let last = holders.into_iter().max_by_key(|holder| (holder.freed, problem.operations[holder.by].car));
    let free_from = last.as_ref().map_or(allowed, |holder| holder.freed);
    if free_from < start {
        let cause = if off_work(problem, id, assignment, free_from) { Cause::Closed } else { Cause::Other };
        note(cause, free_from, start);
    }
    let holder = last?;
    if problem.operations[holder.by].car == problem.operations[id].car {
        return Some((holder.by, holder.freed));
    }
    note(holder.cause, allowed, holder.freed);
    None
}

/// Tells whether the crew could not have started at `from` by their calendars: one of them is off then, or goes off too
/// soon for work that must not stop.
fn off_work(problem: &Problem, id: OperationId, assignment: &Assignment, from: Time) -> bool {
    let needed = match problem.duration(id, &assignment.technicians) {
        Some(duration) if !problem.operations[id].interruptible => duration,
        _ => Span::from_minutes(1),
    };
    assignment.technicians.iter().any(|&id| {
        let technician = &problem.technicians[id];
        let calendar = technician.with_overtime.filter(|_| assignment.overtime).unwrap_or(technician.calendar);
        let open = &problem.calendars[calendar];
        open.window_at(from).is_none_or(|window| window.end() < from + needed)
    })
}

/// What held back an operation.
struct Holder {
    cause: Cause,
    /// When it let go.
    freed: Time,
    /// The operation that held it to the end.
    by: OperationId,
}

/// Returns what other operations held of what this one needs and let go of after `allowed`.
fn holders(problem: &Problem, plan: &Plan, id: OperationId, assignment: &Assignment, allowed: Time) -> Vec<Holder> {
    let start = assignment.start;
    let mut found = Vec::new();
    let freed = |end: Time| allowed < end && end <= start;
    for (other, others) in plan.operations.iter().filter_map(|(other, a)| Some((other, a.as_ref()?))) {
        if other == id || !freed(others.end) {
            continue;
        }
        let car = problem.operations[other].car;
        for person in assignment.technicians.iter().filter(|person| others.technicians.contains(person)) {
            found.push(Holder { cause: Cause::Technician(*person, car), freed: others.end, by: other });
        }
        for (pool, _) in &problem.operations[id].equipment {
            let shares = problem.operations[other].equipment.iter().any(|(used, _)| used == pool);
            if shares && problem.equipment[*pool].capacity <= used_before(problem, plan, *pool, start) {
                found.push(Holder { cause: Cause::Equipment(*pool, car), freed: others.end, by: other });
            }
        }
    }
    let Some(visit) = problem.operations[id].visit else { return found };
    let enters = plan.occupation(problem, visit).is_some_and(|stay| stay.start() == start);
    for (other, bay) in plan.bays.iter().filter(|(other, _)| enters && *other != visit) {
        let Some(stay) = plan.occupation(problem, other).filter(|stay| freed(stay.end())) else { continue };
        let car = problem.visits[other].car;
        let end = |id: &OperationId| plan.operations[*id].as_ref().map(|assignment| assignment.end);
        let last = problem.operations_in(other).iter().copied().max_by_key(end).expect("a visit has an operation");
        if let Some(bay) = bay.filter(|_| *bay == plan.bays[visit]) {
            let freed = (stay.end() + problem.changeover(other, visit)).min(start);
            found.push(Holder { cause: Cause::Bay(bay, car), freed, by: last });
        }
    }
    found
}

/// Returns how many pieces of `pool` were in use, or out of service, in the minute before `time`.
fn used_before(problem: &Problem, plan: &Plan, pool: EquipmentId, time: Time) -> u32 {
    let at = time - Span::from_minutes(1);
    let holds = |id: OperationId| plan.operations[id].as_ref().is_some_and(|a| a.start <= at && at < a.end);
    let users = problem.operations.iter().filter(|(id, _)| holds(*id));
    let used: u32 = users.flat_map(|(_, o)| &o.equipment).filter(|(used, _)| *used == pool).map(|(_, n)| n).sum();
    let out = problem.equipment[pool].outages.iter().filter(|o| o.window.start() <= at && at < o.window.end());
    used + out.map(|outage| outage.units).sum::<u32>()
}
