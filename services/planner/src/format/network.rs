//! Project networks with pools of resources, one mode an activity: files in the form of Patterson (1984), `.rcp`, and
//! what [`super::psplib`] reads.
//!
//! Activities are unattended operations of one car, resources are equipment.

use fitup_model::keyed::{CalendarId, CarId, EquipmentId, OperationId, SkillId, TechnicianId};
use fitup_model::problem::{
    Car, Commitment, Efficiency, Equipment, Link, Objective, Operation, Ready, ReadyReason, Technician,
};
use fitup_model::{Calendar, Problem, ProblemData, Span, Time};

use super::{FormatError, Instance, LARGEST, MOST, Numbers, at};

/// Builds a problem without bays and hours, on a grid of one minute.
pub(super) struct Builder {
    data: ProblemData,
    total: i64,
}

impl Builder {
    pub(super) fn new() -> Builder {
        let mut data = ProblemData::empty(Span::from_minutes(1), Time::ORIGIN);
        data.objective = Objective::Makespan;
        data.calendars.push(Calendar::default());
        Builder { data, total: 0 }
    }

    /// Prices lateness instead of the makespan.
    pub(super) fn price_lateness(&mut self) {
        self.data.objective = Objective::Price;
    }

    pub(super) fn technician(&mut self, name: &str) -> TechnicianId {
        let calendar = fitup_model::keyed::Key::from_index(0);
        let _: CalendarId = calendar;
        self.data.technicians.push(Technician { name: name.into(), calendar, with_overtime: None, skills: Vec::new() })
    }

    pub(super) fn skill(&mut self, name: &str) -> SkillId {
        self.data.skills.push(name.into())
    }

    pub(super) fn teach(&mut self, technician: TechnicianId, skill: SkillId, efficiency: Efficiency) {
        self.data.technicians[technician].skills.push((skill, efficiency));
    }

    /// Adds a technician with a skill of their own.
    pub(super) fn machine(&mut self, name: &str) -> SkillId {
        let (technician, skill) = (self.technician(name), self.skill(name));
        self.teach(technician, skill, Efficiency::NORMAL);
        skill
    }

    pub(super) fn pool(&mut self, name: &str, capacity: u32) -> EquipmentId {
        self.data.equipment.push(Equipment { name: name.into(), capacity, outages: Vec::new() })
    }

    pub(super) fn car(&mut self, name: &str) -> CarId {
        self.late_car(name, None, 0)
    }

    pub(super) fn late_car(&mut self, name: &str, promise: Option<i64>, late_weight: i64) -> CarId {
        let promise = promise.map(Time::from_minutes);
        self.data.cars.push(Car { name: name.into(), arrival: Time::ORIGIN, promise, late_weight, flow_weight: 0 })
    }

    pub(super) fn operation(
        &mut self,
        car: CarId,
        name: &str,
        work: i64,
        crew: Vec<SkillId>,
        equipment: Vec<(EquipmentId, u32)>,
    ) -> OperationId {
        self.total += work;
        self.data.operations.push(Operation {
            name: name.into(),
            car,
            visit: None,
            work: Span::from_minutes(work),
            spread: None,
            crew,
            equipment,
            interruptible: false,
            ready: vec![Ready { time: Time::ORIGIN, reason: ReadyReason::Arrival }],
            commitment: Commitment::Free,
            same_person: None,
            published: None,
        })
    }

    pub(super) fn link(&mut self, from: OperationId, to: OperationId, min: i64, max: Option<i64>) {
        let max_wait = max.map(Span::from_minutes);
        self.data.links.push(Link { from, to, min_wait: Span::from_minutes(min), max_wait });
        self.total += min.max(0);
    }

    /// Returns the problem over a horizon that is long enough to do one thing after another.
    pub(super) fn finish(mut self, name: &str) -> Result<Instance, FormatError> {
        let horizon = Time::from_minutes(self.total.max(1));
        self.data.horizon = horizon;
        self.data.calendars = vec![Calendar::always(Time::ORIGIN, horizon)].into();
        let problem = Problem::new(self.data).map_err(FormatError::Faults)?;
        Ok(Instance { name: name.into(), problem })
    }
}

/// One activity of a network.
pub(super) struct Activity {
    pub(super) duration: i64,
    pub(super) demands: Vec<i64>,
    /// From 0 on.
    pub(super) successors: Vec<usize>,
}

/// Reads a network in Patterson's form: `activities resources`, capacities, and for each activity its duration, demands,
/// number of successors and successors; the makespan is what counts.
///
/// # Errors
/// The first number that is missing, unreadable or out of range.
pub fn read_patterson(name: &str, text: &str) -> Result<Instance, FormatError> {
    let mut numbers = Numbers::new(text);
    let (count, resources) =
        (numbers.next("number of activities", 1..=MOST)?, numbers.next("number of resources", 0..=MOST)?);
    let mut capacities = Vec::new();
    for _ in 0..resources {
        capacities.push(numbers.next("capacity", 0..=LARGEST)?);
    }
    let mut activities = Vec::new();
    for _ in 0..count {
        let duration = numbers.next("duration", 0..=LARGEST)?;
        let mut demands = Vec::new();
        for _ in 0..resources {
            demands.push(numbers.next("demand", 0..=LARGEST)?);
        }
        let mut successors = Vec::new();
        for _ in 0..numbers.next("number of successors", 0..=count)? {
            successors.push(numbers.next("successor", 1..=count)? as usize - 1);
        }
        activities.push(Activity { duration, demands, successors });
    }
    build(name, &capacities, &activities)
}

pub(super) fn build(name: &str, capacities: &[i64], activities: &[Activity]) -> Result<Instance, FormatError> {
    let mut builder = Builder::new();
    let pools: Vec<EquipmentId> = (capacities.iter().enumerate())
        .map(|(index, &capacity)| builder.pool(&format!("R{}", index + 1), capacity as u32))
        .collect();
    let car = builder.car("project");
    let mut ids = Vec::new();
    for (index, activity) in activities.iter().enumerate() {
        if activity.demands.len() != pools.len() {
            return Err(at(format!("activity {}", index + 1), "it has a request for each resource"));
        }
        let needs = pools.iter().zip(&activity.demands).filter(|(_, demand)| **demand > 0);
        let needs = needs.map(|(&pool, &demand)| (pool, demand as u32)).collect();
        ids.push(builder.operation(car, &format!("{}", index + 1), activity.duration, Vec::new(), needs));
    }
    for (index, activity) in activities.iter().enumerate() {
        for &successor in &activity.successors {
            builder.link(ids[index], ids[successor], 0, None);
        }
    }
    builder.finish(name)
}
