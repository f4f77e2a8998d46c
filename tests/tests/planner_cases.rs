//! Small shops on which a planner can go wrong, each for one reason. All were found by the property tests.

use fitup_model::keyed::{BayId, OperationId, TechnicianId, VisitId};
use fitup_model::problem::{BayChoice, Commitment, Objective};
use fitup_planner::{Outcome, Solved};
use fitup_tests::draft::{Draft, at};
use fitup_tests::exhaustive;
use fitup_tests::planning::planned;

/// Plans the draft, audits the plan, and asserts that it is as good as the best one.
fn solved(draft: &Draft) -> Solved {
    let problem = draft.problem();
    let best = exhaustive::optimum(&problem, 1_000_000).expect("a tiny shop");
    match planned(&problem, 2_000, 20) {
        Outcome::Optimal(solved) | Outcome::Feasible(solved) => {
            assert_eq!(solved.cost, best.cost, "{:?} is not as good as {:?}", solved.plan, best.plan);
            solved
        }
        other => panic!("no plan: {other:?}"),
    }
}

fn start(draft: &mut Draft, operation: OperationId, from: i64, until: i64, people: &[TechnicianId]) {
    draft.data.operations[operation].commitment =
        Commitment::Started { start: at(from), end: at(until), technicians: people.to_vec() };
}

fn enter(draft: &mut Draft, visit: VisitId, bay: BayId) {
    draft.data.visits[visit].bay = BayChoice::Entered(bay);
}

/// The floor says that two cars stand in one bay until the first minute is over. One of them has more to do there.
#[test]
fn two_cars_in_one_bay_in_fact() {
    let mut draft = Draft::new(10, 200);
    let always = draft.always();
    let class = draft.class("body");
    let bay = draft.bay("bay", &[class], always);
    for more in [true, false] {
        let car = draft.car(if more { "more" } else { "done" });
        let visit = draft.visit(car, class);
        enter(&mut draft, visit, bay);
        let begun = draft.operation(car, "begun", 10, &[]);
        start(&mut draft, begun, 0, 1, &[]);
        draft.data.operations[begun].visit = Some(visit);
        if more {
            let rest = draft.operation(car, "rest", 10, &[]);
            draft.data.operations[rest].visit = Some(visit);
        }
    }
    solved(&draft);
}

/// The floor says that two cars stand in one bay, and both have more to do there: one at most can be planned.
#[test]
fn two_cars_to_go_on_in_one_bay() {
    let mut draft = Draft::new(10, 200);
    draft.data.now = at(20);
    let always = draft.always();
    let class = draft.class("body");
    let bay = draft.bay("bay", &[class], always);
    for (name, from, until) in [("first", 0, 10), ("second", 5, 15)] {
        let car = draft.car(name);
        let visit = draft.visit(car, class);
        enter(&mut draft, visit, bay);
        let begun = draft.operation(car, "begun", 10, &[]);
        start(&mut draft, begun, from, until, &[]);
        let rest = draft.operation(car, "rest", 10, &[]);
        draft.data.operations[begun].visit = Some(visit);
        draft.data.operations[rest].visit = Some(visit);
    }
    assert_eq!(solved(&draft).left_out.len(), 1);
}

/// The floor says that a car is being worked on in one bay while a visit in another has begun and is to go on.
#[test]
fn one_car_in_two_bays_in_fact() {
    let mut draft = Draft::new(10, 200);
    let always = draft.always();
    let class = draft.class("body");
    let car = draft.car("car");
    for (name, from, until, more) in [("first", 0, 0, true), ("second", -10, 10, false)] {
        let bay = draft.bay(name, &[class], always);
        let visit = draft.visit(car, class);
        enter(&mut draft, visit, bay);
        let begun = draft.operation(car, name, 10, &[]);
        start(&mut draft, begun, from, until, &[]);
        draft.data.operations[begun].visit = Some(visit);
        if more {
            let rest = draft.operation(car, "rest", 10, &[]);
            draft.data.operations[rest].visit = Some(visit);
        }
    }
    solved(&draft);
}

/// A car runs in its bay until 33 and a second one over-stayed there before: the third has to wait for the bay.
#[test]
fn a_bay_is_held_by_a_running_fact() {
    let mut draft = Draft::new(10, 200);
    draft.data.now = at(23);
    let always = draft.always();
    let class = draft.class("body");
    let bay = draft.bay("bay", &[class], always);
    for (name, from, until) in [("over", 20, 23), ("running", 13, 33)] {
        let car = draft.car(name);
        let visit = draft.visit(car, class);
        enter(&mut draft, visit, bay);
        let begun = draft.operation(car, name, 10, &[]);
        start(&mut draft, begun, from, until, &[]);
        draft.data.operations[begun].visit = Some(visit);
    }
    let car = draft.car("next");
    let visit = draft.visit(car, class);
    let work = draft.operation(car, "work", 10, &[]);
    draft.data.operations[work].visit = Some(visit);
    let solved = solved(&draft);
    assert_eq!(solved.plan.operations[work].as_ref().map(|assignment| assignment.start), Some(at(40)));
}

/// The second operation has to start shortly before the first ends, and its technician comes late: the first waits.
#[test]
fn an_operation_waits_for_the_next_one() {
    let mut draft = Draft::new(10, 200);
    let late = draft.calendar(&[(70, 200)]);
    let skill = draft.skill("body");
    draft.technician("late", late, &[(skill, 1000)]);
    let car = draft.car("car");
    let first = draft.operation(car, "first", 40, &[]);
    let second = draft.operation(car, "second", 20, &[skill]);
    draft.link(first, second, -20, Some(-10));
    let solved = solved(&draft);
    assert_eq!(solved.left_out, []);
}

/// The first operation may take either bay and the second, which overlaps with it, one of them only.
#[test]
fn a_visit_leaves_a_bay_to_the_next_one() {
    let mut draft = Draft::new(10, 200);
    let always = draft.always();
    let [left, right] = ["left", "right"].map(|name| draft.class(name));
    draft.bay("both", &[left, right], always);
    draft.bay("left", &[left], always);
    let late = draft.calendar(&[(0, 60), (70, 130)]);
    let skill = draft.skill("body");
    draft.technician("late", late, &[(skill, 500)]);
    let car = draft.car("car");
    let first = draft.operation(car, "first", 37, &[]);
    let second = draft.operation(car, "second", 17, &[skill]);
    draft.not_before(first, 34);
    draft.link(first, second, -20, Some(-10));
    draft.data.operations[second].interruptible = true;
    for (operation, class, on_vehicle) in [(first, left, true), (second, right, false)] {
        let visit = draft.visit(car, class);
        draft.data.visits[visit].on_vehicle = on_vehicle;
        draft.data.operations[operation].visit = Some(visit);
    }
    assert_eq!(solved(&draft).left_out, []);
}

/// Only one of two cars fits before the horizon: the one that costs more to leave out is planned, whichever comes first.
#[test]
fn the_dearer_car_is_planned() {
    for dear_first in [true, false] {
        let mut draft = Draft::new(10, 100);
        draft.data.left_out_price = 1_000;
        let always = draft.always();
        let skill = draft.skill("body");
        draft.technician("one", always, &[(skill, 1000)]);
        for dear in [dear_first, !dear_first] {
            let car = draft.car(if dear { "dear" } else { "cheap" });
            // The cheap one is quicker, more urgent, and worth less.
            draft.data.cars[car].flow_weight = if dear { 5 } else { 2 };
            draft.data.cars[car].promise = Some(at(if dear { 90 } else { 10 }));
            draft.data.cars[car].late_weight = 1;
            draft.operation(car, "work", if dear { 70 } else { 40 }, &[skill]);
        }
        solved(&draft);
    }
}

/// A car that has to be left out for another one costs less if it is the longer one, though that one would come earlier.
#[test]
fn a_planned_car_makes_room_for_two() {
    let mut draft = Draft::new(10, 100);
    draft.data.left_out_price = 1_000;
    let always = draft.always();
    let skill = draft.skill("body");
    draft.technician("one", always, &[(skill, 1000)]);
    for (name, work, arrival) in [("long", 100, 0), ("a", 50, 0), ("b", 50, 0)] {
        let car = draft.car(name);
        let operation = draft.operation(car, "work", work, &[skill]);
        draft.not_before(operation, arrival);
    }
    assert_eq!(solved(&draft).left_out.len(), 1);
}

/// Everything has happened before the origin: the makespan is negative, and so is the bound.
#[test]
fn a_shop_that_is_done_already() {
    for objective in [Objective::Price, Objective::Makespan] {
        let mut draft = Draft::new(10, 100);
        draft.data.objective = objective;
        let car = draft.car("done");
        draft.data.cars[car].arrival = at(-100);
        let work = draft.operation(car, "work", 10, &[]);
        start(&mut draft, work, -50, -40, &[]);
        solved(&draft);
    }
}

/// Two cars have begun in one bay, long ago, and both are to go on there: one at most can, and a third finds its time.
#[test]
fn two_cars_that_were_in_one_bay_and_a_third() {
    let mut draft = Draft::new(10, 200);
    draft.data.now = at(20);
    let always = draft.always();
    let class = draft.class("body");
    let bay = draft.bay("bay", &[class], always);
    for (name, fact) in [("first", Some((-20, -10))), ("second", Some((0, 0))), ("third", None)] {
        let car = draft.car(name);
        let visit = draft.visit(car, class);
        if let Some((from, until)) = fact {
            enter(&mut draft, visit, bay);
            let begun = draft.operation(car, "begun", 10, &[]);
            start(&mut draft, begun, from, until, &[]);
            draft.data.operations[begun].visit = Some(visit);
        }
        let rest = draft.operation(car, "rest", 30, &[]);
        draft.data.operations[rest].visit = Some(visit);
    }
    let left_out = solved(&draft).left_out;
    assert_eq!(left_out.len(), 1, "{left_out:?}");
}

/// A car has begun in two bays, and is to go on in both: it cannot be in two places.
#[test]
fn one_car_to_go_on_in_two_bays() {
    let mut draft = Draft::new(10, 200);
    draft.data.now = at(20);
    let always = draft.always();
    let class = draft.class("body");
    let car = draft.car("split");
    for name in ["left", "right"] {
        let bay = draft.bay(name, &[class], always);
        let visit = draft.visit(car, class);
        enter(&mut draft, visit, bay);
        let begun = draft.operation(car, "begun", 10, &[]);
        start(&mut draft, begun, 0, 10, &[]);
        let rest = draft.operation(car, "rest", 10, &[]);
        for id in [begun, rest] {
            draft.data.operations[id].visit = Some(visit);
        }
    }
    assert_eq!(solved(&draft).left_out.len(), 1);
}
