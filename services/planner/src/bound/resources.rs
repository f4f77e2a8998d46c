//! What is scarce, in time buckets: people, sets of bays and pools of equipment, with a price for each bucket.

use super::lattice::SCALE;
use crate::compile::{Compiled, Step};

/// What a resource is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Kind {
    /// A technician, by index.
    Person(u16),
    /// Bays, by index, ascending. Counted are the visits that can take no other bay than these.
    Bays(Vec<u16>),
    /// A pool of equipment, by index.
    Pool(u16),
}

/// A resource whose capacity is relaxed, in buckets.
///
/// The relaxed rule: in each bucket no more unit-steps are used than there are. It follows from the rule of the plan,
/// which holds in every step, so that what is cheapest under it costs no more than any plan.
#[derive(Debug, Clone)]
pub(super) struct Resource {
    pub kind: Kind,
    /// Free units in each step.
    free: Vec<u16>,
    /// First step of each bucket, and the horizon at the end.
    pub edges: Vec<Step>,
    /// Bucket of each step.
    bucket_of: Vec<u32>,
    /// Unit-steps of each bucket.
    pub capacity: Vec<i64>,
    /// Price of a unit-step in each bucket, in `1 / SCALE`; never negative.
    pub multiplier: Vec<i64>,
    /// Steps that are closed for all who could use it; buckets do not reach over an opening.
    closed: Vec<bool>,
}

impl Resource {
    fn new(kind: Kind, free: Vec<u16>, closed: Vec<bool>, bucket: Step) -> Resource {
        let mut resource = Resource {
            kind,
            free,
            edges: Vec::new(),
            bucket_of: Vec::new(),
            capacity: Vec::new(),
            multiplier: Vec::new(),
            closed,
        };
        resource.cut(bucket, &[]);
        resource
    }

    /// Cuts time into buckets of at most `bucket` open steps, each of one capacity; closed stretches stay whole.
    /// `before` is the price of each step.
    fn cut(&mut self, bucket: Step, before: &[i64]) {
        let horizon = self.free.len();
        self.edges.clear();
        for step in 0..horizon {
            let changes = step == 0
                || self.free[step] != self.free[step - 1]
                || self.closed[step] != self.closed[step - 1]
                || !self.closed[step] && step as Step - self.edges.last().copied().unwrap_or(0) >= bucket;
            if changes {
                self.edges.push(step as Step);
            }
        }
        self.edges.push(horizon as Step);
        self.bucket_of = vec![0; horizon];
        (self.capacity, self.multiplier) = (Vec::new(), Vec::new());
        for (number, edge) in self.edges.windows(2).enumerate() {
            let (from, until) = (edge[0] as usize, edge[1] as usize);
            self.bucket_of[from..until].fill(number as u32);
            self.capacity.push(self.free[from..until].iter().map(|&free| i64::from(free)).sum());
            self.multiplier.push(before.get(from).copied().unwrap_or(0));
        }
    }

    /// Cuts buckets anew; every step keeps its price.
    pub fn refine(&mut self, bucket: Step) {
        let before: Vec<i64> = self.bucket_of.iter().map(|&bucket| self.multiplier[bucket as usize]).collect();
        self.cut(bucket, &before);
    }

    /// Returns the free units in each step.
    pub fn free(&self) -> &[u16] {
        &self.free
    }

    /// Returns the number of buckets.
    pub fn len(&self) -> usize {
        self.capacity.len()
    }

    /// Adds up the price of one unit from the start to each step: `into[t]` for `[0, t)`.
    pub fn prefix(&self, into: &mut Vec<i64>) {
        into.clear();
        into.push(0);
        let mut sum = 0;
        for (edge, &multiplier) in self.edges.windows(2).zip(&self.multiplier) {
            for _ in edge[0]..edge[1] {
                sum += multiplier;
                into.push(sum);
            }
        }
    }

    /// Adds `units` over `[start, end)` to the unit-steps used in each bucket.
    pub fn add_use(&self, start: Step, end: Step, units: i64, used: &mut [i64]) {
        if start >= end {
            return;
        }
        let mut bucket = self.bucket_of[start as usize] as usize;
        let mut from = start;
        while from < end {
            let until = end.min(self.edges[bucket + 1]);
            used[bucket] += units * i64::from(until - from);
            from = until;
            bucket += 1;
        }
    }

    /// Returns the value of all capacity at the multipliers, in `1 / SCALE`.
    pub fn worth(&self) -> i64 {
        self.capacity.iter().zip(&self.multiplier).map(|(capacity, multiplier)| capacity * multiplier).sum()
    }

    /// Returns the mean price of a unit-step that is open in `[from, until)`, and the number of open steps.
    pub fn mean_price(&self, from: Step, until: Step) -> (f64, Step) {
        let (mut sum, mut open) = (0i64, 0);
        for step in from.max(0)..until.min(self.free.len() as Step) {
            let units = i64::from(self.free[step as usize]);
            if !self.closed[step as usize] && units > 0 {
                sum += self.multiplier[self.bucket_of[step as usize] as usize];
                open += 1;
            }
        }
        if open == 0 { (0.0, 0) } else { (sum as f64 / f64::from(open) / SCALE as f64, open) }
    }
}

/// Returns the resources of a problem: people, then sets of bays, then pools, each in buckets of `bucket` steps.
pub(super) fn resources(compiled: &Compiled, bucket: Step) -> Vec<Resource> {
    let shut = shut(compiled);
    let mut resources = Vec::new();
    for person in 0..compiled.busy_people.len() {
        resources.push(person_resource(compiled, person, bucket));
    }
    for set in bay_sets(compiled) {
        let free = free_bays(compiled, &set);
        resources.push(Resource::new(Kind::Bays(set), free, shut.clone(), bucket));
    }
    for (number, pool) in compiled.pools.iter().enumerate() {
        let mut free = vec![i32::from(pool.capacity); compiled.clock.horizon as usize];
        for &(start, end, pieces) in &pool.busy {
            for step in start.max(0)..end.min(compiled.clock.horizon) {
                free[step as usize] -= i32::from(pieces);
            }
        }
        let free = free.into_iter().map(|free| free.max(0) as u16).collect();
        resources.push(Resource::new(Kind::Pool(number as u16), free, shut.clone(), bucket));
    }
    resources
}

fn person_resource(compiled: &Compiled, person: usize, bucket: Step) -> Resource {
    let horizon = compiled.clock.horizon as usize;
    let mut closed = vec![true; horizon];
    let mut calendars: Vec<u32> = Vec::new();
    for operation in 0..compiled.operations.len() {
        for mode in compiled.modes_of(operation) {
            if compiled.people_of(mode).contains(&(person as u16)) && !calendars.contains(&mode.calendar) {
                calendars.push(mode.calendar);
            }
        }
    }
    for calendar in calendars {
        for &step in compiled.calendars[calendar as usize].open_steps() {
            closed[step as usize] = false;
        }
    }
    let mut free = vec![1u16; horizon];
    for &(start, end) in &compiled.busy_people[person] {
        let (start, end) = (start.max(0) as usize, (end.max(0) as usize).min(horizon));
        free[start.min(end)..end].fill(0);
    }
    Resource::new(Kind::Person(person as u16), free, closed, bucket)
}

/// Returns the steps in which no crew works.
fn shut(compiled: &Compiled) -> Vec<bool> {
    let mut shut = vec![true; compiled.clock.horizon as usize];
    let mut calendars: Vec<u32> = (0..compiled.operations.len())
        .flat_map(|operation| compiled.modes_of(operation))
        .filter(|mode| !mode.people.is_empty())
        .map(|mode| mode.calendar)
        .collect();
    calendars.sort_unstable();
    calendars.dedup();
    for calendar in calendars {
        for &step in compiled.calendars[calendar as usize].open_steps() {
            shut[step as usize] = false;
        }
    }
    shut
}

/// No more sets of bays than this are looked at.
const MOST_SETS: usize = 24;

/// Returns the sets of bays that visits choose from, and unions of those that overlap.
fn bay_sets(compiled: &Compiled) -> Vec<Vec<u16>> {
    let mut sets: Vec<Vec<u16>> = Vec::new();
    for visit in 0..compiled.visits.len() {
        if compiled.visits[visit].operations.is_empty() {
            continue;
        }
        let set = choices(compiled, visit);
        if !set.is_empty() && !sets.contains(&set) && sets.len() < MOST_SETS {
            sets.push(set);
        }
    }
    let mut next = 0;
    while next < sets.len() {
        for other in 0..next {
            let overlap = sets[next].iter().any(|bay| sets[other].contains(bay));
            let mut union = [sets[next].clone(), sets[other].clone()].concat();
            union.sort_unstable();
            union.dedup();
            if overlap && !sets.contains(&union) && sets.len() < MOST_SETS {
                sets.push(union);
            }
        }
        next += 1;
    }
    sets
}

/// Returns the bays that a visit can take, ascending.
pub(super) fn choices(compiled: &Compiled, visit: usize) -> Vec<u16> {
    let mut set: Vec<u16> = compiled.choices_of(visit).iter().map(|(bay, _)| *bay).collect();
    set.sort_unstable();
    set.dedup();
    set
}

/// Returns how many bays of `set` can hold a planned visit, in each step.
///
/// A bay that is closed counts if some visit need not ask for its hours; one in which something settled stands does not.
fn free_bays(compiled: &Compiled, set: &[u16]) -> Vec<u16> {
    let horizon = compiled.clock.horizon as usize;
    let mut free = vec![0u16; horizon];
    for &bay in set {
        let needs_hours = (0..compiled.visits.len()).all(|visit| {
            compiled.visits[visit].keeps_hours || compiled.choices_of(visit).iter().all(|(other, _)| *other != bay)
        });
        let mut held = vec![false; horizon];
        for (visit, data) in compiled.visits.iter().enumerate() {
            if let Some(fact) = data.fact.filter(|fact| !fact.over && data.operations.is_empty())
                && compiled.choices_of(visit).first().is_some_and(|(other, _)| *other == bay)
            {
                let within = |step: Step| step.clamp(0, horizon as Step) as usize;
                held[within(fact.start)..within(fact.end)].fill(true);
            }
        }
        let calendar = &compiled.calendars[compiled.bay_calendar[usize::from(bay)] as usize];
        for (step, free) in free.iter_mut().enumerate().filter(|(step, _)| !held[*step]) {
            *free += u16::from(!needs_hours || calendar.is_open(step as Step));
        }
    }
    free
}
