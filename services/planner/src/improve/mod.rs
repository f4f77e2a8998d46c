//! Better plans by ruin and recreate: take some cars or parts of cars out, put them back in another order and with another
//! taste, keep the result if it is better or, by annealing, not much worse.
//!
//! Schrimpf et al. (2000), doi:10.1006/jcph.1999.6413; insertion with blinks after Christiaens and Vanden Berghe (2020),
//! doi:10.1287/trsc.2019.0914; annealing of Kirkpatrick, Gelatt and Vecchi (1983), doi:10.1126/science.220.4598.671.
//!
//! A move picks what is taken out (one file a move); [`recreate`] puts it back.

mod blockers;
mod critical;
mod later;
mod neighbours;
mod person;
mod recreate;
mod reorder;
mod suffix;
mod visit;
mod window;

use fitup_model::Cost;

use crate::compile::Compiled;
use crate::random::Random;
use crate::schedule::{Saved, Schedule, Snapshot};
use crate::stop::Stop;
use crate::switches::{Idea, Switches};

/// What a move takes out.
#[derive(Debug, Clone, Default)]
struct Ruin {
    /// Whole cars, in the order in which they were picked.
    cars: Vec<u32>,
    /// Other cars, which stay but become later where that costs nothing.
    later: Vec<u32>,
    /// Parts of other cars: the car, and the range of its operations in `operations`.
    parts: Vec<(u32, u32, u32)>,
    operations: Vec<u32>,
    /// By car: whether it is among the above.
    taken: Vec<bool>,
}

impl Ruin {
    fn clear(&mut self) {
        for &car in self.cars.iter().chain(&self.later) {
            self.taken[car as usize] = false;
        }
        for &(car, ..) in &self.parts {
            self.taken[car as usize] = false;
        }
        self.cars.clear();
        self.later.clear();
        self.parts.clear();
        self.operations.clear();
    }

    /// Adds a whole car, unless it is in already.
    fn add_car(&mut self, car: usize) {
        if !std::mem::replace(&mut self.taken[car], true) {
            self.cars.push(car as u32);
        }
    }
}

/// A move: picks what to take out of the current schedule; `false` if it finds nothing.
type Pick = fn(&mut Search) -> bool;

/// A move and how it has done.
#[derive(Debug, Clone, Copy)]
struct Move {
    pick: Pick,
    /// How often it is tried, against the others.
    weight: f64,
    counts: MoveCounts,
}

/// What came of a move.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct MoveCounts {
    /// Name of the move, that of its file.
    pub name: &'static str,
    /// Something was taken out.
    pub tried: u64,
    /// Not all of it found a place.
    pub failed: u64,
    /// The result was kept.
    pub kept: u64,
    /// The result was the best so far.
    pub best: u64,
}

/// How much a search may do in a round, and how far it cools down.
pub struct Budget<'s> {
    /// Asks whether to stop.
    pub stop: &'s dyn Stop,
    /// Iterations of this round at most.
    pub iterations: u64,
    /// What the temperature goes by.
    pub pace: Pace,
}

/// What the temperature goes by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// By iterations: the share of all of them that is done at the beginning and at the end of the round.
    Iterations {
        /// At the beginning.
        from: f64,
        /// At the end.
        to: f64,
    },
    /// By time: the round ends when this share of it is used.
    Time {
        /// The share.
        until: f64,
    },
}

/// One thread's search.
pub struct Search<'c> {
    compiled: &'c Compiled<'c>,
    schedule: Schedule<'c>,
    /// The best plan found by this search or given to it.
    pub best: Snapshot,
    moves: Vec<Move>,
    cost: Cost,
    outside: Cost,
    ruin: Ruin,
    saved: Saved,
    order: Vec<u32>,
    key: Vec<i32>,
    temperature: f64,
    /// Which cycle of annealing it is.
    cycle: u32,
    /// How far the first cycle is over when it begins.
    cooled: f64,
    /// Operations marked while a part is picked.
    marked: Vec<bool>,
    /// Only a few of the operations taken out change their places in the order.
    few: bool,
    /// An operation and its key in the order of what is put back.
    moved: Option<(u32, i32)>,
    /// Mean length of an operation, against that of usual work in a shop.
    scale: f64,
    /// See [`usual_delay`].
    usual_delay: f64,
    /// The first of the cars taken out is to be put back first.
    keep_first: bool,
    switches: Switches,
}

/// Hot and cold end of annealing, as shares of the mean price of a car.
const HOT: f64 = 0.1;
const COLD: f64 = 0.001;
/// And no less than so many usual delays.
const HOT_DELAYS: f64 = 3.0;
/// The same for a makespan, as shares of it.
const HOT_END: f64 = 0.05;
const COLD_END: f64 = 0.0015;
/// The first share of a budget is a whole cycle from hot to cold, so that there is a good plan early; the rest is so many
/// cycles, the first of them whole and each other from the best plan on, heated to what a cycle has after this share.
const FIRST_CYCLE: f64 = 0.1;
const CYCLES: u32 = 4;
const REHEAT: f64 = 0.3;
/// Where the first cycle begins that starts from a plan that was published.
const COOL: f64 = 0.6;
/// So often it is as hot as so many times the temperature, from and to, for one step: a car that misses the weekend costs
/// far more than any temperature at which the rest of a plan gets better.
const LEAP: f64 = 0.006;
const LEAP_HEAT: (f64, f64) = (10.0, 100.0);

impl<'c> Search<'c> {
    /// Returns a search that begins at `schedule`.
    pub fn new(mut schedule: Schedule<'c>, random: Random, switches: Switches) -> Search<'c> {
        let compiled = schedule.compiled;
        schedule.random = random;
        let cost = schedule.cost();
        let operations = compiled.operations.len();
        let best = schedule.snapshot(cost);
        let outside = schedule.outside_price();
        let entry = |idea: Idea, pick: Pick, weight| {
            let counts = MoveCounts { name: idea.name(), ..MoveCounts::default() };
            Move { pick, weight: if switches.uses(idea) { weight } else { 0.0 }, counts }
        };
        Search {
            compiled,
            schedule,
            best,
            moves: vec![
                entry(Idea::Neighbours, neighbours::pick, 1.0),
                entry(Idea::Blockers, blockers::pick, 0.4),
                entry(Idea::Later, later::pick, 0.3),
                entry(Idea::Suffix, suffix::pick, 0.3),
                entry(Idea::Visit, visit::pick, 0.2),
                entry(Idea::Window, window::pick, 0.2),
                entry(Idea::Person, person::pick, 0.2),
                entry(Idea::Reorder, reorder::pick, reorder_weight(compiled)),
                entry(Idea::Critical, critical::pick, critical_weight(compiled)),
            ],
            cost,
            outside,
            ruin: Ruin { taken: vec![false; compiled.cars.len()], ..Ruin::default() },
            saved: Saved::default(),
            order: Vec::with_capacity(operations),
            key: vec![0; operations],
            temperature: 0.0,
            cycle: 0,
            cooled: 0.0,
            marked: vec![false; operations],
            keep_first: false,
            few: false,
            moved: None,
            scale: scale(compiled),
            usual_delay: usual_delay(compiled),
            switches,
        }
    }

    /// Returns what came of each move so far.
    pub fn counts(&self) -> impl Iterator<Item = MoveCounts> + '_ {
        self.moves.iter().map(|own| own.counts)
    }

    /// Has the first cycle of annealing begin nearly cold: what it begins from is worth keeping.
    pub(crate) fn begin_cool(&mut self) {
        self.cooled = COOL;
    }

    /// Tells whether this is a time to go on from another search's plan: a new cycle of annealing, or after `late` of
    /// one; in between it would undo what the warmth is for.
    pub(crate) fn wants_plan(&self, used: f64, late: f64) -> bool {
        let (cycle, cooled) = cycle(used);
        cycle != self.cycle || cooled >= late
    }

    /// Goes on from `snapshot`.
    pub fn adopt(&mut self, snapshot: &Snapshot) {
        self.schedule.load(snapshot);
        self.cost = snapshot.cost;
        self.outside = self.schedule.outside_price();
        if snapshot.cost < self.best.cost {
            self.best.clone_from(snapshot);
        }
    }

    /// Searches for a round and returns the number of iterations done.
    pub fn run(&mut self, budget: &Budget) -> u64 {
        let movable = self.compiled.cars.iter().any(|car| !car.operations.is_empty() && car.impossible.is_none());
        if !movable || self.moves.iter().all(|own| own.weight <= 0.0) {
            return 0;
        }
        for iteration in 0..budget.iterations {
            if iteration % 16 == 0 {
                if budget.stop.should_stop() {
                    return iteration;
                }
                let used = match budget.pace {
                    Pace::Iterations { from, to } => from + (to - from) * iteration as f64 / budget.iterations as f64,
                    Pace::Time { until } => match budget.stop.used() {
                        used if used >= until => return iteration,
                        used => used,
                    },
                };
                self.cool(used);
            }
            self.step();
        }
        budget.iterations
    }

    /// Sets the temperature for when a share of the budget is used. A new cycle goes on from the best plan so far.
    fn cool(&mut self, used: f64) {
        let (cycle, cooled) = cycle(used);
        if std::mem::replace(&mut self.cycle, cycle) != cycle && self.best.cost < self.cost {
            let best = self.best.clone();
            self.adopt(&best);
        }
        let cooled = if cycle == 0 { self.cooled + (1.0 - self.cooled) * cooled } else { cooled };
        let cars = self.compiled.cars.len() as f64;
        self.temperature = if self.compiled.is_makespan() {
            self.best.cost as f64 * 4.0 * cars * HOT_END * (COLD_END / HOT_END).powf(cooled)
        } else {
            let price = self.best.cost as f64 / cars;
            let hot = (HOT * price).max(HOT_DELAYS * self.usual_delay).max(f64::MIN_POSITIVE);
            hot * (COLD * price / hot).powf(cooled)
        };
    }

    fn step(&mut self) {
        self.ruin.clear();
        self.keep_first = false;
        self.few = false;
        self.moved = None;
        let choice = self.choose();
        if !(self.moves[choice].pick)(self) {
            return;
        }
        self.moves[choice].counts.tried += 1;
        self.saved.clear();
        self.schedule.partial = !self.ruin.parts.is_empty();
        for position in 0..self.ruin.cars.len() {
            self.schedule.take_out(self.ruin.cars[position] as usize, &mut self.saved);
        }
        for position in 0..self.ruin.later.len() {
            let car = self.ruin.later[position] as usize;
            self.schedule.save(car, &mut self.saved);
            self.schedule.move_later(car);
        }
        for position in 0..self.ruin.parts.len() {
            let (car, from, until) = self.ruin.parts[position];
            let operations = &self.ruin.operations[from as usize..until as usize];
            self.schedule.take_out_part(car as usize, operations, &mut self.saved);
        }
        let allowed = self.allowed();
        self.hope_for(allowed);
        let placed = self.recreate();
        self.schedule.hope.most = Cost::MAX;
        if !placed {
            self.moves[choice].counts.failed += 1;
            self.schedule.put_back(&self.saved);
            return;
        }
        let before = self.saved.price();
        let mut after = 0;
        for position in 0..self.saved.len() {
            let car = self.saved.car(position);
            self.schedule.planned[car] = true;
            let price = self.schedule.car_price(car);
            self.schedule.price[car] = price;
            after += price;
        }
        let mut change = after - before;
        let mut cost = self.cost + change;
        let mut outside = self.outside;
        if self.compiled.is_makespan() {
            cost = self.schedule.cost();
            change += (cost - self.cost) * 4 * self.compiled.cars.len() as Cost;
        } else if self.schedule.has_outside() {
            outside = self.schedule.outside_price();
            change += outside - self.outside;
            cost += outside - self.outside;
        }
        if change > allowed {
            self.schedule.put_back(&self.saved);
            return;
        }
        self.moves[choice].counts.kept += 1;
        (self.cost, self.outside) = (cost, outside);
        if cost < self.best.cost {
            self.moves[choice].counts.best += 1;
            self.schedule.snapshot_into(cost, &mut self.best);
        }
    }

    /// Returns by how much dearer a plan may be and still be kept.
    fn allowed(&mut self) -> Cost {
        if !self.switches.uses(Idea::Annealing) {
            return 0;
        }
        let random = &mut self.schedule.random;
        let leaps = !self.compiled.is_makespan() && random.chance(LEAP) && self.switches.uses(Idea::Leaps);
        let heat = if leaps { LEAP_HEAT.0 * (LEAP_HEAT.1 / LEAP_HEAT.0).powf(random.unit()) } else { 1.0 };
        (-self.temperature * heat * random.unit().max(1e-300).ln()) as Cost
    }

    /// Has insertion give up as soon as what was taken out costs too much.
    fn hope_for(&mut self, allowed: Cost) {
        let plain = !self.compiled.is_makespan() && !self.schedule.has_outside();
        if !plain || !self.switches.uses(Idea::Hope) {
            return;
        }
        let hope = &mut self.schedule.hope;
        (hope.sum, hope.most) = (0, self.saved.price() + allowed);
        for position in 0..self.saved.len() {
            let car = self.saved.car(position);
            let stays = self.ruin.later.contains(&(car as u32));
            hope.least[car] = if stays { self.schedule.price[car] } else { self.compiled.cars[car].least };
            hope.sum += hope.least[car];
        }
    }

    fn choose(&mut self) -> usize {
        let total: f64 = self.moves.iter().map(|entry| entry.weight).sum();
        let mut left = self.schedule.random.unit() * total;
        let mut choice = 0;
        for (index, entry) in self.moves.iter().enumerate().filter(|(_, entry)| entry.weight > 0.0) {
            choice = index;
            left -= entry.weight;
            if left < 0.0 {
                break;
            }
        }
        choice
    }
}

/// Returns which cycle of annealing it is when a share of the budget is used, and how far that cycle has cooled.
pub(crate) fn cycle(used: f64) -> (u32, f64) {
    if used < FIRST_CYCLE {
        return (0, used / FIRST_CYCLE);
    }
    let position = ((used - FIRST_CYCLE) / (1.0 - FIRST_CYCLE)).min(1.0) * f64::from(CYCLES);
    let number = (position as u32).min(CYCLES - 1);
    let begins_at = if number == 0 { 0.0 } else { REHEAT };
    (1 + number, begins_at + (1.0 - begins_at) * (position - f64::from(number)))
}

/// Steps of usual work in a shop.
const USUAL_STEPS: f64 = 20.0;

/// Returns the mean length of an operation, against usual work.
fn scale(compiled: &Compiled) -> f64 {
    let lengths = compiled.operations.iter().map(|operation| operation.shortest).filter(|&length| length > 0);
    let (sum, count) = lengths.fold((0.0, 0.0), |(sum, count), length| (sum + f64::from(length), count + 1.0));
    if count > 0.0 { (sum / count / USUAL_STEPS).max(0.05) } else { 1.0 }
}

/// Returns what it costs on average if a late car waits for another, where cars are one operation each: there a move shifts
/// whole sequences, and costs far more than a car does where little is late. 0 of other shops.
fn usual_delay(compiled: &Compiled) -> f64 {
    let cars: Vec<_> = compiled.cars.iter().filter(|car| !car.operations.is_empty()).collect();
    if cars.iter().any(|car| car.operations.len() > 1) {
        return 0.0;
    }
    let weights: Cost = cars.iter().map(|car| car.late_weight + car.flow_weight).sum();
    let minutes = scale(compiled) * USUAL_STEPS * compiled.clock.minutes as f64;
    weights as f64 * minutes / cars.len().max(1) as f64
}

/// Returns how often the whole of a shop is reordered.
fn reorder_weight(compiled: &Compiled) -> f64 {
    match compiled.operations.len() {
        count if count > reorder::MOST => 0.0,
        _ if compiled.is_makespan() => 2.0,
        _ => 0.05,
    }
}

/// Returns how often critical operations are swapped.
fn critical_weight(compiled: &Compiled) -> f64 {
    if compiled.is_makespan() && compiled.operations.len() <= reorder::MOST { 5.0 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::construct;
    use crate::stop::Never;

    #[test]
    fn every_move_finds_something_to_do_and_its_counts_add_up() {
        let mut sums: Vec<MoveCounts> = Vec::new();
        for seed in 0..40 {
            let problem = crate::testing::problem(seed);
            let compiled = Compiled::new(&problem);
            let mut schedule = Schedule::new(&compiled, Random::new(seed, 0));
            construct::construct(&mut schedule, construct::RULES[0]);
            let mut search = Search::new(schedule, Random::new(seed, 1), Switches::default());
            let budget = Budget { stop: &Never, iterations: 200, pace: Pace::Iterations { from: 0.0, to: 1.0 } };
            search.run(&budget);
            for (position, own) in search.counts().enumerate() {
                assert!(own.failed + own.kept <= own.tried && own.best <= own.kept, "{own:?}");
                if sums.len() <= position {
                    sums.push(MoveCounts { name: own.name, ..MoveCounts::default() });
                }
                sums[position].kept += own.kept;
            }
        }
        let idle: Vec<_> = sums.iter().filter(|own| own.kept == 0).map(|own| own.name).collect();
        assert_eq!(idle, [""; 0]);
    }
}
