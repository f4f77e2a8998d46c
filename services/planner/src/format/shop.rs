//! A shop over one horizon as JSON.
//!
//! Times are whole minutes from the horizon's start, all multiples of `grid`. One object holds `name`, `grid`, `horizon`
//! and, if the latest completion is what counts, `"objective": "makespan"`, besides
//! * `calendars`: by name, the open windows `[open, close]`;
//! * `bays`: `id`, `class`, `calendar` (missing: always open);
//! * `equipment`: `id`, `capacity`;
//! * `techs`: `id`, `calendar`, `skills` by name with the rate of each;
//! * `cars`: `id`, `arrive`, `promise`, `late_weight`, `flow_weight` (a minute), `visits` (`id`, `class`, `on_vehicle`),
//!   `ops` (`id`, `work`, `crew`, `visit`, `equipment` as pairs, `interruptible`, `not_before`) and `links` (`from`, `to`,
//!   `min`, `max`).
//!
//! A plan is `name`, `ops` by id (`start`, `end`, `techs`) and `visits` by `car/visit` with the bay.

use std::collections::{BTreeMap, HashMap};

use fitup_model::keyed::{BayClassId, CalendarId, CarId, EquipmentId, Key, OperationId, SkillId, VisitId};
use fitup_model::problem::{
    Bay, BayChoice, Car, Commitment, Efficiency, Equipment, Link, Objective, Operation, Ready, ReadyReason, Technician,
    Visit,
};
use fitup_model::{Calendar, Plan, Problem, ProblemData, Span, Time, Window};
use serde::{Deserialize, Serialize};

use super::entries::Entries;
use super::{FormatError, Instance, at};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ShopFile {
    name: String,
    grid: i64,
    horizon: i64,
    #[serde(default)]
    objective: Option<String>,
    #[serde(default)]
    calendars: Entries<Vec<(i64, i64)>>,
    #[serde(default)]
    bays: Vec<BayEntry>,
    #[serde(default)]
    equipment: Vec<EquipmentEntry>,
    #[serde(default)]
    techs: Vec<TechnicianEntry>,
    cars: Vec<CarEntry>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct BayEntry {
    id: String,
    class: String,
    #[serde(default)]
    calendar: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct EquipmentEntry {
    id: String,
    capacity: u32,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TechnicianEntry {
    id: String,
    calendar: String,
    skills: Entries<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CarEntry {
    id: String,
    arrive: i64,
    promise: i64,
    late_weight: i64,
    flow_weight: i64,
    #[serde(default)]
    visits: Vec<VisitEntry>,
    ops: Vec<OperationEntry>,
    #[serde(default)]
    links: Vec<LinkEntry>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct VisitEntry {
    id: String,
    class: String,
    on_vehicle: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OperationEntry {
    id: String,
    work: i64,
    #[serde(default)]
    crew: Vec<String>,
    #[serde(default)]
    visit: Option<String>,
    #[serde(default)]
    equipment: Vec<(String, u32)>,
    #[serde(default)]
    interruptible: bool,
    #[serde(default)]
    not_before: i64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LinkEntry {
    from: String,
    to: String,
    #[serde(default)]
    min: i64,
    #[serde(default)]
    max: Option<i64>,
}

#[derive(Serialize)]
struct PlanFile<'a> {
    name: &'a str,
    ops: BTreeMap<&'a str, AssignmentEntry<'a>>,
    visits: BTreeMap<&'a str, &'a str>,
}

#[derive(Serialize)]
struct AssignmentEntry<'a> {
    start: i64,
    end: i64,
    techs: Vec<&'a str>,
}

/// Names and the keys that they stand for, in the order in which they were first seen.
struct Names<K> {
    known: HashMap<String, K>,
    names: Vec<String>,
}

impl<K: Key> Names<K> {
    fn new() -> Names<K> {
        Names { known: HashMap::new(), names: Vec::new() }
    }

    /// Returns the key of `name`, a new one if it was not seen before.
    fn key(&mut self, name: &str) -> K {
        if let Some(&key) = self.known.get(name) {
            return key;
        }
        let key = K::from_index(self.names.len());
        self.known.insert(name.to_string(), key);
        self.names.push(name.to_string());
        key
    }

    fn add(&mut self, name: &str, path: &str) -> Result<K, FormatError> {
        if self.known.contains_key(name) {
            return Err(at(path, format!("\"{name}\" stands twice")));
        }
        Ok(self.key(name))
    }

    fn find(&self, name: &str, path: &str) -> Result<K, FormatError> {
        self.known.get(name).copied().ok_or_else(|| at(path, format!("there is no \"{name}\"")))
    }
}

/// Reads a shop.
///
/// # Errors
/// The first thing that is wrong with the form of the file, or all that is wrong with the problem in it.
pub fn read(text: &str) -> Result<Instance, FormatError> {
    let file = parse(text)?;
    let objective = match file.objective.as_deref() {
        None => Objective::Price,
        Some("makespan") => Objective::Makespan,
        Some(other) => return Err(at("objective", format!("\"{other}\" is no objective"))),
    };
    if file.grid < 1 {
        return Err(at("grid", "the grid is at least one minute"));
    }
    let grid = file.grid;
    let on_grid = |path: String, minutes: i64| {
        if minutes.unsigned_abs() > 1 << 40 {
            return Err(at(path, format!("{minutes} is out of range")));
        }
        if minutes % grid == 0 {
            Ok(minutes)
        } else {
            Err(at(path, format!("{minutes} is no multiple of the grid, {grid}")))
        }
    };
    let horizon = Time::from_minutes(on_grid("horizon".into(), file.horizon)?);
    let mut data = ProblemData::empty(Span::from_minutes(grid), horizon);
    data.objective = objective;
    let mut calendars = Names::<CalendarId>::new();
    for (name, windows) in &file.calendars.0 {
        calendars.add(name, "calendars")?;
        let mut open = Vec::new();
        for (index, &(from, until)) in windows.iter().enumerate() {
            let path = format!("calendars.{name}[{index}]");
            let (from, until) = (on_grid(path.clone(), from)?, on_grid(path.clone(), until)?);
            let window = Window::new(Time::from_minutes(from), Time::from_minutes(until));
            let window = window.ok_or_else(|| at(&path, "a window ends no earlier than it starts"))?;
            if open.last().is_some_and(|before: &Window| window.start() < before.end()) {
                return Err(at(path, "windows ascend and do not overlap"));
            }
            if window.start() < Time::ORIGIN || window.end() > horizon {
                return Err(at(path, "a window lies inside the horizon"));
            }
            open.push(window);
        }
        data.calendars.push(Calendar::new(open));
    }
    let mut classes = Names::<BayClassId>::new();
    let mut bays = Names::<fitup_model::keyed::BayId>::new();
    let always = data.calendars.push(Calendar::always(Time::ORIGIN, horizon));
    for (index, bay) in file.bays.iter().enumerate() {
        bays.add(&bay.id, &format!("bays[{index}].id"))?;
        let calendar = match &bay.calendar {
            Some(name) => calendars.find(name, &format!("bays[{index}].calendar"))?,
            None => always,
        };
        data.bays.push(Bay { name: bay.id.clone(), classes: vec![classes.key(&bay.class)], calendar });
    }
    let mut pools = Names::<EquipmentId>::new();
    for (index, pool) in file.equipment.iter().enumerate() {
        pools.add(&pool.id, &format!("equipment[{index}].id"))?;
        data.equipment.push(Equipment { name: pool.id.clone(), capacity: pool.capacity, outages: Vec::new() });
    }
    let mut skills = Names::<SkillId>::new();
    let mut people = Names::<fitup_model::keyed::TechnicianId>::new();
    for (index, technician) in file.techs.iter().enumerate() {
        people.add(&technician.id, &format!("techs[{index}].id"))?;
        let calendar = calendars.find(&technician.calendar, &format!("techs[{index}].calendar"))?;
        let mut own = Vec::new();
        for (skill, &rate) in &technician.skills.0 {
            let thousandths = (rate * 1000.0).round();
            if !(1.0..=1e6).contains(&thousandths) || (rate * 1000.0 - thousandths).abs() > 1e-6 {
                return Err(at(
                    format!("techs[{index}].skills.{skill}"),
                    "a rate is 0.001 to 1000, in whole thousandths",
                ));
            }
            own.push((skills.key(skill), Efficiency(thousandths as u32)));
        }
        data.technicians.push(Technician { name: technician.id.clone(), calendar, with_overtime: None, skills: own });
    }
    let mut cars = Names::<CarId>::new();
    let mut operations = Names::<OperationId>::new();
    for (index, entry) in file.cars.iter().enumerate() {
        let path = format!("cars[{index}]");
        let car = cars.add(&entry.id, &format!("{path}.id"))?;
        let arrival = Time::from_minutes(on_grid(format!("{path}.arrive"), entry.arrive)?);
        let promise = Time::from_minutes(on_grid(format!("{path}.promise"), entry.promise)?);
        data.cars.push(Car {
            name: entry.id.clone(),
            arrival,
            promise: Some(promise),
            late_weight: entry.late_weight,
            flow_weight: entry.flow_weight,
        });
        let mut visits: Vec<(&str, VisitId)> = Vec::new();
        for visit in &entry.visits {
            if visits.iter().any(|(name, _)| *name == visit.id) {
                return Err(at(format!("{path}.visits"), format!("\"{}\" stands twice", visit.id)));
            }
            let id = data.visits.push(Visit {
                name: format!("{}/{}", entry.id, visit.id),
                car,
                class: classes.key(&visit.class),
                on_vehicle: visit.on_vehicle,
                family: None,
                bay: BayChoice::Free,
                published: None,
            });
            visits.push((&visit.id, id));
        }
        for (position, operation) in entry.ops.iter().enumerate() {
            let path = format!("{path}.ops[{position}]");
            operations.add(&operation.id, &format!("{path}.id"))?;
            let visit = match &operation.visit {
                None => None,
                Some(name) => {
                    let found = visits.iter().find(|(own, _)| own == name);
                    Some(
                        found.ok_or_else(|| at(format!("{path}.visit"), format!("the car has no visit \"{name}\"")))?.1,
                    )
                }
            };
            let mut equipment = Vec::new();
            for (name, units) in &operation.equipment {
                equipment.push((pools.find(name, &format!("{path}.equipment"))?, *units));
            }
            let not_before = Time::from_minutes(on_grid(format!("{path}.not_before"), operation.not_before)?);
            data.operations.push(Operation {
                name: operation.id.clone(),
                car,
                visit,
                work: Span::from_minutes(on_grid(format!("{path}.work"), operation.work)?),
                spread: None,
                crew: operation.crew.iter().map(|skill| skills.key(skill)).collect(),
                equipment,
                interruptible: operation.interruptible && !operation.crew.is_empty(),
                ready: vec![
                    Ready { time: arrival, reason: ReadyReason::Arrival },
                    Ready { time: not_before, reason: ReadyReason::NotBefore },
                ],
                commitment: Commitment::Free,
                same_person: None,
                published: None,
            });
        }
        for (position, link) in entry.links.iter().enumerate() {
            let path = format!("{path}.links[{position}]");
            data.links.push(Link {
                from: operations.find(&link.from, &format!("{path}.from"))?,
                to: operations.find(&link.to, &format!("{path}.to"))?,
                min_wait: Span::from_minutes(on_grid(format!("{path}.min"), link.min)?),
                max_wait: link.max.map(|max| on_grid(format!("{path}.max"), max)).transpose()?.map(Span::from_minutes),
            });
        }
    }
    data.skills = skills.names.into();
    data.bay_classes = classes.names.into();
    Ok(Instance { name: file.name, problem: Problem::new(data).map_err(FormatError::Faults)? })
}

fn parse(text: &str) -> Result<ShopFile, FormatError> {
    let mut reader = serde_json::Deserializer::from_str(text);
    let file = serde_path_to_error::deserialize(&mut reader).map_err(|error| match error.path().to_string() {
        path if path == "." || path.is_empty() => FormatError::Json(error.into_inner().to_string()),
        path => at(path, error.into_inner().to_string()),
    })?;
    reader.end().map_err(|error| FormatError::Json(error.to_string()))?;
    Ok(file)
}

/// Returns `plan` as JSON.
pub fn write_plan(instance: &Instance, plan: &Plan) -> String {
    let problem = &instance.problem;
    let ops = plan.operations.iter().filter_map(|(id, assignment)| {
        let assignment = assignment.as_ref()?;
        let techs = assignment.technicians.iter().map(|&person| problem.technicians[person].name.as_str()).collect();
        let entry = AssignmentEntry { start: assignment.start.minutes(), end: assignment.end.minutes(), techs };
        Some((problem.operations[id].name.as_str(), entry))
    });
    let visits = plan
        .bays
        .iter()
        .filter_map(|(id, bay)| Some((problem.visits[id].name.as_str(), problem.bays[(*bay)?].name.as_str())));
    let file = PlanFile { name: &instance.name, ops: ops.collect(), visits: visits.collect() };
    serde_json::to_string(&file).expect("names and numbers are always JSON")
}
