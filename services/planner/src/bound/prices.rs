//! What an hour of each person, bay class and pool is worth, day by day.

use fitup_model::Cost;
use fitup_model::keyed::{BayClassId, EquipmentId, Key, TechnicianId};

use super::Bounder;
use super::resources::Kind;
use crate::compile::Step;

/// What a resource is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Scarce {
    /// A technician.
    Person(TechnicianId),
    /// A bay of a class.
    BayClass(BayClassId),
    /// A piece of equipment.
    Equipment(EquipmentId),
}

/// The value of an hour of one resource on one day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HourPrice {
    /// What.
    pub resource: Scarce,
    /// Index into [`fitup_model::problem::ProblemData::days`].
    pub day: usize,
    /// About how much cheaper the best plan would be for one more hour, on average over the open hours of the day.
    pub hour: Cost,
}

/// The value of an hour of each resource and day; those that are worth nothing are left out.
pub type Prices = Vec<HourPrice>;

impl Bounder<'_> {
    /// Returns the multipliers of the best bound as the value of an hour of each resource and day.
    pub fn prices(&self) -> Prices {
        let mut resources = self.resources.clone();
        self.volume.restore(&mut resources);
        let mut prices = Vec::new();
        let (problem, clock) = (self.compiled.problem, self.compiled.clock);
        let by_day = |value: &dyn Fn(Step, Step) -> f64, resource: Scarce, prices: &mut Prices| {
            for (day, &midnight) in problem.days.iter().enumerate() {
                let until = problem.days.get(day + 1).map_or(clock.horizon, |&next| clock.floor(next));
                let from = if day == 0 { 0 } else { clock.floor(midnight) };
                let hour = (value(from, until) * 60.0 / clock.minutes as f64).round() as Cost;
                if hour > 0 {
                    prices.push(HourPrice { resource, day, hour });
                }
            }
        };
        for resource in &resources {
            let name = match resource.kind {
                Kind::Person(person) => Scarce::Person(TechnicianId::from_index(usize::from(person))),
                Kind::Pool(pool) => Scarce::Equipment(EquipmentId::from_index(usize::from(pool))),
                Kind::Bays(_) => continue,
            };
            by_day(&|from, until| resource.mean_price(from, until), name, &mut prices);
        }
        // One more bay of a class adds to every set of bays that holds all bays of the class.
        for class in problem.bay_classes.keys() {
            let bays: Vec<u16> = problem
                .bays
                .keys()
                .filter(|&bay| problem.bay_serves(bay, class))
                .map(|bay| bay.index() as u16)
                .collect();
            let serves = |kind: &Kind| matches!(kind, Kind::Bays(set) if bays.iter().all(|bay| set.contains(bay)));
            if bays.is_empty() {
                continue;
            }
            let value = |from, until| {
                resources.iter().filter(|r| serves(&r.kind)).map(|r| r.mean_price(from, until)).sum::<f64>()
            };
            by_day(&value, Scarce::BayClass(class), &mut prices);
        }
        prices
    }
}
