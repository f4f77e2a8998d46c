//! Lower bounds: what no plan can be cheaper than.
//!
//! [`Bounder`] relaxes the capacity of people, bays and equipment in time buckets (Lagrangian relaxation, Geoffrion
//! (1974), doi:10.1007/BFb0120690; for schedules Fisher (1973), doi:10.1287/opre.21.5.1114). What is left falls apart
//! into cars, and each is a dynamic programme over time. For all multipliers `m >= 0`
//!
//! `bound(m) = sum over cars of min(cheapest timetable at prices m, price of leaving it out) - sum of m x capacity`
//!
//! is no more than the price of any plan: a plan keeps the relaxed capacities, so that it pays no more for its use than
//! the capacity is worth; and what the dynamic programme leaves out (links, same persons, changeovers, room outside)
//! only forbids plans or makes them dearer. Multipliers, prices and sums are integers, so that this holds exactly:
//! there is no rounding anywhere between the multipliers and the bound.
//!
//! **Windows.** Only plans cheaper than the best one known (the *target*) matter. Timetables of a car that already cost
//! the whole gap more than its cheapest one are in none of these, and are cut off. The bound then holds for all plans
//! cheaper than the target, and the target itself is the bound once nothing is left.
//!
//! Reading order: [`lattice`] (units), [`resources`], [`tree`] (cars), [`field`], [`pricing`] (the dynamic programme),
//! [`volume`] (how multipliers move), [`prices`] (what they say), [`certificate`] (the proof, to be checked).

pub mod certificate;
pub mod lattice;
pub mod prices;
pub mod remaining;

mod field;
mod pricing;
mod resources;
#[cfg(test)]
mod tests;
mod tree;
mod volume;

use fitup_model::Cost;

use crate::compile::{Compiled, Step};
use crate::stop::Stop;
use crate::switches::{Idea, Switches};
pub use certificate::Certificate;
use field::Field;
use lattice::{Lattice, SCALE};
pub use prices::{HourPrice, Prices, Scarce};
use pricing::{NO, Pricing, Scratch};
use resources::Resource;
use tree::Forest;
use volume::Volume;

/// Minutes of the first buckets; they are halved when they have given what they can.
const FIRST_BUCKET_MINUTES: i64 = 60;

/// Failures in a row after which strides become shorter: few at first; more, each time twice as many, when buckets can be
/// halved no more.
const FIRST_PATIENCE: u32 = 3;
const MOST_PATIENCE: u32 = 48;

/// Raises the lower bound of a problem, a few iterations at a time. Same calls, same bounds.
#[derive(Clone)]
pub struct Bounder<'c> {
    compiled: &'c Compiled<'c>,
    lattice: Lattice,
    resources: Vec<Resource>,
    forest: Forest,
    field: Field,
    scratch: Scratch,
    volume: Volume,
    bucket: Step,
    patience: u32,
    /// What holds for plans below `target`, in `1 / SCALE`.
    best: i64,
    /// Best of the present buckets; `None` before the first look.
    best_here: Option<i64>,
    /// Windows hold what plans cheaper than this need.
    target: Option<Cost>,
    /// `target - best` when windows were narrowed last.
    narrowed_at: i64,
    /// No plan cheaper than `target` is left.
    closed: bool,
    /// Cars that a plan cheaper than `target` can leave out.
    optional: Vec<bool>,
    used: Vec<i64>,
    trivial: Cost,
    works: bool,
    exhausted: bool,
    /// Windows are cut by price.
    narrows: bool,
}

/// One look at all cars.
struct Look {
    /// The bound, in `1 / SCALE`; [`NO`] if some car has no way left.
    value: i64,
}

/// Stopped in the middle of a look: nothing was learnt.
struct Stopped;

impl<'c> Bounder<'c> {
    /// Starts from the bound that every car has alone.
    pub fn new(compiled: &'c Compiled<'c>, switches: Switches) -> Bounder<'c> {
        let minutes = compiled.clock.minutes;
        let bucket = (FIRST_BUCKET_MINUTES / minutes).max(1) as Step;
        let works =
            switches.uses(Idea::Bound) && lattice::is_exact(compiled) && !compiled.is_makespan() && !compiled.truncated;
        let resources = if works { resources::resources(compiled, bucket) } else { Vec::new() };
        let forest = match works {
            true => Forest::new(compiled, &resources),
            false => Forest { trees: Vec::new(), combinations: Vec::new() },
        };
        let trivial = if compiled.truncated { 0 } else { compiled.trivial_bound() };
        Bounder {
            lattice: Lattice::new(compiled),
            volume: Volume::new(&resources, FIRST_PATIENCE),
            patience: FIRST_PATIENCE,
            resources,
            forest,
            field: Field::default(),
            scratch: Scratch::default(),
            bucket,
            best: trivial.saturating_mul(if works { SCALE } else { 1 }),
            best_here: None,
            target: None,
            narrowed_at: i64::MAX,
            closed: false,
            optional: vec![true; compiled.cars.len()],
            used: Vec::new(),
            trivial,
            works,
            exhausted: !works,
            narrows: switches.uses(Idea::Windows),
            compiled,
        }
    }

    /// Returns the bound: no plan costs less.
    pub fn bound(&self) -> Cost {
        if !self.works {
            return self.trivial;
        }
        let lattice = self.lattice.ceil(self.best.div_euclid(SCALE) + i64::from(self.best.rem_euclid(SCALE) != 0));
        match self.target {
            Some(target) if self.closed => target,
            Some(target) => lattice.min(target),
            None => lattice,
        }
    }

    /// Returns the lattice of prices.
    pub fn lattice(&self) -> Lattice {
        self.lattice
    }

    /// Tells whether there is more to learn than the bound that every car has alone.
    pub fn works(&self) -> bool {
        self.works
    }

    /// Tells whether further iterations gain nothing.
    pub fn is_exhausted(&self) -> bool {
        self.exhausted || self.closed
    }

    /// Returns how many ways to place operations the windows allow at most.
    pub fn most_ways(&self) -> usize {
        let last = self.compiled.clock.horizon;
        let ways = |node: &tree::Node, group: &tree::Group| {
            let calendar = &self.compiled.calendars[group.calendar as usize];
            let before = |step: Step| calendar.worked_before(step.clamp(0, last));
            (before(node.start.1 + 1) - before(node.start.0)).max(0) as usize * group.modes.len()
        };
        let nodes = self.forest.trees.iter().flat_map(|tree| &tree.nodes);
        nodes.map(|node| node.groups.iter().map(|group| ways(node, group)).sum::<usize>()).sum()
    }

    /// Tells whether no plan cheaper than the target is left.
    pub fn is_closed(&self) -> bool {
        self.closed
    }

    /// Does at most `iterations` looks; `target` is the price of the best plan known.
    pub fn advance(&mut self, target: Option<Cost>, iterations: u32, stop: &dyn Stop) {
        for _ in 0..iterations {
            if self.is_exhausted() || stop.should_stop() {
                return;
            }
            self.lower_target(target);
            let done = if self.wants_narrowing() { self.narrow(stop) } else { self.iterate(stop) };
            if done.is_err() {
                return;
            }
        }
    }

    fn lower_target(&mut self, target: Option<Cost>) {
        if let Some(target) = target
            && self.target.is_none_or(|before| target < before)
        {
            if self.target.is_none() && self.works {
                self.forest.limit(self.compiled, (target - self.trivial).max(0));
            }
            self.target = Some(target);
        }
    }

    /// Returns how much dearer than the bound a plan cheaper than the target can be, in `1 / SCALE`.
    fn slack(&self, bound: i64) -> i64 {
        self.target.map_or(NO, |target| self.lattice.below(target) * SCALE - bound)
    }

    fn wants_narrowing(&self) -> bool {
        if !self.narrows {
            return false;
        }
        let slack = self.slack(self.best_here.unwrap_or(NO));
        self.target.is_some() && self.best_here.is_some() && slack < self.narrowed_at - self.narrowed_at / 5
    }

    fn iterate(&mut self, stop: &dyn Stop) -> Result<(), Stopped> {
        if self.volume.has_begun() {
            let target = self.target.map_or(1.05 * self.best as f64, |target| (target * SCALE) as f64);
            self.volume.step(&mut self.resources, self.best_here.unwrap_or(self.best) as f64, target);
        }
        let look = self.look(stop, |_, _, _, _| ())?;
        if look.value >= NO {
            self.closed = self.target.is_some();
            self.exhausted = true;
            return Ok(());
        }
        let before = self.best_here.map_or(f64::NEG_INFINITY, |best| best as f64);
        self.volume.learn(&self.resources, &self.used, look.value as f64, before);
        self.best_here = Some(self.best_here.unwrap_or(look.value).max(look.value));
        self.raise(look.value);
        if self.volume.is_done() {
            self.refine();
        }
        Ok(())
    }

    fn raise(&mut self, value: i64) {
        self.best = self.best.max(value);
        self.closed |= self.target.is_some() && self.slack(self.best) < 0;
    }

    fn refine(&mut self) {
        self.volume.restore(&mut self.resources);
        if self.bucket <= 1 {
            self.patience *= 2;
            self.exhausted = self.patience > MOST_PATIENCE;
        } else {
            self.bucket = (self.bucket / 2).max(1);
            for resource in &mut self.resources {
                resource.refine(self.bucket);
            }
            self.best_here = None;
        }
        self.volume = Volume::new(&self.resources, self.patience);
    }

    /// Prices all cars at the present multipliers, and calls `and_then` with the tables of each and its price.
    fn look(
        &mut self,
        stop: &dyn Stop,
        mut and_then: impl FnMut(Pricing, usize, &mut tree::Tree, (i64, &mut Scratch)),
    ) -> Result<Look, Stopped> {
        self.field.fill(&self.resources, &self.forest.combinations);
        self.used.clear();
        self.used.resize(self.resources.iter().map(Resource::len).sum(), 0);
        let offsets: Vec<usize> = offsets(&self.resources);
        let pricing = Pricing { compiled: self.compiled, field: &self.field };
        let mut value = -self.resources.iter().map(Resource::worth).sum::<i64>();
        for (car, tree) in self.forest.trees.iter_mut().enumerate() {
            if stop.should_stop() {
                return Err(Stopped);
            }
            let left_out = if self.optional[car] { self.compiled.cars[car].left_out * SCALE } else { NO };
            let impossible = self.compiled.cars[car].impossible.is_some();
            let own = if impossible { NO } else { cheapest(pricing, car, tree, &mut self.scratch) };
            if own.min(left_out) >= NO {
                return Ok(Look { value: NO });
            }
            value += own.min(left_out);
            if own <= left_out {
                add_use(self.compiled, &self.resources, &offsets, tree, &self.scratch, &mut self.used);
            }
            and_then(pricing, car, tree, (own, &mut self.scratch));
        }
        Ok(Look { value })
    }

    /// Narrows the windows of all cars at the best multipliers.
    fn narrow(&mut self, stop: &dyn Stop) -> Result<(), Stopped> {
        self.volume.restore(&mut self.resources);
        let look = self.look(stop, |_, _, _, _| ())?;
        if look.value >= NO {
            (self.closed, self.exhausted) = (self.target.is_some(), true);
            return Ok(());
        }
        self.raise(look.value);
        self.best_here = Some(self.best_here.unwrap_or(look.value).max(look.value));
        let slack = self.slack(look.value);
        self.narrowed_at = slack;
        if slack < 0 {
            return Ok(());
        }
        let (mut optional, compiled) = (self.optional.clone(), self.compiled);
        let mut gone = false;
        self.look(stop, |pricing, car, tree, (own, scratch)| {
            let left_out = if optional[car] { compiled.cars[car].left_out * SCALE } else { NO };
            let limit = own.min(left_out) + slack;
            optional[car] &= left_out <= limit;
            let planned = own <= limit && (tree.nodes.is_empty() || pricing.narrow(car, tree, limit, scratch));
            if !planned {
                tree.completion = (1, 0);
                gone |= !optional[car];
            }
        })?;
        self.optional = optional;
        (self.closed, self.exhausted) = (self.closed || gone, self.exhausted || gone);
        Ok(())
    }
}

/// Returns the price of a car at its cheapest, planned.
fn cheapest(pricing: Pricing, car: usize, tree: &tree::Tree, scratch: &mut Scratch) -> i64 {
    if tree.nodes.is_empty() {
        // All of it has happened.
        scratch.placed.clear();
        return crate::compile::price::of_completion(pricing.compiled, car, Step::MIN / 2) * SCALE;
    }
    pricing.cheapest(car, tree, scratch)
}

/// Returns the position of the first bucket of each resource.
fn offsets(resources: &[Resource]) -> Vec<usize> {
    let mut sum = 0;
    resources
        .iter()
        .map(|resource| {
            sum += resource.len();
            sum - resource.len()
        })
        .collect()
}

/// Adds what the timetable in `scratch` uses of each bucket.
fn add_use(
    compiled: &Compiled,
    resources: &[Resource],
    offsets: &[usize],
    tree: &tree::Tree,
    scratch: &Scratch,
    used: &mut [i64],
) {
    let mut add = |resource: usize, start, end, units| {
        let own = &mut used[offsets[resource]..offsets[resource] + resources[resource].len()];
        resources[resource].add_use(start, end, units, own);
    };
    let people = compiled.busy_people.len();
    let first_pool = resources.len() - compiled.pools.len();
    let (mut first, mut last) = (Vec::new(), Vec::new());
    for placed in &scratch.placed {
        let operation = tree.nodes[placed.node as usize].operation as usize;
        let mode = &compiled.modes_of(operation)[usize::from(placed.mode)];
        for &person in compiled.people_of(mode) {
            add(usize::from(person), placed.start, placed.end, 1);
        }
        for &(pool, units) in compiled.needs_of(operation) {
            add(first_pool + usize::from(pool), placed.start, placed.end, i64::from(units));
        }
        for (number, stay) in tree.stays.iter().enumerate() {
            if stay.1 == placed.node {
                first.push((number, placed.start));
            }
            if stay.2 == placed.node {
                last.push((number, placed.end));
            }
        }
    }
    for (number, start) in first {
        let Some((_, end)) = last.iter().find(|(other, _)| *other == number) else { continue };
        let choices = resources::choices(compiled, tree.stays[number].0 as usize);
        for (index, resource) in resources.iter().enumerate().take(first_pool).skip(people) {
            if let resources::Kind::Bays(set) = &resource.kind
                && choices.iter().all(|bay| set.contains(bay))
            {
                add(index, start, *end, 1);
            }
        }
    }
}
