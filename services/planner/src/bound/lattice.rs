//! The prices that plans can have at all, and the units of the bound.

use crate::compile::{Compiled, Step, price};
use fitup_model::Cost;

/// Prices inside the bound are integers in units of `1 / SCALE`, so that multipliers are fine enough and every sum is
/// exact.
pub(super) const SCALE: i64 = 256;

/// No sum inside the bound is larger than this.
const LARGEST: i64 = 1 << 60;

/// Numbers that differ from [`Lattice::offset`] by multiples of [`Lattice::step`]: every plan's price is one of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lattice {
    /// At least 1.
    pub step: Cost,
    /// One of the numbers.
    pub offset: Cost,
}

impl Lattice {
    /// Returns the lattice of the prices of all plans of a problem.
    ///
    /// Completions are whole steps, so the price of a car moves by its weights times the minutes of a step; what else
    /// is paid moves by the greatest common divisor of what it can cost.
    pub fn new(compiled: &Compiled) -> Lattice {
        let mut lattice = Lattice { step: 0, offset: 0 };
        let minutes = compiled.clock.minutes;
        if compiled.is_makespan() {
            let facts = compiled.cars.iter().any(|car| car.fact_end > i64::MIN);
            let step = if facts { 1 } else { divisor(minutes, compiled.problem.left_out_price - compiled.clock.base) };
            return Lattice { step: step.max(1), offset: compiled.clock.base };
        }
        for (index, car) in compiled.cars.iter().enumerate() {
            let last = compiled.clock.horizon;
            let price = if car.operations.is_empty() { car.sunk } else { price::of_completion(compiled, index, last) };
            lattice.offset += price;
            if car.operations.is_empty() || car.fact_end > i64::MIN {
                // Facts need not lie on the grid.
                let fixed = divisor(car.flow_weight, car.late_weight);
                lattice.add(if car.operations.is_empty() { 1 } else { fixed });
            }
            lattice.add(car.flow_weight * minutes);
            lattice.add(car.late_weight * minutes);
            if car.promise < i64::MAX {
                lattice.add(car.late_weight * (car.promise - compiled.clock.base));
            }
            // A completion before the arrival costs no flow.
            lattice.add(car.flow_weight * (car.arrival - compiled.clock.base));
            lattice.add(car.left_out - price);
        }
        let problem = compiled.problem;
        lattice.add(problem.overtime_weight * minutes);
        if let Some(outside) = problem.outside {
            lattice.add(outside.weight);
        }
        for operation in problem.operations.values() {
            if let Some(published) = &operation.published {
                lattice.add(published.person_price);
                lattice.add(published.day_price);
            }
            if let Some(fitup_model::problem::SamePersonRule::Preferred(price)) =
                operation.same_person.map(|wish| wish.rule)
            {
                lattice.add(price);
            }
        }
        for visit in problem.visits.values() {
            lattice.add(visit.published.map_or(0, |published| published.price));
        }
        lattice.step = lattice.step.max(1);
        lattice
    }

    fn add(&mut self, difference: Cost) {
        self.step = divisor(self.step, difference);
    }

    /// Returns the least number of the lattice that is at least `price`.
    pub fn ceil(self, price: Cost) -> Cost {
        price + (self.offset - price).rem_euclid(self.step)
    }

    /// Returns the greatest number of the lattice that is below `price`.
    pub fn below(self, price: Cost) -> Cost {
        self.ceil(price) - self.step
    }
}

fn divisor(a: i64, b: i64) -> i64 {
    if b == 0 { a.abs() } else { divisor(b, a % b) }
}

/// Tells whether no sum inside the bound can overflow: prices, or multipliers that are worth as much, over all cars.
pub(super) fn is_exact(compiled: &Compiled) -> bool {
    let most: i128 = compiled.cars.iter().map(|car| i128::from(car.left_out)).sum();
    let steps = i128::from(compiled.clock.horizon.max(1 as Step));
    most * i128::from(SCALE) * 4 < i128::from(LARGEST) && steps < i128::from(1i64 << 21)
}
