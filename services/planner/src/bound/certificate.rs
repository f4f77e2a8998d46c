//! What proves a bound, in numbers that anybody can add up.
//!
//! A [`Certificate`] says what a minute of each person, set of bays and pool is worth, and what each car costs at least
//! at these prices. It does not rest on windows or targets: it holds for every plan.

use fitup_model::keyed::{BayId, EquipmentId, Key, TechnicianId};
use fitup_model::{Cost, Window};

use super::field::Field;
use super::lattice::SCALE;
use super::pricing::{NO, Pricing, Scratch};
use super::resources::Kind;
use super::tree::Forest;
use super::{Bounder, cheapest};
use crate::stop::Stop;

/// What is paid for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Held {
    /// A technician, from the start to the end of each of his operations.
    Person(TechnicianId),
    /// Bays, ascending: paid once, from the first start to the last end, by each visit that can take no other bay.
    Bays(Vec<BayId>),
    /// A pool, for each piece that an operation holds.
    Equipment(EquipmentId),
}

/// What a minute of something is worth for a while.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PricedTime {
    /// What.
    pub held: Held,
    /// When.
    pub window: Window,
    /// Price of a minute of one unit, in `1 / scale`; not negative.
    pub minute: i64,
    /// Minutes of all units that planned work can have in the window at most.
    pub capacity: i64,
}

/// A proof that no plan costs less than a bound.
///
/// At these prices, a plan pays no more for what it holds than all capacity is worth; so it costs at least what its
/// cars cost at least with what they pay, less the worth of all capacity.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Certificate {
    /// Parts of the shop's unit of price in which everything else is counted.
    pub scale: i64,
    /// Prices; what is not named is free.
    pub prices: Vec<PricedTime>,
    /// By car: what it costs at least at these prices, planned or left out, in `1 / scale`.
    pub cars: Vec<i128>,
    /// The sum of `cars` less the worth of all capacity, in `1 / scale`.
    pub value: i128,
    /// The least price of a plan that is at least `value`.
    pub bound: Cost,
}

impl Bounder<'_> {
    /// Returns the certificate of the best multipliers of the present buckets; `None` if there is none for problems of
    /// this kind, or it was stopped. As dear as a few looks.
    pub fn certificate(&self, stop: &dyn Stop) -> Option<Certificate> {
        if !self.works {
            return None;
        }
        let compiled = self.compiled;
        let minutes = compiled.clock.minutes;
        let mut resources = self.resources.clone();
        self.volume.restore(&mut resources);
        let mut forest = Forest::new(compiled, &resources);
        let (mut field, mut scratch) = (Field::default(), Scratch::default());
        field.fill(&resources, &forest.combinations);
        let pricing = Pricing { compiled, field: &field };
        let mut cars = Vec::new();
        for (car, tree) in forest.trees.iter_mut().enumerate() {
            if stop.should_stop() {
                return None;
            }
            let impossible = compiled.cars[car].impossible.is_some();
            let own = if impossible { NO } else { cheapest(pricing, car, tree, &mut scratch) };
            cars.push(i128::from(own.min(compiled.cars[car].left_out * SCALE)) * i128::from(minutes));
        }
        let mut prices = Vec::new();
        for resource in &resources {
            let held = match &resource.kind {
                Kind::Person(person) => Held::Person(TechnicianId::from_index(usize::from(*person))),
                Kind::Bays(set) => Held::Bays(set.iter().map(|&bay| BayId::from_index(usize::from(bay))).collect()),
                Kind::Pool(pool) => Held::Equipment(EquipmentId::from_index(usize::from(*pool))),
            };
            for (bucket, edge) in resource.edges.windows(2).enumerate().filter(|(b, _)| resource.multiplier[*b] > 0) {
                let window = Window::new(compiled.clock.time(edge[0]), compiled.clock.time(edge[1]))?;
                let (minute, capacity) = (resource.multiplier[bucket], resource.capacity[bucket] * minutes);
                prices.push(PricedTime { held: held.clone(), window, minute, capacity });
            }
        }
        let worth: i128 = prices.iter().map(|price| i128::from(price.minute) * i128::from(price.capacity)).sum();
        let value = cars.iter().sum::<i128>() - worth;
        let scale = SCALE * minutes;
        let up = -(-value).div_euclid(i128::from(scale));
        let bound = self.lattice.ceil(Cost::try_from(up).ok()?);
        Some(Certificate { scale, prices, cars, value, bound })
    }
}
