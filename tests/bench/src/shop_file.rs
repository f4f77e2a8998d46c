//! A shop in the form of `FORMAT.md`.

use std::collections::BTreeMap;

use serde::Serialize;

/// A whole file.
#[derive(Debug, Clone, Serialize)]
pub struct ShopFile {
    /// Name of the problem.
    pub name: String,
    /// All times are multiples of it.
    pub grid: i64,
    /// Everything ends by then.
    pub horizon: i64,
    /// Open windows, by name.
    pub calendars: BTreeMap<String, Vec<(i64, i64)>>,
    /// Places for cars.
    pub bays: Vec<Bay>,
    /// Pools of pieces of equipment.
    pub equipment: Vec<Pool>,
    /// People.
    pub techs: Vec<Technician>,
    /// What is to be repaired.
    pub cars: Vec<Car>,
}

/// A place for a car.
#[derive(Debug, Clone, Serialize)]
pub struct Bay {
    /// Its name.
    pub id: String,
    /// What it serves as.
    pub class: String,
    /// When it can be used.
    pub calendar: String,
}

/// Like pieces of equipment.
#[derive(Debug, Clone, Serialize)]
pub struct Pool {
    /// Its name.
    pub id: String,
    /// Their number.
    pub capacity: u32,
}

/// A person.
#[derive(Debug, Clone, Serialize)]
pub struct Technician {
    /// Its name.
    pub id: String,
    /// When it is there.
    pub calendar: String,
    /// Rates by skill.
    pub skills: BTreeMap<String, f64>,
}

/// A repair order.
#[derive(Debug, Clone, Serialize)]
pub struct Car {
    /// Its name.
    pub id: String,
    /// When it comes.
    pub arrive: i64,
    /// When it was promised.
    pub promise: i64,
    /// Price of a minute after the promise.
    pub late_weight: i64,
    /// Price of a minute from arrival to completion.
    pub flow_weight: i64,
    /// Stays in bays.
    pub visits: Vec<Visit>,
    /// Work and waits.
    pub ops: Vec<Operation>,
    /// Their order.
    pub links: Vec<Link>,
}

/// A stay in a bay.
#[derive(Debug, Clone, Serialize)]
pub struct Visit {
    /// Its name, within the car.
    pub id: String,
    /// What it needs.
    pub class: String,
    /// Whether the car itself is there.
    pub on_vehicle: bool,
}

/// Work or a wait.
#[derive(Debug, Clone, Serialize)]
pub struct Operation {
    /// Its name, within the file.
    pub id: String,
    /// Booked minutes.
    pub work: i64,
    /// A skill for each person.
    pub crew: Vec<String>,
    /// The stay that it belongs to.
    pub visit: Option<String>,
    /// Pools and pieces.
    pub equipment: Vec<(String, u32)>,
    /// Whether it may pause over a closing time.
    pub interruptible: bool,
    /// Earliest start.
    pub not_before: i64,
}

/// Order of two operations.
#[derive(Debug, Clone, Serialize)]
pub struct Link {
    /// The one before.
    pub from: String,
    /// The one after.
    pub to: String,
    /// Shortest wait.
    pub min: i64,
    /// Longest wait.
    pub max: Option<i64>,
}
