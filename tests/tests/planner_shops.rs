//! What must hold of any plan for any shop, on small nasty shops made by chance.
//!
//! That a plan keeps the rules, costs what is said, and no less than the bound, is asserted by `planning::audited`.

use fitup_model::problem::{Commitment, Efficiency, Objective};
use fitup_model::{Calendar, Cost, Problem, ProblemData, Time, check, cost};
use fitup_planner::{CancelFlag, Never, Options, Outcome, Solved, plan};
use fitup_tests::exhaustive;
use fitup_tests::planning::{Deadline, audited, planned};
use fitup_tests::shops::{self, SMALL, TINY};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

/// Decisions of the exhaustive search; rarely too few.
const LIMIT: u64 = 200_000;
/// Enough for a tiny shop.
const ITERATIONS: u64 = 300;
/// Against endless planning only.
const SECONDS: u64 = 20;

fn solved(outcome: Outcome) -> Solved {
    match outcome {
        Outcome::Optimal(solved) | Outcome::Feasible(solved) => solved,
        other => panic!("no plan, though to leave out every car is one: {other:?}"),
    }
}

fn proven(problem: &Problem) -> Option<Cost> {
    match planned(problem, ITERATIONS, SECONDS) {
        Outcome::Optimal(solved) => Some(solved.cost),
        _ => None,
    }
}

proptest! {
    #![proptest_config(shops::cases(60))]

    #[test]
    fn every_plan_of_a_small_shop_passes(problem in shops::shops(SMALL)) {
        solved(planned(&problem, ITERATIONS, SECONDS));
    }
}

proptest! {
    #![proptest_config(shops::cases(150))]

    #[test]
    fn the_optimum_lies_between_bound_and_price(problem in shops::shops(TINY)) {
        let Some(best) = exhaustive::optimum(&problem, LIMIT) else { return Ok(()) };
        let outcome = planned(&problem, ITERATIONS, SECONDS);
        let optimal = matches!(outcome, Outcome::Optimal(_));
        let solved = solved(outcome);
        prop_assert!(solved.bound <= best.cost, "bound {} above the optimum {:?}", solved.bound, best);
        prop_assert!(solved.cost >= best.cost, "price {} below the optimum {:?}", solved.cost, best);
        prop_assert!(!optimal || solved.cost == best.cost);
    }
}

/// How good the planner is on tiny shops; that it is right is asserted above.
#[test]
fn tiny_shops_are_solved_and_mostly_proven() {
    let mut runner = TestRunner::deterministic();
    let (mut all, mut found, mut proven) = (0, 0, 0);
    for _ in 0..120 {
        let problem = shops::shops(TINY).new_tree(&mut runner).expect("no filters").current();
        let Some(best) = exhaustive::optimum(&problem, LIMIT) else { continue };
        let outcome = planned(&problem, ITERATIONS, SECONDS);
        all += 1;
        proven += u32::from(matches!(outcome, Outcome::Optimal(_)));
        found += u32::from(solved(outcome).cost == best.cost);
    }
    assert!(found * 100 >= all * 98, "the optimum was found for {found} of {all} shops, and proven for {proven}");
    assert!(proven * 100 >= all * 90, "the optimum was found for {found} of {all} shops, and proven for {proven}");
}

proptest! {
    #![proptest_config(shops::cases(12))]

    #[test]
    fn the_same_seed_makes_the_same_plan(problem in shops::shops(SMALL), seed in 0..3u64, threads in 1..3usize) {
        let options = Options { seed, threads, iterations: Some(200), ..Options::default() };
        let once = || audited(&problem, &options, &Never);
        let (first, second) = (once(), once());
        prop_assert_eq!(first, second);
    }

    /// Whatever the time: an answer at once is a plan that keeps the rules, or honestly none.
    #[test]
    fn a_planner_that_is_stopped_at_once_lies_about_nothing(problem in shops::shops(SMALL)) {
        let begin = std::time::Instant::now();
        let outcome = audited(&problem, &Options::default(), &Deadline::after_seconds(0));
        prop_assert!(begin.elapsed().as_secs() < 5);
        if let Some(best) = outcome.solved() {
            let later = solved(planned(&problem, ITERATIONS, SECONDS));
            prop_assert!(best.bound <= later.cost && later.bound <= best.cost);
        }
    }

    #[test]
    fn a_warm_start_is_no_worse_than_its_start(problem in shops::shops(SMALL)) {
        let first = solved(planned(&problem, 50, SECONDS));
        let options = Options { iterations: Some(1), seed: 7, start: Some(&first.plan), ..Options::default() };
        let second = solved(audited(&problem, &options, &Deadline::after_seconds(SECONDS)));
        prop_assert!(second.cost <= first.cost, "{} after {}", second.cost, first.cost);
    }

    /// Whatever has changed since the start was made: what is found is no worse than the answer that comes at once, which
    /// is no worse than the start where that still keeps the rules.
    #[test]
    fn a_warm_start_is_never_worse_than_its_first_answer(problem in shops::shops(SMALL), slips in 0..6i64) {
        let first = solved(planned(&problem, 50, SECONDS));
        let mut data = problem.into_data();
        let slipped = data.operations.keys().last().expect("one at least");
        let time = data.now + fitup_model::Span::from_minutes(slips * data.grid.minutes());
        let reason = fitup_model::problem::ReadyReason::Part("late".into());
        data.operations[slipped].ready.push(fitup_model::problem::Ready { time, reason });
        let problem = Problem::new(data).expect("still a problem");
        let options = |iterations| Options { iterations: Some(iterations), start: Some(&first.plan), ..Options::default() };
        let at_once = CancelFlag::new();
        let early = solved(plan(&problem, &options(100), &at_once, &|_| at_once.cancel()));
        let later = solved(audited(&problem, &options(30), &Deadline::after_seconds(SECONDS)));
        prop_assert!(later.cost <= early.cost, "{} after {}", later.cost, early.cost);
        if check(&problem, &first.plan).is_empty() {
            let start = cost::cost(&problem, &first.plan);
            prop_assert!(early.cost <= start, "{} at once, {start} to begin with", early.cost);
        }
    }

    /// The start is a plan for what has changed since: a technician fell ill, and an hour has passed.
    #[test]
    fn a_start_that_no_longer_fits_is_mended(problem in shops::shops(SMALL)) {
        let first = solved(planned(&problem, 50, SECONDS));
        let mut data = problem.into_data();
        let ill = data.technicians.values().next().map(|technician| technician.calendar).expect("one at least");
        data.calendars[ill] = Calendar::always(data.horizon, data.horizon);
        data.now = (data.now + data.grid + data.grid).min(data.horizon);
        let problem = Problem::new(data).expect("still a problem");
        let options = Options { iterations: Some(20), start: Some(&first.plan), ..Options::default() };
        solved(audited(&problem, &options, &Deadline::after_seconds(SECONDS)));
    }
}

/// A way to relax a problem: every plan of the problem is one of the relaxed, at no higher price.
type Relaxation = fn(&mut ProblemData);

const RELAXATIONS: &[(&str, Relaxation)] = &[
    ("one more technician", |data| {
        let always = data.calendars.push(Calendar::always(Time::ORIGIN, data.horizon));
        let mut technician = data.technicians.values().next().expect("one at least").clone();
        technician.skills = data.skills.keys().map(|skill| (skill, Efficiency(2000))).collect();
        technician.calendar = always;
        data.technicians.push(technician);
    }),
    ("one more bay", |data| {
        let always = data.calendars.push(Calendar::always(Time::ORIGIN, data.horizon));
        let mut bay = data.bays.values().next().expect("one at least").clone();
        bay.classes = data.bay_classes.keys().collect();
        bay.calendar = always;
        data.bays.push(bay);
    }),
    ("one more piece of equipment", |data| {
        let pools: Vec<_> = data.equipment.keys().collect();
        pools.into_iter().for_each(|pool| data.equipment[pool].capacity += 1);
    }),
    ("no links", |data| data.links.clear()),
    ("one link less", |data| {
        data.links.pop();
    }),
    ("no longest waits", |data| data.links.iter_mut().for_each(|link| link.max_wait = None)),
    ("no changeovers", |data| data.changeovers.clear()),
    ("everything is ready", |data| {
        let all: Vec<_> = data.operations.keys().collect();
        all.into_iter().for_each(|id| data.operations[id].ready.clear());
    }),
    ("nothing is pinned", |data| {
        let all: Vec<_> = data.operations.keys().collect();
        for id in all {
            if matches!(data.operations[id].commitment, Commitment::Pinned { .. }) {
                data.operations[id].commitment = Commitment::Free;
            }
        }
    }),
    // A wider calendar may also end interruptible work earlier, which a longest wait after it or the room outside can
    // make dearer: the base has neither.
    ("everybody is always there", |data| {
        let always = Calendar::always(Time::ORIGIN, data.horizon);
        let all: Vec<_> = data.technicians.values().map(|technician| technician.calendar).collect();
        all.into_iter().for_each(|calendar| data.calendars[calendar] = always.clone());
        let with_overtime: Vec<_> =
            data.technicians.values().filter_map(|technician| technician.with_overtime).collect();
        with_overtime.into_iter().for_each(|calendar| data.calendars[calendar] = always.clone());
    }),
];

proptest! {
    #![proptest_config(shops::cases(40))]

    #[test]
    fn a_relaxed_problem_has_no_higher_optimum(problem in shops::shops(TINY), which in 0..RELAXATIONS.len()) {
        let (name, relax) = RELAXATIONS[which];
        let mut data = problem.into_data();
        // The same person must be linked to: without links there are no such wishes, before or after.
        if name.contains("link") {
            let all: Vec<_> = data.operations.keys().collect();
            all.into_iter().for_each(|id| data.operations[id].same_person = None);
        }
        if name == "everybody is always there" {
            data.links.iter_mut().for_each(|link| link.max_wait = None);
            data.outside = None;
        }
        let tight = Problem::new(data.clone()).expect("less of a problem");
        relax(&mut data);
        let loose = Problem::new(data).expect("a looser problem");
        if let (Some(before), Some(after)) = (exhaustive::optimum(&tight, LIMIT), exhaustive::optimum(&loose, LIMIT)) {
            prop_assert!(after.cost <= before.cost, "{}: the search is wrong: {} after {}", name, after.cost, before.cost);
        }
        if let (Some(before), Some(after)) = (proven(&tight), proven(&loose)) {
            prop_assert!(after <= before, "{}: {} after {}", name, after, before);
        }
    }
}

#[test]
fn a_shop_without_cars_has_an_empty_plan() {
    for objective in [Objective::Price, Objective::Makespan] {
        let mut draft = fitup_tests::draft::Draft::new(5, 100);
        draft.data.objective = objective;
        let problem = draft.problem();
        let Outcome::Optimal(solved) = planned(&problem, 10, SECONDS) else { panic!("an empty plan is optimal") };
        assert_eq!(solved.cost, 0);
        assert_eq!(cost::cost(&problem, &solved.plan), 0);
    }
}
