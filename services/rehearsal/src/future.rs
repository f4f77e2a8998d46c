//! One course of events, as a planning problem in which it is known from the start.

use fitup_model::keyed::TechnicianId;
use fitup_model::problem::{Commitment, ReadyReason};
use fitup_model::{Calendar, Fault, Problem, Span, Window};
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
    work: Option<Beta>,
}

impl<'p> Futures<'p> {
    /// Returns the futures that belong to `seed`.
    pub fn new(problem: &'p Problem, chances: Chances, seed: u64) -> Futures<'p> {
        let work = ThreePoint::new(chances.low, 1.0, chances.high).map(|spread| spread.beta());
        Futures { problem, chances, seed, work }
    }

    /// Returns one future. Starts that were pinned are the earliest ones in it, since work before may take longer.
    ///
    /// # Errors
    /// The faults of a future that is no problem, such as work longer than the horizon.
    pub fn future(&self, number: u64) -> Result<Problem, Vec<Fault>> {
        let chances = &self.chances;
        let mut data = self.problem.clone().into_data();
        for (id, own) in self.problem.operations.iter() {
            let operation = &mut data.operations[id];
            if matches!(own.commitment, Commitment::Started { .. }) {
                continue;
            }
            if let Commitment::Pinned { technicians, start: Some(start) } = own.commitment.clone() {
                operation.ready.push(fitup_model::problem::Ready { time: start, reason: ReadyReason::NotBefore });
                operation.commitment = match technicians {
                    Some(people) => Commitment::Pinned { technicians: Some(people), start: None },
                    None => Commitment::Free,
                };
            }
            let car = &self.problem.cars[own.car].name;
            if !own.crew.is_empty() {
                let mut luck = self.luck(number, &["work", &own.name]);
                let mut share = self.work.as_ref().map_or(1.0, |work| work.quantile(luck.unit()));
                if luck.chance(chances.failed_check) {
                    share += chances.rework;
                }
                if self.is_untouched(own.car) && self.luck(number, &["damage", car]).chance(chances.hidden_damage) {
                    share += chances.hidden_work;
                }
                operation.work = Span::from_minutes((own.work.minutes() as f64 * share).ceil() as i64);
            }
            for ready in operation.ready.iter_mut().filter(|ready| ready.time > self.problem.now) {
                let (chance, name) = match &ready.reason {
                    ReadyReason::Part(part) => (chances.late_part, ["part", car, part]),
                    ReadyReason::Approval(approval) => (chances.late_approval, ["approval", car, approval]),
                    ReadyReason::Arrival | ReadyReason::NotBefore => continue,
                };
                let mut luck = self.luck(number, &name);
                if luck.chance(chance) {
                    let days = 1 + luck.below(chances.late_days.max(1) as usize) as i64;
                    ready.time += Span::from_minutes(days * DAY.minutes());
                }
            }
        }
        for id in self.problem.technicians.keys() {
            let away = self.absences(number, id);
            if away.windows().is_empty() {
                continue;
            }
            let own = &self.problem.technicians[id];
            data.technicians[id].calendar = data.calendars.push(self.problem.calendars[own.calendar].minus(&away));
            let overtime = own.with_overtime.map(|all| self.problem.calendars[all].minus(&away));
            data.technicians[id].with_overtime = overtime.map(|open| data.calendars.push(open));
        }
        Problem::new(data)
    }

    /// Returns the days on which somebody is away, from the next one on: who is here today is known.
    fn absences(&self, number: u64, technician: TechnicianId) -> Calendar {
        let name = &self.problem.technicians[technician].name;
        let mut luck = self.luck(number, &["absence", name]);
        let mut away = Vec::new();
        for (index, &midnight) in self.problem.days.iter().enumerate() {
            let next = self.problem.days.get(index + 1).copied().unwrap_or(self.problem.horizon);
            if luck.chance(self.chances.absence) && midnight > self.problem.now {
                away.extend(Window::new(midnight, next));
            }
        }
        Calendar::new(away)
    }

    fn is_untouched(&self, car: fitup_model::keyed::CarId) -> bool {
        let started = |id: &fitup_model::keyed::OperationId| {
            matches!(self.problem.operations[*id].commitment, Commitment::Started { .. })
        };
        !self.problem.operations_of(car).iter().any(started)
    }

    fn luck(&self, number: u64, name: &[&str]) -> Random {
        Random::new(self.seed ^ number.wrapping_mul(0x9E37_79B9_7F4A_7C15), digest(name))
    }
}

/// Returns FNV-1a of the words, each ended by a byte that is in none: Fowler, Noll, Vo, RFC 9923.
fn digest(words: &[&str]) -> u64 {
    let bytes = words.iter().flat_map(|word| word.bytes().chain([0xFF]));
    bytes.fold(0xCBF2_9CE4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3))
}
