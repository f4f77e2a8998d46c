//! Weeks that have not happened yet: the orders of the shop, others that come in, and what will become of them.

use fitup_model::keyed::{CarId, Key, KeyedVec, OperationId, SkillId};
use fitup_model::problem::{BayChoice, Car, Commitment, Link, Operation, Ready, ReadyReason, Visit};
use fitup_model::{Calendar, Fault, Problem, ProblemData, Span, Time, Window};
use fitup_planner::random::Random;

use crate::chances::Chances;
use crate::future::{Futures, digest};

const DAY: i64 = 1440;
const WEEK: i64 = 7 * DAY;

/// After the rehearsed weeks the floor has so long to complete what has come.
const RUN_OUT: i64 = 6 * WEEK;

/// No more cars than this come, whatever the rate.
const MOST: usize = 2000;

/// What is rehearsed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setting {
    /// Weeks in which cars come; those that have come are then completed.
    pub weeks: u32,
    /// Cars a week; `None` is [`LOAD`] of what the scarcest skill or bay class can take.
    pub per_week: Option<f64>,
    /// Share of what the shop can take that comes if no rate is told.
    pub load: f64,
    /// What can happen.
    pub chances: Chances,
    /// Start of the random numbers.
    pub seed: u64,
}

/// Share of the scarcest skill or bay class that arrivals take up if no rate is told: common practice, no source.
pub const LOAD: f64 = 0.6;

/// The same weeks twice: as booked, and as they will be. Keys are the same in both.
#[derive(Debug, Clone)]
pub struct World {
    /// Everything as booked, orders that have not come yet included.
    pub(super) booked: Problem,
    /// Everything as it will be.
    pub(super) truth: Problem,
    /// Whether damage is found when the car is apart.
    pub(super) damaged: KeyedVec<CarId, bool>,
    /// Share by which work on such a car grows.
    pub(super) hidden_work: f64,
    /// The orders with smaller keys are those of the shop, known from the start.
    pub(super) own: usize,
    /// End of the rehearsed weeks.
    pub(super) until: Time,
    /// Which of the shop's cars each that comes is like.
    like: Vec<CarId>,
}

impl World {
    /// Draws the weeks of one run. Arrivals, work, parts, damage and absences depend on the seed, the run and names alone,
    /// so that every way of dispatching meets the same luck (common random numbers).
    ///
    /// Nobody works overtime in a rehearsal, so that no way of dispatching buys its dates with it.
    ///
    /// # Errors
    /// The faults of a future that is no problem, see [`Futures::future`].
    pub fn new(problem: &Problem, setting: &Setting, run: u64) -> Result<World, Vec<Fault>> {
        let per_week = setting.per_week.unwrap_or_else(|| rate(problem) * setting.load);
        let until = problem.now + Span::from_minutes(WEEK * i64::from(setting.weeks));
        let mut data = longer(problem, until + Span::from_minutes(RUN_OUT));
        let mut random = Random::new(setting.seed ^ run.wrapping_mul(0x9E37_79B9_7F4A_7C15), digest(&["arrivals"]));
        let own = data.cars.len();
        let mut like: Vec<CarId> = data.cars.keys().collect();
        for (number, time) in arrivals(&data, per_week, until, &mut random).into_iter().enumerate() {
            let template = CarId::from_index(random.below(own));
            like.push(template);
            another(problem, template, time, &format!("new-{}", number + 1), &mut data);
        }
        let booked = Problem::new(data)?;
        let futures = Futures::new(&booked, setting.chances, setting.seed);
        let truth = futures.future(run)?;
        let damaged = booked.cars.keys().map(|car| futures.has_damage(run, car)).collect();
        Ok(World { damaged, hidden_work: setting.chances.hidden_work, own, until, booked, truth, like })
    }

    /// Returns weeks in which everything is as `truth` has it, and was booked like that: for queues of textbooks.
    pub fn certain(truth: Problem, until: Time) -> World {
        let damaged = KeyedVec::filled(false, truth.cars.len());
        let like = truth.cars.keys().collect();
        World { damaged, hidden_work: 0.0, own: 0, until, booked: truth.clone(), truth, like }
    }

    /// Returns the same weeks with another truth: what is booked stays.
    ///
    /// # Errors
    /// The faults of the truth.
    pub fn with_truth(&self, change: impl FnOnce(&mut ProblemData)) -> Result<World, Vec<Fault>> {
        let mut data = self.truth.clone().into_data();
        change(&mut data);
        Ok(World { truth: Problem::new(data)?, ..self.clone() })
    }

    /// Returns the same weeks with all work that has not started taking so many times as long, as nobody has booked it.
    ///
    /// # Errors
    /// The faults of work that is too long.
    pub fn slower(&self, times: f64) -> Result<World, Vec<Fault>> {
        let longer = |work: Span| Span::from_minutes((work.minutes() as f64 * times).ceil() as i64);
        self.with_truth(|data| {
            for (id, booked) in self.truth.operations.iter() {
                if !booked.crew.is_empty() && !matches!(booked.commitment, Commitment::Started { .. }) {
                    data.operations[id].work = longer(booked.work);
                }
            }
        })
    }

    /// Returns the car of the shop that a car is like; itself if it is one of those.
    pub fn like(&self, car: CarId) -> CarId {
        self.like[car.index()]
    }

    /// Returns everything as it will be.
    pub fn truth(&self) -> &Problem {
        &self.truth
    }

    /// Returns everything as booked, orders that come during the weeks included.
    pub fn booked(&self) -> &Problem {
        &self.booked
    }
}

/// Returns the problem over a longer time, without overtime, pinned starts and prices of changes. The last week before the
/// old horizon repeats.
fn longer(problem: &Problem, horizon: Time) -> ProblemData {
    let mut data = problem.clone().into_data();
    let old = data.horizon;
    let week = Calendar::always(old - Span::from_minutes(WEEK), old);
    let calendars: Vec<Calendar> = data.calendars.values().cloned().collect();
    let repeated = |calendar: Calendar| {
        let last = calendar.intersection(&week);
        let mut windows = calendar.windows().to_vec();
        let mut by = WEEK;
        while old.minutes() - WEEK + by < horizon.minutes() {
            let shifted = last.windows().iter().filter_map(|window| {
                let (start, end) = (window.start() + Span::from_minutes(by), window.end() + Span::from_minutes(by));
                Window::new(start.min(horizon), end.min(horizon))
            });
            windows.extend(shifted);
            by += WEEK;
        }
        Calendar::new(windows)
    };
    if horizon > old {
        data.calendars = calendars.into_iter().map(repeated).collect();
        data.horizon = horizon.ceil_to(data.grid);
        while let Some(&last) = data.days.last().filter(|last| **last + Span::from_minutes(DAY) < data.horizon) {
            data.days.push(last + Span::from_minutes(DAY));
        }
    }
    for id in problem.technicians.keys() {
        data.technicians[id].with_overtime = None;
    }
    for id in problem.operations.keys() {
        let operation = &mut data.operations[id];
        operation.published = None;
        if let Commitment::Pinned { technicians, start } = operation.commitment.clone() {
            let ready = start.map(|time| Ready { time, reason: ReadyReason::NotBefore });
            operation.ready.extend(ready);
            operation.commitment = match technicians {
                Some(people) => Commitment::Pinned { technicians: Some(people), start: None },
                None => Commitment::Free,
            };
        }
    }
    for id in problem.visits.keys() {
        data.visits[id].published = None;
    }
    data
}

/// Returns how many cars like those of the problem the shop can take a week: the least over its skills, its people
/// together and its bay classes.
///
/// A visit is taken to hold its bay for one and a half times its work and half an hour, as nights and waits do: common
/// practice, no source.
pub fn rate(problem: &Problem) -> f64 {
    let cars = problem.cars.len().max(1) as f64;
    let weeks = ((problem.horizon - problem.now).minutes() as f64 / WEEK as f64).max(1.0);
    let span = Calendar::always(problem.now, problem.horizon);
    let open = |calendar: &Calendar| minutes(&calendar.intersection(&span)) / weeks;
    let work_of = |skill: Option<SkillId>| -> f64 {
        let places = |operation: &Operation| match skill {
            Some(skill) => operation.crew.iter().filter(|own| **own == skill).count(),
            None => operation.crew.len(),
        };
        let works = problem.operations.values();
        works.map(|operation| operation.work.minutes() as f64 * places(operation) as f64).sum::<f64>() / cars
    };
    let hours_of = |skill: Option<SkillId>| -> f64 {
        let people = problem.technicians.values();
        let has = people.filter(|person| skill.is_none_or(|skill| person.skills.iter().any(|(own, _)| *own == skill)));
        has.map(|person| open(&problem.calendars[person.calendar])).sum()
    };
    let mut rate = f64::INFINITY;
    for skill in problem.skills.keys().map(Some).chain([None]) {
        let work = work_of(skill);
        if work > 0.0 {
            rate = rate.min(hours_of(skill) / work);
        }
    }
    let day = problem.technicians.values().map(|person| open(&problem.calendars[person.calendar]));
    let day = day.fold(0.0, f64::max);
    for class in problem.bay_classes.keys() {
        let visits = problem.visits.iter().filter(|(_, visit)| visit.class == class);
        let hold = |id| {
            let works = problem.operations_in(id).iter().map(|&id| problem.operations[id].work.minutes() as f64);
            1.5 * works.sum::<f64>() + 30.0
        };
        let held: f64 = visits.map(|(id, _)| hold(id)).sum::<f64>() / cars;
        let bays = problem.bays.values().filter(|bay| bay.classes.contains(&class));
        let hours: f64 = bays.map(|bay| open(&problem.calendars[bay.calendar]).min(day)).sum();
        if held > 0.0 {
            rate = rate.min(hours / held);
        }
    }
    if rate.is_finite() { rate } else { 0.0 }
}

pub(super) fn minutes(calendar: &Calendar) -> f64 {
    calendar.windows().iter().map(|window| window.span().minutes() as f64).sum()
}

/// Returns the times of a Poisson process over the time in which anybody is at work: the gaps are exponential.
pub(crate) fn arrivals(data: &ProblemData, per_week: f64, until: Time, random: &mut Random) -> Vec<Time> {
    let people = data.technicians.values().map(|person| &data.calendars[person.calendar]);
    let open = people.fold(Calendar::default(), |all, calendar| all.union(calendar));
    let open = open.intersection(&Calendar::always(data.now, until));
    let weeks = (until - data.now).minutes() as f64 / WEEK as f64;
    let mut gap = 0.0;
    let mean = minutes(&open) / (per_week * weeks);
    let mut times = Vec::new();
    if !mean.is_finite() || mean <= 0.0 {
        return times;
    }
    for window in open.windows() {
        let mut left = window.span().minutes() as f64;
        loop {
            if gap <= 0.0 {
                gap = -mean * (1.0 - random.unit()).ln();
            }
            if gap > left || times.len() == MOST {
                gap -= left;
                break;
            }
            left -= gap;
            gap = 0.0;
            times.push(Time::from_minutes(window.end().minutes() - left as i64).ceil_to(data.grid));
        }
    }
    times
}

/// Adds a car like `template` of the problem that comes at `time` and of which nothing has been done.
pub(crate) fn another(problem: &Problem, template: CarId, time: Time, name: &str, data: &mut ProblemData) {
    let old = &problem.cars[template];
    let by = time - old.arrival;
    let car =
        data.cars.push(Car { name: name.into(), arrival: time, promise: old.promise.map(|p| p + by), ..old.clone() });
    let first_visit = data.visits.len();
    let visits = problem.visits_of(template);
    let operations = problem.operations_of(template);
    for &id in visits {
        let old = &problem.visits[id];
        let own = format!("{name}/{}", old.name);
        data.visits.push(Visit { name: own, car, bay: BayChoice::Free, published: None, ..old.clone() });
    }
    let first = data.operations.len();
    let place = |id: &OperationId| operations.iter().position(|own| own == id);
    let moved = |id: OperationId| OperationId::from_index(first + place(&id).expect("links stay inside a car"));
    for &id in operations {
        let old = &problem.operations[id];
        let visit = old.visit.and_then(|visit| visits.iter().position(|own| *own == visit));
        let mut ready = vec![Ready { time, reason: ReadyReason::Arrival }];
        let waits =
            old.ready.iter().filter(|ready| matches!(ready.reason, ReadyReason::Part(_) | ReadyReason::Approval(_)));
        ready.extend(waits.map(|ready| Ready { time: (ready.time + by).max(time), reason: ready.reason.clone() }));
        let mut same_person = old.same_person;
        if let Some(wish) = &mut same_person {
            wish.operation = moved(wish.operation);
        }
        data.operations.push(Operation {
            name: format!("{name}/{}", old.name),
            car,
            visit: visit.map(|at| fitup_model::keyed::VisitId::from_index(first_visit + at)),
            ready,
            commitment: Commitment::Free,
            same_person,
            published: None,
            ..old.clone()
        });
    }
    let links = problem.links.iter().filter(|link| operations.contains(&link.from));
    data.links.extend(links.map(|link| Link { from: moved(link.from), to: moved(link.to), ..*link }));
}
