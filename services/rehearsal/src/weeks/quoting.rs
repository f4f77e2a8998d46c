//! The desk of a rehearsed shop: a car is quoted when it comes, by what is known then, and taken in with a promise.

use fitup_model::keyed::{CarId, Key};
use fitup_model::{Span, Time};

use super::floor::Floor;
use super::known::{Intent, Known, Promises};
use super::world::World;
use crate::calibration::{self, Said};
use crate::quote::{self, quote};
use crate::told;
use crate::trade::{self, Trade};

/// One of the dates of a quote.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// Met in half of the cases.
    Likely,
    /// In 80 of 100.
    P80,
    /// In 95 of 100.
    Safe,
}

impl Level {
    /// All of them, the earliest date first.
    pub const ALL: [Level; 3] = [Level::Likely, Level::P80, Level::Safe];

    /// Returns in which share of the cases the date is to be met.
    pub fn share(self) -> f64 {
        calibration::SHARES[self as usize]
    }
}

/// How cars are quoted in a rehearsal.
#[derive(Debug, Clone, PartialEq)]
pub struct Quoting {
    /// How a quote is made. Its chances may be others than those of the world, as a shop may be wrong about itself.
    pub policy: quote::Policy,
    /// Which date is promised.
    pub promised: Level,
    /// The trade that is expected; `None` quotes as if no other car came.
    pub trade: Option<Trade>,
    /// The step by which dates learn from those before, [`calibration::STEP`]; `None` tells them as the futures have them.
    pub learn: Option<f64>,
}

/// What a car was told, and what became of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Told {
    /// Which car of the world.
    pub car: CarId,
    /// When it came and was quoted.
    pub at: Time,
    /// Cars that were open then, itself not counted.
    pub open: usize,
    /// The dates as the futures have them, by [`Level`]; `None` if there is none before the horizon.
    pub futures: [Option<Time>; 3],
    /// The dates it was told, by [`Level`]; `None` if there was none before the horizon.
    pub dates: [Option<Time>; 3],
    /// When it would have been complete by plan.
    pub earliest: Option<Time>,
    /// When it was complete; `None` if it was not when the weeks ended.
    pub complete: Option<Time>,
}

/// Quotes, and keeps what was told.
#[derive(Debug)]
pub struct Desk {
    quoting: Quoting,
    until: Time,
    told: Vec<Told>,
    promises: Promises,
}

impl Desk {
    /// Returns the desk at the start of the weeks. It wants to see what becomes of the cars that come before `until`.
    pub fn new(world: &World, quoting: Quoting, until: Time) -> Desk {
        let come = world.booked().cars.keys().filter(|car| car.index() >= world.own);
        Desk { quoting, until, told: Vec::new(), promises: come.map(|car| (car, None)).collect() }
    }

    /// Returns what cars are promised. Who has not asked yet is promised nothing.
    pub fn promises(&self) -> &Promises {
        &self.promises
    }

    /// Returns what cars were told, in the order in which they came.
    pub fn told(&self) -> &[Told] {
        &self.told
    }

    /// Writes down which cars have become complete.
    pub fn take_note(&mut self, floor: &Floor) {
        for told in self.told.iter_mut().filter(|told| told.complete.is_none()) {
            told.complete = floor.completion(told.car).filter(|end| *end <= floor.now());
        }
    }

    /// Returns the cars that have come since the last quote.
    pub fn asking(&self, floor: &Floor) -> Vec<CarId> {
        let new = |car: &CarId| car.index() >= floor.world.own && self.told.iter().all(|told| told.car != *car);
        floor.open.iter().copied().filter(new).collect()
    }

    /// Quotes for a car by what is known, and takes it in: its place in the plan becomes part of the intent.
    pub fn quote(&mut self, floor: &Floor, car: CarId, known: &Known, intent: &mut Intent) {
        let Some(key) = known.car(car) else { return };
        // Other futures for each quote: what they have in common by chance would be a luck that all quotes share.
        let seed = self.quoting.policy.seed.wrapping_add(self.told.len() as u64);
        let policy = quote::Policy { seed, ..self.quoting.policy.clone() };
        let found = quote(&known.problem, &known.plan(intent), key, &policy).ok();
        let mut futures = found.as_ref().map_or([None; 3], |quote| [quote.likely, quote.p80, quote.safe]);
        if let (Some(quote), Some(trade)) = (&found, &self.quoting.trade) {
            let like = |like: CarId| self.lead(floor, like);
            let promise = futures[self.quoting.promised as usize];
            let kinds = trade::Kinds { problem: floor.world.booked(), count: floor.world.own, lead: &like };
            if let Ok(found) = trade::dates(&known.problem, quote, key, promise, &policy, trade, &kinds) {
                futures = found;
            }
        }
        if let Some(quote) = &found {
            known.intend(&quote.plan, intent);
        }
        let said = |told: &Told| Said { at: told.at, futures: told.futures, complete: told.complete };
        let past: Vec<Said> = self.told.iter().map(said).collect();
        let dates = told::dates(&known.problem, &past, futures, self.quoting.learn);
        self.promises.insert(car, dates[self.quoting.promised as usize]);
        self.told.push(Told {
            car,
            at: floor.now(),
            open: floor.open.len() - 1,
            futures,
            dates,
            earliest: found.map(|quote| quote.earliest),
            complete: None,
        });
    }

    /// Returns how long after its coming a car like `like` is promised: as the last one was, or as the order of it says.
    fn lead(&self, floor: &Floor, like: CarId) -> Option<Span> {
        let last = self.told.iter().rev().filter(|told| floor.world.like(told.car) == like);
        let last = last.filter_map(|told| Some(told.dates[self.quoting.promised as usize]? - told.at)).next();
        let car = &floor.world.booked().cars[like];
        last.or(car.promise.map(|promise| promise - car.arrival))
    }

    /// Tells whether all cars are complete that came before `until`.
    pub fn has_seen_enough(&self, floor: &Floor) -> bool {
        floor.now() >= self.until
            && self.told.iter().filter(|told| told.at < self.until).all(|told| told.complete.is_some())
    }
}
