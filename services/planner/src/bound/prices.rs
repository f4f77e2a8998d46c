//! What an hour of each person, skill, bay class and pool is worth, day by day.
//!
//! A price is what the multipliers of the bound ask for an hour of one more unit, on average over the open time of the
//! day. It is an upper estimate, in this exact sense. Let `z` be the price of the best plan, `z'` that of the best plan
//! with the hour added, `L` the bound by the same multipliers ([`Prices::bound`]) and `p` what they ask for that very
//! hour. One more bay of a class, or piece of equipment, adds the hour to the capacities and leaves the timetables that
//! each car can have alone, so that with the same multipliers `z' >= L - p`; and more room never makes the best plan
//! dearer. So the hour saves
//!
//! `0 <= z - z' <= (z - L) + p`.
//!
//! The same holds for an hour of somebody who is like a technician that is there already, in one stretch of his working
//! time, where no operation could take both; and for a skill where all who have it are alike. Elsewhere the price of a
//! skill, that of the dearest who has it, is an estimate. Everett (1963), doi:10.1287/opre.11.3.399; Geoffrion (1974),
//! doi:10.1007/BFb0120690.

use fitup_model::Cost;
use fitup_model::keyed::{BayClassId, EquipmentId, Key, SkillId, TechnicianId};

use super::Bounder;
use super::resources::{Kind, Resource};
use crate::compile::Compiled;

/// What a resource is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Scarce {
    /// A technician.
    Person(TechnicianId),
    /// Somebody with a skill.
    Skill(SkillId),
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
    /// What 60 minutes of one more unit are worth, on average over the open time of the day, rounded up.
    pub hour: Cost,
    /// Open time of the day, in minutes.
    pub open_minutes: i64,
}

/// The value of an hour of each resource and day.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Prices {
    /// Those that are worth something, by resource and day.
    pub hours: Vec<HourPrice>,
    /// What no plan costs less than by these prices alone: less than the bound of the plan, which rests on more than
    /// prices. `None` if there was no time to work it out.
    pub bound: Option<Cost>,
}

impl Bounder<'_> {
    /// Returns the multipliers of the best bound as the value of an hour of each resource and day.
    pub fn prices(&self) -> Prices {
        let mut resources = self.resources.clone();
        self.volume.restore(&mut resources);
        let problem = self.compiled.problem;
        let mut hours = Vec::new();
        for person in problem.technicians.keys() {
            let own: Vec<&Resource> = resources.iter().filter(|resource| is_person(resource, person)).collect();
            by_day(self.compiled, &own, Scarce::Person(person), &mut hours);
        }
        for skill in problem.skills.keys() {
            let able = |own: &&HourPrice| matches!(own.resource, Scarce::Person(person) if problem.efficiency(person, skill).is_some());
            let mut dearest: Vec<HourPrice> = Vec::new();
            for own in hours.iter().filter(able) {
                match dearest.iter_mut().find(|other| other.day == own.day) {
                    Some(other) if other.hour >= own.hour => {}
                    Some(other) => *other = *own,
                    None => dearest.push(*own),
                }
            }
            dearest.sort_by_key(|own| own.day);
            hours.extend(dearest.into_iter().map(|own| HourPrice { resource: Scarce::Skill(skill), ..own }));
        }
        for class in problem.bay_classes.keys() {
            // One more bay of a class adds to every set of bays that holds all bays of the class.
            let bays: Vec<u16> = (problem.bays.keys())
                .filter(|&bay| problem.bay_serves(bay, class))
                .map(|bay| bay.index() as u16)
                .collect();
            let serves = |kind: &Kind| matches!(kind, Kind::Bays(set) if bays.iter().all(|bay| set.contains(bay)));
            if !bays.is_empty() {
                let own: Vec<&Resource> = resources.iter().filter(|resource| serves(&resource.kind)).collect();
                by_day(self.compiled, &own, Scarce::BayClass(class), &mut hours);
            }
        }
        for pool in problem.equipment.keys() {
            let is_pool = |kind: &Kind| matches!(kind, Kind::Pool(own) if usize::from(*own) == pool.index());
            let own: Vec<&Resource> = resources.iter().filter(|resource| is_pool(&resource.kind)).collect();
            by_day(self.compiled, &own, Scarce::Equipment(pool), &mut hours);
        }
        Prices { hours, bound: None }
    }
}

fn is_person(resource: &Resource, person: TechnicianId) -> bool {
    matches!(resource.kind, Kind::Person(own) if usize::from(own) == person.index())
}

/// Adds the price of an hour that counts for all of `resources`, for each day on which it is worth something.
fn by_day(compiled: &Compiled, resources: &[&Resource], scarce: Scarce, hours: &mut Vec<HourPrice>) {
    let (days, clock) = (&compiled.problem.days, compiled.clock);
    for (day, &midnight) in days.iter().enumerate() {
        let until = days.get(day + 1).map_or(clock.horizon, |&next| clock.floor(next));
        let from = if day == 0 { 0 } else { clock.floor(midnight) };
        let of_day = resources.iter().map(|resource| resource.mean_price(from, until));
        let (sum, open) = of_day.fold((0.0, 0), |(sum, most), (price, open)| (sum + price, most.max(open)));
        let hour = (sum * 60.0 / clock.minutes as f64).ceil() as Cost;
        if hour > 0 {
            hours.push(HourPrice { resource: scarce, day, hour, open_minutes: i64::from(open) * clock.minutes });
        }
    }
}
