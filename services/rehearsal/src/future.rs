//! One course of events: what a problem would be if all of it were known from the start.

use fitup_model::keyed::{CarId, KeyedVec, OperationId, TechnicianId};
use fitup_model::problem::{Commitment, Operation, Ready, ReadyReason};
use fitup_model::{Calendar, Fault, Problem, Span, Window};
use fitup_planner::compile::Variation;
use fitup_planner::random::Random;

use crate::chances::Chances;
use crate::three_point::{Beta, ThreePoint};

const DAY: Span = Span::from_minutes(1440);

/// The futures of a problem, by number.
///
/// What happens to a car, a part or a person depends on the seed, the number and their names alone: another car or another
/// plan beside them meets the same luck (common random numbers).
#[derive(Debug)]
pub struct Futures<'p> {
    problem: &'p Problem,
    chances: Chances,
    seed: u64,
    /// The distributions of shares of what is booked; none where nothing varies.
    works: Vec<Option<Beta>>,
    /// Which of them is that of an operation.
    work_of: KeyedVec<OperationId, usize>,
    untouched: KeyedVec<CarId, bool>,
}

impl<'p> Futures<'p> {
    /// Returns the futures that belong to `seed`.
    pub fn new(problem: &'p Problem, chances: Chances, seed: u64) -> Futures<'p> {
        let (works, work_of) = works(problem, &chances);
        let untouched = |car| {
            // Damage shows when the first work has ended.
            let ended = |id: &OperationId| match problem.operations[*id].commitment {
                Commitment::Started { end, .. } => end <= problem.now,
                _ => false,
            };
            !problem.operations_of(car).iter().any(ended)
        };
        let untouched = problem.cars.keys().map(untouched).collect();
        Futures { problem, chances, seed, works, work_of, untouched }
    }

    /// Returns what is otherwise in one future than the problem says.
    pub fn variation(&self, number: u64) -> Variation {
        let chances = &self.chances;
        let mut variation = Variation::default();
        let damaged: KeyedVec<CarId, bool> = self.problem.cars.keys().map(|car| self.has_damage(number, car)).collect();
        for (id, own) in self.problem.operations.iter() {
            let mut work = own.work;
            let open = !matches!(own.commitment, Commitment::Started { .. });
            let car = &self.problem.cars[own.car].name;
            if open && !own.crew.is_empty() {
                let mut luck = self.luck(number, &["work", &own.name]);
                let mut share = self.works[self.work_of[id]].as_ref().map_or(1.0, |work| work.quantile(luck.unit()));
                if luck.chance(chances.failed_check) {
                    share += chances.rework;
                }
                if damaged[own.car] {
                    share += chances.hidden_work;
                }
                work = Span::from_minutes((own.work.minutes() as f64 * share).ceil() as i64);
            }
            variation.work.push(work);
            for (index, ready) in own.ready.iter().enumerate() {
                if !open || ready.time <= self.problem.now {
                    continue;
                }
                let (chance, name) = match &ready.reason {
                    ReadyReason::Part(part) => (chances.late_part, ["part", car, part]),
                    ReadyReason::Approval(approval) => (chances.late_approval, ["approval", car, approval]),
                    ReadyReason::Arrival | ReadyReason::NotBefore => continue,
                };
                let mut luck = self.luck(number, &name);
                if luck.chance(chance) {
                    let days = 1 + luck.below(chances.late_days.max(1) as usize) as i64;
                    variation.ready.push((id, index, ready.time + Span::from_minutes(days * DAY.minutes())));
                }
            }
        }
        for id in self.problem.technicians.keys() {
            variation.away.extend(self.absences(number, id).into_iter().map(|window| (id, window)));
        }
        variation
    }

    /// Returns the problem with starts that were pinned as the earliest ones: work before may take longer.
    ///
    /// # Errors
    /// The faults of what is no problem any more.
    pub fn loosened(&self) -> Result<Problem, Vec<Fault>> {
        let mut data = self.problem.clone().into_data();
        for id in self.problem.operations.keys() {
            let operation = &mut data.operations[id];
            if let Commitment::Pinned { technicians, start: Some(start) } = operation.commitment.clone() {
                operation.ready.push(Ready { time: start, reason: ReadyReason::NotBefore });
                operation.commitment = match technicians {
                    Some(people) => Commitment::Pinned { technicians: Some(people), start: None },
                    None => Commitment::Free,
                };
            }
        }
        Problem::new(data)
    }

    /// Returns one future as a problem. Starts that were pinned are the earliest ones in it.
    ///
    /// # Errors
    /// The faults of a future that is no problem, such as work longer than the horizon.
    pub fn future(&self, number: u64) -> Result<Problem, Vec<Fault>> {
        let variation = self.variation(number);
        let mut data = self.loosened()?.into_data();
        for (id, work) in variation.work.iter() {
            data.operations[id].work = *work;
        }
        for (id, index, time) in variation.ready {
            data.operations[id].ready[index].time = time;
        }
        let mut away: KeyedVec<TechnicianId, Vec<Window>> = KeyedVec::filled(Vec::new(), data.technicians.len());
        for (id, window) in variation.away {
            away[id].push(window);
        }
        for (id, windows) in away.iter().filter(|(_, windows)| !windows.is_empty()) {
            let away = Calendar::new(windows.clone());
            let own = &self.problem.technicians[id];
            data.technicians[id].calendar = data.calendars.push(self.problem.calendars[own.calendar].minus(&away));
            let overtime = own.with_overtime.map(|all| self.problem.calendars[all].minus(&away));
            data.technicians[id].with_overtime = overtime.map(|open| data.calendars.push(open));
        }
        Problem::new(data)
    }

    /// Tells whether damage is found on a car in the future `number`, if nothing of it has started.
    pub fn has_damage(&self, number: u64, car: CarId) -> bool {
        let name = &self.problem.cars[car].name;
        self.untouched[car] && self.luck(number, &["damage", name]).chance(self.chances.hidden_damage)
    }

    /// Returns the days on which somebody is away, from the next one on: who is here today is known.
    fn absences(&self, number: u64, technician: TechnicianId) -> Vec<Window> {
        let name = &self.problem.technicians[technician].name;
        let mut luck = self.luck(number, &["absence", name]);
        let mut away = Vec::new();
        for (index, &midnight) in self.problem.days.iter().enumerate() {
            let next = self.problem.days.get(index + 1).copied().unwrap_or(self.problem.horizon);
            if luck.chance(self.chances.absence) && midnight > self.problem.now {
                away.extend(Window::new(midnight, next));
            }
        }
        away
    }

    /// Returns the problem that these are futures of.
    pub fn problem(&self) -> &'p Problem {
        self.problem
    }

    fn luck(&self, number: u64, name: &[&str]) -> Random {
        Random::new(self.seed ^ number.wrapping_mul(0x9E37_79B9_7F4A_7C15), digest(name))
    }
}

/// Returns the distributions of the shares of booked work, and which of them is that of each operation: its own low and
/// high where they were said, else those of the shop. Operations with the same shares have one.
fn works(problem: &Problem, chances: &Chances) -> (Vec<Option<Beta>>, KeyedVec<OperationId, usize>) {
    let mut shares: Vec<(f64, f64)> = Vec::new();
    let mut works = Vec::new();
    let mut work_of = |(low, high): (f64, f64)| {
        shares.iter().position(|own| *own == (low, high)).unwrap_or_else(|| {
            shares.push((low, high));
            works.push(ThreePoint::new(low, 1.0, high).map(|spread| spread.beta()));
            shares.len() - 1
        })
    };
    let own = |operation: &Operation| {
        let low = operation.spread.and_then(|spread| spread.low_share()).unwrap_or(chances.low);
        (low, operation.spread.and_then(|spread| spread.high_share()).unwrap_or(chances.high))
    };
    let work_of = problem.operations.iter().map(|(_, operation)| work_of(own(operation))).collect();
    (works, work_of)
}

/// Returns FNV-1a of the words, each ended by a byte that is in none: Fowler, Noll, Vo, RFC 9923.
pub(crate) fn digest(words: &[&str]) -> u64 {
    let bytes = words.iter().flat_map(|word| word.bytes().chain([0xFF]));
    bytes.fold(0xCBF2_9CE4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3))
}
