//! Shops of a size, by chance: jobs of [`crate::outlines`], and about as many people and bays as they need.

use std::collections::BTreeMap;

use crate::chance::Chance;
use crate::outlines::{self, BUMPER, DENTS, GLASS, SUSPENSION, Step};
use crate::shop_file::{Bay, Car, Link, Operation, Pool, ShopFile, Technician, Visit};

const GRID: i64 = 5;
const DAY: i64 = 1440;

/// A size of shops.
#[derive(Debug, Clone, Copy)]
pub struct Family {
    /// Its name; a shop is called `name-seed`.
    pub name: &'static str,
    /// Number of cars.
    pub cars: usize,
    /// Working days on which they come.
    pub intake_days: i64,
    /// Weeks of the horizon.
    pub weeks: i64,
    /// Short jobs only.
    pub short: bool,
}

/// All families, from about 17 operations to 3,300.
pub const ALL: [Family; 6] = [
    Family { name: "micro", cars: 3, intake_days: 1, weeks: 2, short: true },
    Family { name: "small", cars: 4, intake_days: 1, weeks: 4, short: false },
    Family { name: "medium", cars: 14, intake_days: 5, weeks: 5, short: false },
    Family { name: "large", cars: 42, intake_days: 10, weeks: 7, short: false },
    Family { name: "xl", cars: 102, intake_days: 15, weeks: 9, short: false },
    Family { name: "huge", cars: 300, intake_days: 25, weeks: 12, short: false },
];

/// Returns the shop of a family with this number.
pub fn shop(family: &Family, seed: u64) -> ShopFile {
    let mut chance = Chance::new(seed.wrapping_mul(1_000_003) ^ family.cars as u64);
    let mut shop = ShopFile {
        name: format!("{}-{seed}", family.name),
        grid: GRID,
        horizon: family.weeks * 7 * DAY,
        calendars: BTreeMap::new(),
        bays: Vec::new(),
        equipment: Vec::new(),
        techs: Vec::new(),
        cars: Vec::new(),
    };
    for index in 0..family.cars {
        let car = car(&mut chance, family, index + 1);
        shop.cars.push(car);
    }
    // From a shop with time to spare to one that cannot keep up.
    let load = chance.between(80, 115);
    people(&mut chance, family, &mut shop, load);
    bays(&mut chance, family, &mut shop, load);
    equipment(&mut chance, family, &mut shop);
    shop
}

/// Returns the first minute of a working day, counted from 0; five to a week.
fn day_start(working_day: i64) -> i64 {
    (working_day / 5 * 7 + working_day % 5) * DAY
}

fn car(chance: &mut Chance, family: &Family, number: usize) -> Car {
    let outline = if family.short {
        chance.pick(&[BUMPER, GLASS, DENTS, SUSPENSION])
    } else {
        let mut ticket = chance.below(outlines::ALL.iter().map(|(_, share)| share).sum());
        let found = outlines::ALL.iter().find(|(_, share)| match ticket.checked_sub(*share) {
            Some(rest) => {
                ticket = rest;
                false
            }
            None => true,
        });
        found.expect("a ticket is below the sum of the shares").0
    };
    // More cars come early in the week.
    let mut intake = chance.between(0, family.intake_days - 1);
    if intake % 5 >= 3 && chance.happens(50) {
        intake -= chance.between(0, intake % 5);
    }
    let arrive = day_start(intake) + chance.between(84, 180) * GRID;
    let id = format!("{}", 1000 + number);
    let mut car = Car {
        id: id.clone(),
        arrive,
        promise: 0,
        late_weight: if chance.happens(12) { 8 } else { chance.between(1, 4) },
        flow_weight: chance.pick(&[0, 1, 1, 1, 2]),
        visits: Vec::new(),
        ops: Vec::new(),
        links: Vec::new(),
    };
    fill(chance, &mut car, &outlines::steps(outline));
    let work: i64 = car.ops.iter().map(|op| op.work).sum();
    // About three and a half hours of a job are done in a day, and promises are made with hope or with care.
    let days = 1 + work * chance.between(50, 130) / 100 / 210;
    car.promise = day_start(intake + days) + chance.pick(&[12, 15, 17]) * 60;
    car
}

/// Fills `car` with the steps that occur.
fn fill(chance: &mut Chance, car: &mut Car, steps: &[Step]) {
    // Steps of one name share a percentage by chance: mending and its cure occur together.
    let lot = chance.between(1, 100);
    let occurs: Vec<&Step> = steps.iter().filter(|step| lot <= step.percent).collect();
    let late_part = chance.happens(25).then(|| car.arrive + DAY * chance.between(1, 3));
    for step in &occurs {
        let (low, high) = step.minutes;
        let refits = step.name == "refit" || step.name == "change";
        car.ops.push(Operation {
            id: format!("{}.{}", car.id, step.name),
            work: GRID * chance.between(low / GRID, high / GRID),
            crew: step.skills().map(String::from).collect(),
            visit: (!step.visit.is_empty()).then(|| step.visit.to_string()),
            equipment: if step.pool.is_empty() { Vec::new() } else { vec![(step.pool.to_string(), 1)] },
            interruptible: step.interruptible,
            not_before: late_part.filter(|_| refits).unwrap_or(0),
        });
        if let Some(class) = step.class()
            && !car.visits.iter().any(|visit| visit.id == step.visit)
        {
            let on_vehicle = !step.visit.ends_with('~');
            car.visits.push(Visit { id: step.visit.to_string(), class: class.to_string(), on_vehicle });
        }
        for (name, min, max) in before(steps, &occurs, step) {
            let (from, to) = (format!("{}.{name}", car.id), format!("{}.{}", car.id, step.name));
            if !car.links.iter().any(|link| link.from == from && link.to == to) {
                car.links.push(Link { from, to, min, max });
            }
        }
    }
}

/// Returns what `step` waits for, where steps that do not occur stand for those before them.
fn before<'o>(steps: &[Step<'o>], occurs: &[&Step<'o>], step: &Step<'o>) -> Vec<(&'o str, i64, Option<i64>)> {
    let mut found = Vec::new();
    for (name, min, max) in step.waits() {
        if occurs.iter().any(|other| other.name == name) {
            found.push((name, min, max));
        } else if let Some(missing) = steps.iter().find(|other| other.name == name) {
            found.extend(before(steps, occurs, missing).into_iter().map(|(name, min, _)| (name, min, None)));
        }
    }
    found
}

/// The windows of a shift: working days of the week, and minutes of the day.
type Shift = (&'static [i64], &'static [(i64, i64)]);

const EARLY: Shift = (&[0, 1, 2, 3, 4], &[(360, 600), (630, 900)]);
const USUAL: Shift = (&[0, 1, 2, 3, 4], &[(450, 720), (765, 1005)]);
const LATE: Shift = (&[0, 1, 2, 3, 4], &[(660, 900), (945, 1185)]);
const FOUR_DAYS: Shift = (&[0, 1, 2, 3], &[(420, 690), (735, 1065)]);
const SATURDAYS: Shift = (&[1, 2, 3, 4, 5], &[(450, 720), (765, 1005)]);

fn people(chance: &mut Chance, family: &Family, shop: &mut ShopFile, load: i64) {
    let mut minutes: BTreeMap<&str, i64> = BTreeMap::new();
    let mut pairs: Vec<&str> = Vec::new();
    for op in shop.cars.iter().flat_map(|car| &car.ops) {
        for (place, skill) in op.crew.iter().enumerate() {
            *minutes.entry(skill).or_default() += op.work;
            if op.crew[..place].contains(skill) {
                pairs.push(skill);
            }
        }
    }
    // Eight hours a day; a few days more than the intake until all is done.
    let available = 480 * (family.intake_days + 2) * load / 100;
    let needed: Vec<(&str, i64)> = minutes
        .iter()
        .map(|(&skill, &minutes)| (skill, (minutes / available + 1).max(if pairs.contains(&skill) { 2 } else { 1 })))
        .collect();
    let mut techs = Vec::new();
    for &(skill, count) in &needed {
        for _ in 0..count {
            let number = techs.len() + 1;
            let shift = chance.pick(&[EARLY, USUAL, USUAL, USUAL, LATE, FOUR_DAYS, SATURDAYS]);
            let calendar = format!("shift-{number}");
            let windows = if chance.happens(50) {
                shop.calendars.entry(shift_name(shift).into()).or_insert_with(|| windows(family, shift, None));
                shift_name(shift).to_string()
            } else {
                let away = chance.between(0, 5 * (family.weeks - 1));
                let back = away + chance.between(0, 3);
                shop.calendars.insert(calendar.clone(), windows(family, shift, Some((away, back))));
                calendar
            };
            let mut skills = BTreeMap::from([(skill.to_string(), chance.pick(&[0.85, 0.9, 1.0, 1.0, 1.1, 1.2]))]);
            if chance.happens(35) {
                let other = chance.pick(&needed).0;
                // Licences are not picked up on the side.
                if other != "high-voltage" {
                    skills.entry(other.to_string()).or_insert(chance.pick(&[0.75, 0.8, 0.9]));
                }
            }
            techs.push(Technician { id: format!("t{number}"), calendar: windows, skills });
        }
    }
    shop.techs = techs;
}

fn shift_name(shift: Shift) -> &'static str {
    match shift {
        EARLY => "early",
        USUAL => "usual",
        LATE => "late",
        FOUR_DAYS => "four-days",
        _ => "saturdays",
    }
}

/// Returns the windows of a shift, without the working days from one to another.
fn windows(family: &Family, (days, hours): Shift, away: Option<(i64, i64)>) -> Vec<(i64, i64)> {
    let mut windows = Vec::new();
    for week in 0..family.weeks {
        for &day in days {
            let working_day = 5 * week + day.min(4);
            if away.is_none_or(|(from, to)| !(from..=to).contains(&working_day)) {
                let midnight = (7 * week + day) * DAY;
                windows.extend(hours.iter().map(|(opens, closes)| (midnight + opens, midnight + closes)));
            }
        }
    }
    windows
}

fn bays(chance: &mut Chance, family: &Family, shop: &mut ShopFile, load: i64) {
    let horizon = shop.horizon;
    shop.calendars.insert("always".into(), vec![(0, horizon)]);
    let mut minutes: BTreeMap<&str, i64> = BTreeMap::new();
    for car in &shop.cars {
        for visit in &car.visits {
            let work: i64 = car.ops.iter().filter(|op| op.visit.as_ref() == Some(&visit.id)).map(|op| op.work).sum();
            // Waits and nights hold a bay too.
            *minutes.entry(&visit.class).or_default() += 3 * work / 2 + 30;
        }
    }
    let available = 540 * (family.intake_days + 2) * load / 100;
    let needed: Vec<(String, i64)> =
        minutes.iter().map(|(class, minutes)| (class.to_string(), minutes / available + 1)).collect();
    for (class, count) in needed {
        // A closed half day, such as for new filters, in one of several.
        let half_days = 2 * 5 * (family.weeks - 1);
        for number in 1..=count {
            let closed = chance.happens(if class == "booth" { 60 } else { 15 });
            let calendar = if closed {
                let half = chance.between(0, half_days - 1);
                let from = day_start(half / 2) + if half % 2 == 0 { 420 } else { 720 };
                let name = format!("{class}-{number}");
                shop.calendars.insert(name.clone(), vec![(0, from), (from + 300, horizon)]);
                name
            } else {
                "always".into()
            };
            shop.bays.push(Bay { id: format!("{class}-{number}"), class: class.clone(), calendar });
        }
    }
}

fn equipment(chance: &mut Chance, family: &Family, shop: &mut ShopFile) {
    let mut pools: Vec<&str> =
        shop.cars.iter().flat_map(|car| &car.ops).flat_map(|op| &op.equipment).map(|(pool, _)| pool.as_str()).collect();
    pools.sort_unstable();
    pools.dedup();
    shop.equipment = pools
        .into_iter()
        .map(|pool| Pool { id: pool.into(), capacity: 1 + (family.cars / 40) as u32 + chance.below(2) as u32 })
        .collect();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seed_makes_the_same_shop_and_another_one_another() {
        let text = |seed| serde_json::to_string(&shop(&ALL[2], seed)).expect("names and numbers are always JSON");
        assert_eq!(text(1), text(1));
        assert_ne!(text(1), text(2));
    }

    #[test]
    fn families_have_about_the_size_that_they_promise() {
        for (family, about) in ALL.iter().zip([17, 44, 150, 450, 1100, 3300]) {
            let mean = (1..=8)
                .map(|seed| shop(family, seed).cars.iter().map(|car| car.ops.len()).sum::<usize>())
                .sum::<usize>()
                / 8;
            assert!((about * 3 / 4..=about * 5 / 4).contains(&mean), "{}: {mean} operations", family.name);
        }
    }

    #[test]
    fn the_planner_reads_every_family() {
        for family in &ALL {
            let text = serde_json::to_string(&shop(family, 1)).expect("names and numbers are always JSON");
            fitup_planner::format::shop::read(&text).expect("a shop that the reader takes");
        }
    }
}
