//! The price: the sum over cars of what their completion costs is at most a budget.

use super::store::{Conflict, Fact, Store};

/// The price of one car by its completion, from the earliest one on; never falls.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Completion {
    pub variable: u32,
    pub first: i32,
    pub price: Vec<i64>,
}

impl Completion {
    fn at(&self, time: i32) -> i64 {
        self.price[(time - self.first).clamp(0, self.price.len() as i32 - 1) as usize]
    }
}

/// The sum.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Total {
    pub cars: Vec<Completion>,
    pub budget: i64,
}

impl Total {
    /// Calls `wake` with every side whose growth matters.
    pub fn wakes(&self, mut wake: impl FnMut(u32)) {
        for car in &self.cars {
            wake(2 * car.variable);
        }
    }

    /// Draws what follows.
    pub fn propagate(&self, store: &mut Store) -> Result<(), Conflict> {
        let least: i64 = self.cars.iter().map(|car| car.at(store.low(car.variable))).sum();
        let slack = self.budget - least;
        if slack < 0 {
            return Err(Conflict(self.why(store, None, -slack - 1)));
        }
        for (number, car) in self.cars.iter().enumerate() {
            let high = store.high(car.variable);
            let most = car.at(store.low(car.variable)) + slack;
            if car.at(high) <= most {
                continue;
            }
            let last = car.first + car.price.partition_point(|&price| price <= most) as i32 - 1;
            let spare = car.at(last + 1) - most - 1;
            let why = self.why(store, Some(number), spare);
            store.set(Fact::at_most(car.variable, last), &why)?;
        }
        Ok(())
    }

    /// Returns facts by which the others cost what they do, up to `spare` less.
    fn why(&self, store: &Store, except: Option<usize>, mut spare: i64) -> Vec<Fact> {
        let mut facts = Vec::new();
        for (_, car) in self.cars.iter().enumerate().filter(|(number, _)| Some(*number) != except) {
            let low = store.low(car.variable);
            let here = car.at(low);
            // The earliest completion that costs enough.
            let place = car.price.partition_point(|&price| price < here - spare) as i32;
            let enough = (car.first + place).min(low);
            spare -= (here - car.at(enough)).max(0);
            if enough > car.first {
                facts.push(Fact::at_least(car.variable, enough));
            }
        }
        facts
    }
}
