//! Small nasty shops, made by chance.
//!
//! A shop is read off a tape of bytes, and a byte of 0 always is the plainest choice: what proptest shrinks a failing
//! tape to is a shop with little in it. Every feature of the model occurs; often a car cannot be planned at all.

use fitup_model::keyed::{BayClassId, BayId, CarId, EquipmentId, Key, OperationId, SkillId, TechnicianId, VisitId};
use fitup_model::problem::{
    BayChoice, Changeover, Commitment, Objective, Outage, Outside, Published, PublishedBay, Ready, ReadyReason,
    SamePerson, SamePersonRule,
};
use fitup_model::{Problem, Window};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use crate::draft::{Draft, at, span};

/// How large a shop may be.
#[derive(Debug, Clone, Copy)]
pub struct Size {
    /// Cars, at most; at least one.
    pub cars: usize,
    /// Operations of a car, at most; at least one.
    pub operations: usize,
    /// Operations in all, at most.
    pub total: usize,
    /// The horizon, in steps of the grid, at most; at least half of this.
    pub steps: i64,
}

/// Small enough for [`crate::exhaustive`].
pub const TINY: Size = Size { cars: 3, operations: 3, total: 5, steps: 16 };

/// Too large for it, and still quick to plan.
pub const SMALL: Size = Size { cars: 8, operations: 5, total: 24, steps: 90 };

/// Returns a configuration that tries so many shops, the same ones in every run.
///
/// `PROPTEST_CASES` and `PROPTEST_RNG_SEED` ask for more and for others.
pub fn cases(cases: u32) -> ProptestConfig {
    ProptestConfig { cases, rng_seed: RngSeed::Fixed(1), failure_persistence: None, ..ProptestConfig::default() }
}

/// Returns shops of a size.
pub fn shops(size: Size) -> impl Strategy<Value = Problem> {
    // About what the largest shop reads; an end too early means zeros.
    let length = 60 + 30 * size.total;
    prop::collection::vec(any::<u8>(), length / 2..length).prop_map(move |tape| shop(size, tape))
}

/// Returns the shop of a size that `tape` describes.
pub fn shop(size: Size, tape: Vec<u8>) -> Problem {
    let mut tape = Tape { bytes: tape.into_iter() };
    let grid = tape.pick(&[10, 5, 15]);
    let steps = size.steps - tape.below(size.steps / 2 + 1);
    let mut draft = Draft::new(grid, grid * steps + tape.pick(&[0, 0, 0, 3]));
    frame(&mut draft, &mut tape, grid);
    resources(&mut draft, &mut tape, grid, steps);
    let cars = 1 + tape.below(size.cars as i64);
    for _ in 0..cars {
        let room = size.total - draft.data.operations.len();
        if room > 0 {
            let operations = 1 + tape.below(size.operations.min(room) as i64);
            car(&mut draft, &mut tape, operations as usize);
        }
    }
    draft.problem()
}

struct Tape {
    bytes: std::vec::IntoIter<u8>,
}

impl Tape {
    /// Returns a number below `count`; 0 at the end of the tape.
    fn below(&mut self, count: i64) -> i64 {
        i64::from(self.bytes.next().unwrap_or(0)) % count
    }

    /// Returns one of `choices`, of which the first is the plainest.
    fn pick<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[self.below(choices.len() as i64) as usize]
    }

    /// Tells yes about once in `times`.
    fn once_in(&mut self, times: i64) -> bool {
        self.below(times) == times - 1
    }
}

fn frame(draft: &mut Draft, tape: &mut Tape, grid: i64) {
    let horizon = draft.data.horizon.minutes();
    draft.data.now = at(tape.pick(&[0, 0, grid, 2 * grid + 3]));
    draft.data.days = vec![at(0), at(horizon / 2)];
    draft.data.overtime_weight = tape.below(6);
    draft.data.left_out_price = tape.pick(&[100_000, 100_000, 100_000, 40]);
    if tape.once_in(5) {
        draft.data.outside = Some(Outside { limit: tape.below(3) as u32, weight: 1 + tape.below(4) });
    }
    if tape.once_in(8) {
        draft.data.objective = Objective::Makespan;
        draft.data.left_out_price = 100_000;
    }
}

fn resources(draft: &mut Draft, tape: &mut Tape, grid: i64, steps: i64) {
    let half = steps / 2;
    let windows = |tape: &mut Tape| -> Vec<(i64, i64)> {
        let steps = match tape.below(6) {
            0 => vec![(0, steps)],
            1 => vec![(0, half), (half + 1, steps)],
            2 => vec![(1, half - 2), (half + 1, steps)],
            3 => vec![(2, steps - 1)],
            4 => vec![(0, 3), (4, half), (half + 2, half + 4)],
            _ => vec![(half / 2, steps)],
        };
        let shift = tape.pick(&[0, 0, 0, 2]); // off the grid
        steps.into_iter().filter(|(s, e)| s < e).map(|(s, e)| (s * grid + shift, e * grid + shift)).collect()
    };
    let skills: Vec<SkillId> = ["one", "two"].iter().map(|name| draft.skill(name)).collect();
    let classes: Vec<BayClassId> = ["left", "right"].iter().map(|name| draft.class(name)).collect();
    for name in ["solvent", "water"] {
        draft.data.families.push(name.to_string());
    }
    let families: Vec<_> = draft.data.families.keys().collect();
    for (from, to) in [(families[0], families[1]), (families[1], families[0])] {
        let changeover = grid * tape.below(3) + tape.pick(&[0, 0, 2]);
        draft.data.changeovers.push(Changeover { from, to, span: span(changeover) });
    }
    let always = draft.always();
    for index in 0..tape.pick(&[2, 3, 1]) {
        let own = match tape.below(4) {
            0 | 1 => classes.clone(),
            2 => vec![classes[0]],
            _ => vec![classes[1]],
        };
        let calendar = if tape.once_in(5) {
            let own = windows(tape);
            draft.calendar(&own)
        } else {
            always
        };
        draft.bay(&format!("bay-{index}"), &own, calendar);
    }
    let pool = draft.equipment("pool", 1 + tape.below(2) as u32);
    if tape.once_in(5) {
        let start = grid * tape.below(steps);
        let window = Window::new(at(start), at(start + grid * (1 + tape.below(4)))).expect("not negative");
        draft.data.equipment[pool].outages.push(Outage { window, units: 1 });
    }
    for index in 0..tape.pick(&[2, 3, 2, 1]) {
        let regular = windows(tape);
        let calendar = draft.calendar(&regular);
        let own = match tape.below(4) {
            0 | 1 => skills.clone(),
            2 => vec![skills[0]],
            _ => vec![skills[1]],
        };
        let own: Vec<(SkillId, u32)> =
            own.into_iter().map(|skill| (skill, tape.pick(&[1000, 1000, 500, 800, 1250]))).collect();
        let technician = draft.technician(&format!("person-{index}"), calendar, &own);
        if tape.once_in(3) {
            let all: Vec<(i64, i64)> = regular.into_iter().chain(windows(tape)).collect();
            let with_overtime = draft.calendar(&all);
            draft.data.technicians[technician].with_overtime = Some(with_overtime);
        }
    }
}

fn car(draft: &mut Draft, tape: &mut Tape, operations: usize) {
    let grid = draft.data.grid.minutes();
    let id = draft.car(&format!("car-{}", draft.data.cars.len()));
    let arrival = tape.pick(&[0, 0, -7, grid, 3 * grid]);
    draft.data.cars[id].arrival = at(arrival);
    draft.data.cars[id].flow_weight = tape.pick(&[1, 1, 0, 3]);
    if tape.below(3) > 0 {
        draft.data.cars[id].promise = Some(at(arrival + grid * tape.below(10)));
        draft.data.cars[id].late_weight = 1 + tape.below(5);
    }
    let mut visits: Vec<VisitId> = Vec::new();
    let first = draft.data.operations.len();
    for index in 0..operations {
        let operation = work(draft, tape, id, &mut visits);
        if arrival > 0 {
            draft.data.operations[operation].ready.push(Ready { time: at(arrival), reason: ReadyReason::Arrival });
        }
        if index > 0 {
            links(draft, tape, first, operation);
        }
    }
    let started = tape.pick(&[0, 0, 0, 0, 0, 0, 1, 2]).min(operations);
    for index in 0..operations {
        let operation = OperationId::from_index(first + index);
        if index < started {
            start(draft, tape, operation, index + 1 == started);
        } else {
            commit(draft, tape, operation);
        }
        same_person(draft, tape, operation);
    }
    for visit in visits {
        settle(draft, tape, visit);
    }
}

/// Adds an operation, and the visit that it is in if that is a new one.
fn work(draft: &mut Draft, tape: &mut Tape, car: CarId, visits: &mut Vec<VisitId>) -> OperationId {
    let grid = draft.data.grid.minutes();
    let skill = SkillId::from_index(tape.below(2) as usize);
    let crew = match tape.below(8) {
        0..=4 => vec![skill],
        5 | 6 => vec![],
        _ => vec![skill, SkillId::from_index(tape.below(2) as usize)],
    };
    let length = grid * (1 + tape.below(4)) - tape.pick(&[0, 0, 0, 3]);
    let operation = draft.operation(car, &format!("o{}", draft.data.operations.len()), length, &crew);
    let choice = tape.below(4) as usize;
    if choice < 3 {
        let visit = match visits.get(choice).filter(|_| choice < 2) {
            Some(&visit) => visit,
            None => new_visit(draft, tape, car),
        };
        if !visits.contains(&visit) {
            visits.push(visit);
        }
        draft.data.operations[operation].visit = Some(visit);
    } else if crew.is_empty() && tape.once_in(2) {
        draft.data.operations[operation].work = span(0);
    }
    draft.data.operations[operation].interruptible = !crew.is_empty() && tape.once_in(2);
    if tape.once_in(4) {
        let units = 1 + tape.below(2) as u32;
        draft.data.operations[operation].equipment.push((EquipmentId::from_index(0), units));
    }
    if tape.once_in(5) {
        draft.not_before(operation, grid * tape.below(8) + tape.pick(&[0, 4]));
    }
    operation
}

fn new_visit(draft: &mut Draft, tape: &mut Tape, car: CarId) -> VisitId {
    let visit = draft.visit(car, BayClassId::from_index(tape.below(2) as usize));
    draft.data.visits[visit].on_vehicle = !tape.once_in(3);
    if tape.once_in(2) {
        draft.data.visits[visit].family = draft.data.families.keys().nth(tape.below(2) as usize);
    }
    if tape.once_in(4) {
        draft.data.visits[visit].published =
            Some(PublishedBay { bay: some_bay(draft, tape), price: 1 + tape.below(9) });
    }
    visit
}

/// Links `operation` to one of the car's operations before it, from `first` on.
fn links(draft: &mut Draft, tape: &mut Tape, first: usize, operation: OperationId) {
    let grid = draft.data.grid.minutes();
    let from = match tape.below(5) {
        0..=2 => operation.index() - 1,
        3 => first + tape.below((operation.index() - first) as i64) as usize,
        _ => return,
    };
    let min_wait = tape.pick(&[0, 0, grid, 7, -grid, -2 * grid]);
    let max_wait = match tape.below(4) {
        0..=2 => None,
        _ => Some(min_wait + tape.pick(&[grid, 0, 3 * grid, 8])),
    };
    draft.link(OperationId::from_index(from), operation, min_wait, max_wait);
}

/// Makes `operation` a fact, which may still run only if it is the `last` one of its car.
fn start(draft: &mut Draft, tape: &mut Tape, operation: OperationId, last: bool) {
    let (grid, now) = (draft.data.grid.minutes(), draft.data.now.minutes());
    let start = now - tape.pick(&[0, grid, 3, 4 * grid]);
    let end = if last { start + grid * tape.below(7) + tape.pick(&[0, 1]) } else { start + (now - start) / 2 };
    let mut technicians = some_crew(draft, tape, operation);
    if tape.once_in(6) {
        technicians = vec![some_technician(draft, tape)];
    }
    draft.data.operations[operation].commitment = Commitment::Started { start: at(start), end: at(end), technicians };
    publish(draft, tape, operation);
}

fn commit(draft: &mut Draft, tape: &mut Tape, operation: OperationId) {
    let grid = draft.data.grid.minutes();
    if tape.once_in(8) {
        let technicians = if tape.once_in(2) { Some(some_crew(draft, tape, operation)) } else { None };
        let early = draft.data.now.minutes() / grid;
        let start = if tape.once_in(2) { Some(at(grid * (early + tape.below(8)))) } else { None };
        let technicians = technicians.filter(|people| people.len() == draft.data.operations[operation].crew.len());
        draft.data.operations[operation].commitment = Commitment::Pinned { technicians, start };
    }
    publish(draft, tape, operation);
}

fn publish(draft: &mut Draft, tape: &mut Tape, operation: OperationId) {
    if tape.once_in(4) {
        let start = at(draft.data.grid.minutes() * tape.below(12));
        let technicians = some_crew(draft, tape, operation);
        let (person_price, day_price) = (tape.below(9), tape.below(9));
        draft.data.operations[operation].published = Some(Published { start, technicians, person_price, day_price });
    }
}

fn same_person(draft: &mut Draft, tape: &mut Tape, operation: OperationId) {
    let before = draft.data.links.iter().find(|link| link.to == operation).map(|link| link.from);
    if let Some(before) = before.filter(|_| tape.once_in(4)) {
        let rule = tape.pick(&[SamePersonRule::Preferred(15), SamePersonRule::Required]);
        draft.data.operations[operation].same_person = Some(SamePerson { operation: before, rule });
    }
}

/// Says which bay a visit takes: the one in which the car stands if something in it has started.
fn settle(draft: &mut Draft, tape: &mut Tape, visit: VisitId) {
    let started =
        draft.data.operations.values().any(|operation| {
            operation.visit == Some(visit) && matches!(operation.commitment, Commitment::Started { .. })
        });
    let choice = tape.below(8);
    let bay = some_bay(draft, tape);
    draft.data.visits[visit].bay = match choice {
        _ if started => BayChoice::Entered(bay),
        6 => BayChoice::Pinned(bay),
        7 => BayChoice::Entered(bay),
        _ => BayChoice::Free,
    };
}

/// Returns distinct people with the skills of the crew, as far as there are any; others otherwise.
fn some_crew(draft: &Draft, tape: &mut Tape, operation: OperationId) -> Vec<TechnicianId> {
    let mut crew: Vec<TechnicianId> = Vec::new();
    for skill in &draft.data.operations[operation].crew {
        let able: Vec<TechnicianId> = draft
            .data
            .technicians
            .iter()
            .filter(|(id, technician)| !crew.contains(id) && technician.skills.iter().any(|(own, _)| own == skill))
            .map(|(id, _)| id)
            .collect();
        crew.push(if able.is_empty() { some_technician(draft, tape) } else { tape.pick(&able) });
    }
    crew
}

fn some_technician(draft: &Draft, tape: &mut Tape) -> TechnicianId {
    TechnicianId::from_index(tape.below(draft.data.technicians.len() as i64) as usize)
}

fn some_bay(draft: &Draft, tape: &mut Tape) -> BayId {
    BayId::from_index(tape.below(draft.data.bays.len() as i64) as usize)
}
