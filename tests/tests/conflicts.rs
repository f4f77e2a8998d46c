//! Why a car finds no room: the set of rules that is named leaves none, and each rule in it is needed for that.

use fitup_model::keyed::{CarId, Key, OperationId};
use fitup_model::problem::{BayChoice, Commitment, Ready, ReadyReason, SamePerson, SamePersonRule};
use fitup_model::{Plan, Problem};
use fitup_planner::conflict::{Conflict, Rule, conflict, relaxed};
use fitup_planner::{LeftOutReason, Never, Outcome, Solved};
use fitup_tests::draft::{Draft, at};
use fitup_tests::exhaustive;
use fitup_tests::planning::planned;
use fitup_tests::shops::{self, TINY};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

/// Decisions of the exhaustive search.
const LIMIT: u64 = 300_000;

fn solved(problem: &Problem) -> Solved {
    match planned(problem, 200, 20) {
        Outcome::Optimal(solved) | Outcome::Feasible(solved) => solved,
        other => panic!("no plan: {other:?}"),
    }
}

/// Returns whether every car of the problem that is left when only `kept` hold finds room, by trying everything.
fn room(problem: &Problem, plan: &Plan, car: CarId, kept: &[Rule]) -> Option<bool> {
    let relaxed = relaxed(problem, plan, car, kept).expect("a problem");
    Some(exhaustive::optimum(&relaxed, LIMIT)?.cost == 0)
}

/// Asserts what a conflict says; returns how much of it could be tried out.
fn verify(problem: &Problem, plan: &Plan, car: CarId, conflict: &Conflict) -> (u32, u32) {
    let (mut tried, mut all) = (0, 1);
    if let Some(room) = room(problem, plan, car, &conflict.rules) {
        assert!(!room, "{:?} leave room for {car:?} in {problem:?}", conflict.rules);
        tried += 1;
    }
    for position in 0..conflict.rules.len() {
        let mut less = conflict.rules.clone();
        let spared = less.remove(position);
        all += 1;
        if let Some(room) = room(problem, plan, car, &less) {
            assert!(room || !conflict.minimal, "without {spared:?} there is still no room in {problem:?}");
            tried += 1;
        }
    }
    (tried, all)
}

/// Goal: a conflict is one, and minimal, whatever the shop. Method: exhaustive search of the relaxed problems.
#[test]
fn conflicts_of_tiny_shops_are_true_and_minimal() {
    let mut runner = TestRunner::new(shops::cases(1));
    let (mut cars, mut explained, mut minimal, mut tried, mut all) = (0, 0, 0, 0, 0);
    for _ in 0..150 {
        let problem = shops::shops(TINY).new_tree(&mut runner).expect("no filters").current();
        let plan = solved(&problem);
        for left_out in &plan.left_out {
            cars += 1;
            let Some(conflict) = conflict(&problem, &plan.plan, left_out.car, &Never) else { continue };
            explained += 1;
            minimal += u32::from(conflict.minimal);
            let (of, out_of) = verify(&problem, &plan.plan, left_out.car, &conflict);
            (tried, all) = (tried + of, all + out_of);
        }
    }
    assert!(
        cars >= 30 && explained * 10 >= cars * 9 && minimal * 10 >= explained * 9,
        "{cars} left out, {explained} explained, {minimal} minimal, {tried} of {all} tried"
    );
    assert!(tried * 2 >= all, "{tried} of {all}");
}

proptest! {
    #![proptest_config(shops::cases(25))]

    /// A car that is in the plan is in no conflict with it.
    #[test]
    fn a_planned_car_has_no_conflict(problem in shops::shops(TINY)) {
        let plan = solved(&problem);
        let car = problem.cars.keys().find(|&car| plan.plan.includes(&problem, car));
        if let Some(car) = car {
            prop_assert_eq!(conflict(&problem, &plan.plan, car, &Never), None);
        }
    }
}

/// Returns the only car's conflict.
fn conflict_of(draft: &Draft, car: CarId) -> Conflict {
    let problem = draft.problem();
    let plan = solved(&problem);
    assert!(plan.left_out.iter().any(|left_out| left_out.car == car), "it is planned");
    let conflict = conflict(&problem, &plan.plan, car, &Never).expect("explained");
    verify(&problem, &plan.plan, car, &conflict);
    assert!(conflict.minimal);
    conflict
}

fn names(draft: &Draft, conflict: &Conflict) -> Vec<String> {
    let problem = draft.problem();
    conflict.rules.iter().map(|rule| rule.describe(&problem, &|time| time.minutes().to_string())).collect()
}

#[test]
fn nobody_has_the_skill() {
    let mut draft = Draft::new(10, 200);
    let always = draft.always();
    let (glass, metal) = (draft.skill("glass"), draft.skill("metal"));
    draft.technician("ann", always, &[(metal, 1000)]);
    let car = draft.car("1042");
    draft.operation(car, "pull", 30, &[metal]);
    draft.operation(car, "windscreen", 30, &[glass]);
    let conflict = conflict_of(&draft, car);
    assert_eq!(names(&draft, &conflict), ["nobody has the skill \"glass\""]);
}

/// The part comes too late for the work that is left to do after it, and no rule of the shop is to blame for it.
#[test]
fn a_part_comes_too_late() {
    let mut draft = Draft::new(10, 200);
    let always = draft.always();
    let metal = draft.skill("metal");
    draft.technician("ann", always, &[(metal, 1000)]);
    let car = draft.car("1042");
    let fit = draft.operation(car, "fit", 30, &[metal]);
    draft.operation(car, "wash", 10, &[metal]);
    draft.data.operations[fit].ready.push(Ready { time: at(180), reason: ReadyReason::Part("fender".into()) });
    let conflict = conflict_of(&draft, car);
    assert_eq!(names(&draft, &conflict), ["all ends by the end of the plan, 200", "the part \"fender\" is expected"]);
}

/// The one booth is full until the end, by a car that is worth more: either gives way, or one more booth is needed.
#[test]
fn another_car_is_in_the_booth() {
    let mut draft = Draft::new(10, 100);
    let always = draft.always();
    let booth = draft.class("booth");
    draft.bay("booth-1", &[booth], always);
    let mut cars = Vec::new();
    for (name, weight) in [("1042", 1), ("1043", 9)] {
        let car = draft.car(name);
        draft.data.cars[car].flow_weight = weight;
        let visit = draft.visit(car, booth);
        let bake = draft.operation(car, "bake", 60, &[]);
        draft.data.operations[bake].visit = Some(visit);
        cars.push(car);
    }
    draft.data.left_out_price = 1000;
    let conflict = conflict_of(&draft, cars[0]);
    assert_eq!(conflict.rules, [Rule::Horizon, Rule::Bays(booth), Rule::Car(cars[1])],);
}

/// Pinned to a start, a longest wait before it cannot be kept.
#[test]
fn a_pin_breaks_a_longest_wait() {
    let mut draft = Draft::new(10, 300);
    let car = draft.car("1042");
    let first = draft.operation(car, "primer", 20, &[]);
    let second = draft.operation(car, "top coat", 20, &[]);
    draft.link(first, second, 0, Some(30));
    for (id, start) in [(first, 0), (second, 100)] {
        draft.data.operations[id].commitment = Commitment::Pinned { technicians: None, start: Some(at(start)) };
    }
    let conflict = conflict_of(&draft, car);
    let pins = [Rule::PinnedStart(first), Rule::PinnedStart(second)];
    assert!(pins.iter().all(|pin| conflict.rules.contains(pin)), "{conflict:?}");
    assert!(conflict.rules.contains(&Rule::LongestWait(first, second)) && conflict.rules.len() == 3, "{conflict:?}");
}

/// What has happened leaves no room: the wait after an operation that is over has run out, and no rule but that wait is
/// to blame.
#[test]
fn a_wait_has_run_out() {
    let mut draft = Draft::new(10, 300);
    draft.data.now = at(100);
    let car = draft.car("1042");
    let first = draft.operation(car, "primer", 20, &[]);
    let second = draft.operation(car, "top coat", 20, &[]);
    draft.link(first, second, 0, Some(30));
    draft.data.operations[first].commitment = Commitment::Started { start: at(0), end: at(20), technicians: vec![] };
    assert_eq!(conflict_of(&draft, car).rules, [Rule::LongestWait(first, second)]);
}

/// Two visits that have begun in one bay, both to go on: the facts of the other car are in the way.
#[test]
fn another_car_stands_there_in_fact() {
    let mut draft = Draft::new(10, 200);
    draft.data.now = at(20);
    let always = draft.always();
    let class = draft.class("body");
    let bay = draft.bay("bay", &[class], always);
    let mut cars = Vec::new();
    for name in ["one", "two"] {
        let car = draft.car(name);
        let visit = draft.visit(car, class);
        draft.data.visits[visit].bay = BayChoice::Entered(bay);
        let begun = draft.operation(car, "begun", 10, &[]);
        draft.data.operations[begun].commitment =
            Commitment::Started { start: at(0), end: at(30), technicians: vec![] };
        let rest = draft.operation(car, "rest", 10, &[]);
        for id in [begun, rest] {
            draft.data.operations[id].visit = Some(visit);
        }
        cars.push(car);
    }
    let problem = draft.problem();
    let plan = solved(&problem);
    for left_out in &plan.left_out {
        let found = conflict(&problem, &plan.plan, left_out.car, &Never).expect("explained");
        let other = cars.iter().copied().find(|&car| car != left_out.car).expect("there are two");
        assert_eq!(found.rules, [Rule::Car(other)]);
    }
    assert!(!plan.left_out.is_empty());
}

/// Nobody who can take it apart can put it together: said as such, for the operation that asks, and in the conflict.
#[test]
fn nobody_can_see_it_again() {
    let mut draft = Draft::new(10, 200);
    let always = draft.always();
    let (apart, together) = (draft.skill("apart"), draft.skill("together"));
    draft.technician("ann", always, &[(apart, 1000)]);
    draft.technician("ben", always, &[(together, 1000)]);
    let car = draft.car("1042");
    let first = draft.operation(car, "disassemble", 30, &[apart]);
    let second = draft.operation(car, "reassemble", 30, &[together]);
    draft.link(first, second, 0, None);
    draft.data.operations[second].same_person = Some(SamePerson { operation: first, rule: SamePersonRule::Required });
    let plan = solved(&draft.problem());
    let reason = LeftOutReason::NoSamePerson { operation: second };
    assert_eq!(plan.left_out.iter().map(|left_out| &left_out.reason).collect::<Vec<_>>(), [&reason]);
    assert!(conflict_of(&draft, car).rules.contains(&Rule::SamePerson(second)));
    // Where nobody has the skill at all, that is what is said.
    draft.data.technicians[Key::from_index(1)].skills.clear();
    let plan = solved(&draft.problem());
    let reason = LeftOutReason::NoCrew { operation: second, skill: together };
    assert_eq!(plan.left_out.iter().map(|left_out| &left_out.reason).collect::<Vec<_>>(), [&reason]);
    let _: OperationId = first;
}
