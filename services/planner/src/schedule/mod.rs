//! A plan under construction: who is where when, with every rule kept at every moment.
//!
//! Operations are placed one after another, each at its earliest place given what stands already ([`place`]); a whole
//! list of them is placed by [`Schedule::insert`], which goes back where longest waits or bays force it to. Taking out
//! and putting back exactly as it was is [`saved`].
//!
//! A visit that is not complete yet holds its bay up to the next visit in it, so that its other operations find room
//! ([`enter`]).

mod enter;
mod insert;
mod later;
mod outside;
mod place;
mod plan;
mod saved;
mod snapshot;

pub use saved::Saved;
pub use snapshot::Snapshot;

use fitup_model::Cost;

use crate::compile::price::{self, Times};
use crate::compile::{Compiled, NEVER, Step};
use crate::random::Random;
use crate::timeline::{FACT, Stock, Timeline};

/// What is known about a visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stay {
    /// First start of its operations and facts.
    pub start: Step,
    /// Last end.
    pub end: Step,
    /// Its bay.
    pub bay: u16,
    /// Operations placed.
    pub placed: u16,
    /// The interval it may grow to.
    lower: Step,
    upper: Step,
    /// What it takes of its bay at the moment.
    shown: Option<(Step, Step)>,
}

/// How choices are made while operations are placed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taste {
    /// Share of modes that are overlooked.
    pub blink: f64,
    /// Modes look up to so many steps worse than they are.
    pub noise: usize,
    /// Modes other than the one before look so many steps worse.
    pub bias: Step,
    /// Operations of a visit wait no longer than this for the one before them, where that can be helped: the visit begins
    /// later instead and leaves its bay to others.
    pub patience: Step,
    /// An operation that starts no earlier than this.
    pub delayed: Option<(u32, Step)>,
}

impl Taste {
    /// The earliest end, always.
    pub const PLAIN: Taste = Taste { blink: 0.0, noise: 0, bias: 0, patience: NEVER, delayed: None };
}

/// Whether cars that are being put back can still come to cost no more than they may.
#[derive(Debug, Clone)]
pub struct Hope {
    /// What each of these cars costs at least, as far as it is placed.
    pub least: Vec<Cost>,
    /// Sum of the above.
    pub sum: Cost,
    /// No more than this is of use in all.
    pub most: Cost,
}

/// A plan under construction.
#[derive(Debug, Clone)]
pub struct Schedule<'c> {
    /// The problem.
    pub compiled: &'c Compiled<'c>,
    /// Start of each operation that is placed.
    pub start: Vec<Step>,
    /// End of each operation that is placed.
    pub end: Vec<Step>,
    /// Mode of each operation that is placed.
    pub mode: Vec<u16>,
    /// Which operations are placed.
    pub placed: Vec<bool>,
    /// Visits.
    pub stays: Vec<Stay>,
    /// Which cars are planned.
    pub planned: Vec<bool>,
    /// Price of each car.
    pub price: Vec<Cost>,
    /// Occupation of technicians.
    pub people: Vec<Timeline>,
    /// Occupation of bays.
    pub bays: Vec<Timeline>,
    /// How choices are made.
    pub taste: Taste,
    /// Random numbers of the search.
    pub random: Random,
    stocks: Vec<Stock>,
    /// Earliest starts of this insertion, by operation.
    pub release: Vec<Step>,
    /// Least time in the bay in this insertion, by visit.
    span: Vec<Step>,
    /// Visits were taken out in part, so that several of a car may be growing.
    pub partial: bool,
    /// What the cars may cost that are being put back, and what is known about that.
    pub hope: Hope,
    bay_scratch: Vec<u16>,
    outside: outside::Outside,
}

impl<'c> Schedule<'c> {
    /// Returns a schedule with facts only.
    pub fn new(compiled: &'c Compiled<'c>, random: Random) -> Schedule<'c> {
        let operations = compiled.operations.len();
        let nowhere = Stay { start: NEVER, end: 0, bay: 0, placed: 0, lower: 0, upper: 0, shown: None };
        let mut schedule = Schedule {
            compiled,
            start: vec![0; operations],
            end: vec![0; operations],
            mode: vec![0; operations],
            placed: vec![false; operations],
            stays: vec![nowhere; compiled.visits.len()],
            planned: compiled.cars.iter().map(|car| car.operations.is_empty() && car.impossible.is_none()).collect(),
            price: vec![0; compiled.cars.len()],
            people: vec![Timeline::default(); compiled.busy_people.len()],
            bays: vec![Timeline::default(); compiled.bay_calendar.len()],
            taste: Taste::PLAIN,
            random,
            stocks: Vec::new(),
            release: vec![0; operations],
            span: vec![0; compiled.visits.len()],
            partial: false,
            hope: Hope { least: vec![0; compiled.cars.len()], sum: 0, most: Cost::MAX },
            bay_scratch: vec![0; compiled.visits.len()],
            outside: outside::Outside::new(compiled),
        };
        schedule.place_facts();
        for car in 0..compiled.cars.len() {
            schedule.price[car] = schedule.car_price(car);
        }
        schedule
    }

    fn place_facts(&mut self) {
        let compiled = self.compiled;
        for (timeline, busy) in self.people.iter_mut().zip(&compiled.busy_people) {
            for &(start, end) in busy {
                timeline.take(start, end, FACT);
            }
        }
        for pool in &compiled.pools {
            let mut stock = Stock::new(pool.capacity, compiled.clock.horizon);
            for &(start, end, pieces) in &pool.busy {
                stock.take(start, end, pieces);
            }
            self.stocks.push(stock);
        }
        let mut facts: Vec<((i64, i64), usize)> = Vec::new();
        for (index, visit) in compiled.visits.iter().enumerate() {
            if let Some(fact) = visit.fact
                && let Some(&(bay, _)) = compiled.choices_of(index).first()
            {
                let stay = &mut self.stays[index];
                (stay.start, stay.end, stay.bay) = (fact.start, fact.end, bay);
                facts.extend(self.stay_minutes(index).map(|minutes| (minutes, index)));
            }
        }
        facts.sort_unstable();
        // Facts may contradict one another: who came first holds the bay.
        for &(_, index) in &facts {
            let stay = self.stays[index];
            let before = self.bays[usize::from(stay.bay)].taken().last().map_or(Step::MIN, |taken| taken.end);
            let over = compiled.visits[index].fact.is_some_and(|fact| fact.over);
            let from = stay.start.max(before);
            if !over || self.awaits_more(index) {
                self.show(index, from, stay.end.max(from));
            }
        }
        for &(_, index) in &facts {
            if self.awaits_more(index) {
                self.reopen(index);
            }
        }
    }

    /// Tells whether a visit with facts has operations to come, of a car that can be planned.
    fn awaits_more(&self, visit: usize) -> bool {
        let data = &self.compiled.visits[visit];
        data.fact.is_some() && !data.operations.is_empty() && self.compiled.cars[data.car as usize].impossible.is_none()
    }

    /// Returns where everything is, for [`price`].
    pub fn times<'a>(&'a self, bays: &'a [u16]) -> Times<'a> {
        Times { start: &self.start, end: &self.end, mode: &self.mode, bay: bays }
    }

    /// Computes the price of a car as it stands.
    pub fn car_price(&mut self, car: usize) -> Cost {
        let compiled = self.compiled;
        if !self.planned[car] {
            return compiled.cars[car].left_out;
        }
        for &visit in &compiled.cars[car].visits {
            self.bay_scratch[visit as usize] = self.stays[visit as usize].bay;
        }
        let times = Times { start: &self.start, end: &self.end, mode: &self.mode, bay: &self.bay_scratch };
        price::of_car(compiled, car, times)
    }

    /// Returns when the last planned operation of a car ends.
    pub fn completion(&self, car: usize) -> Step {
        self.compiled.cars[car].operations.iter().map(|&index| self.end[index as usize]).max().unwrap_or(0)
    }

    /// Returns the cost of the whole, that of [`fitup_model::cost::cost`].
    pub fn cost(&mut self) -> Cost {
        if self.compiled.is_makespan() {
            return self.price.iter().copied().max().unwrap_or(0);
        }
        self.price.iter().sum::<Cost>() + self.outside_price()
    }
}
