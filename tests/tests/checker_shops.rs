//! The checker and the exhaustive search, written apart, agree on small nasty shops: what one finds good, so does the
//! other, and nothing good is better than what the search calls the best.

use fitup_model::keyed::{BayId, Key, OperationId, TechnicianId, VisitId};
use fitup_model::problem::Commitment;
use fitup_model::{Assignment, Plan, Problem, Span, Time, check, cost};
use fitup_tests::exhaustive;
use fitup_tests::naive;
use fitup_tests::shops::{self, Size, TINY};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

const LIMIT: u64 = 200_000;

proptest! {
    #![proptest_config(shops::cases(250))]

    #[test]
    fn plans_that_keep_the_rules_pass(problem in shops::shops(TINY)) {
        for plan in [exhaustive::first_plan(&problem, LIMIT), exhaustive::optimum(&problem, LIMIT).map(|best| best.plan)] {
            let Some(plan) = plan else { continue };
            prop_assert_eq!(check(&problem, &plan), vec![]);
            prop_assert_eq!(cost::price(&problem, &plan), naive::price(&problem, &plan));
        }
    }

    /// Moves, lengthens, restaffs and rehouses what the search has found: whatever still passes is no better.
    #[test]
    fn no_plan_that_passes_beats_the_optimum(
        problem in shops::shops(TINY),
        changes in prop::collection::vec(any::<[u8; 4]>(), 1..60),
    ) {
        let Some(best) = exhaustive::optimum(&problem, LIMIT) else { return Ok(()) };
        let mut plan = best.plan;
        for bytes in changes {
            let changed = changed(&problem, &plan, bytes);
            if check(&problem, &changed).is_empty() {
                let price = cost::cost(&problem, &changed);
                prop_assert!(price >= best.cost, "{} beats {}: {:?}", price, best.cost, changed);
                prop_assert_eq!(cost::price(&problem, &changed), naive::price(&problem, &changed));
                plan = changed;
            }
        }
    }
}

/// Returns `plan` with one thing changed.
fn changed(problem: &Problem, plan: &Plan, [what, which, how, more]: [u8; 4]) -> Plan {
    let mut plan = plan.clone();
    let steps = |byte: u8| Span::from_minutes((i64::from(byte) - 128) % 8 * problem.grid.minutes());
    let id = OperationId::from_index(usize::from(which) % problem.operations.len());
    match (what % 6, &mut plan.operations[id]) {
        (0..=2, Some(assignment)) => {
            assignment.start += steps(how);
            assignment.end += steps(if what % 6 == 0 { how } else { more });
        }
        (3, Some(assignment)) if !assignment.technicians.is_empty() && !problem.technicians.is_empty() => {
            let place = usize::from(how) % assignment.technicians.len();
            assignment.technicians[place] = TechnicianId::from_index(usize::from(more) % problem.technicians.len());
        }
        (4, Some(assignment)) => assignment.overtime = !assignment.overtime,
        _ if !problem.visits.is_empty() => {
            let visit = VisitId::from_index(usize::from(how) % problem.visits.len());
            plan.bays[visit] = Some(BayId::from_index(usize::from(more) % problem.bays.len()));
        }
        _ => {}
    }
    plan
}

/// The search cuts branches; here nothing is cut and only the checker judges, on two operations.
#[test]
fn the_search_agrees_with_trying_all_plans_blindly() {
    let size = Size { cars: 2, operations: 2, total: 2, steps: 7 };
    let mut runner = TestRunner::deterministic();
    let mut planned = 0;
    for _ in 0..40 {
        let problem = shops::shops(size).new_tree(&mut runner).expect("no filters").current();
        let best = exhaustive::optimum(&problem, LIMIT).expect("two operations");
        let blind = blindly(&problem);
        assert_eq!(best.cost, blind, "{problem:#?}\n{best:#?}");
        planned += i32::from(problem.cars.keys().all(|car| best.plan.includes(&problem, car)));
    }
    assert!(planned >= 10, "only {planned} of 40 shops could be planned as a whole");
}

/// Returns the least price of all plans that pass the checker.
fn blindly(problem: &Problem) -> i64 {
    let mut plans = vec![Plan::nothing_new(problem)];
    for (id, operation) in problem.operations.iter() {
        if matches!(operation.commitment, Commitment::Started { .. }) {
            continue;
        }
        let mut crews: Vec<Vec<TechnicianId>> = vec![vec![]];
        for _ in &operation.crew {
            let with = |crew: &Vec<TechnicianId>| {
                let crew = crew.clone();
                problem.technicians.keys().map(move |person| crew.iter().copied().chain([person]).collect())
            };
            crews = crews.iter().flat_map(with).collect();
        }
        let grid = problem.grid.minutes();
        let mut choices: Vec<Option<Assignment>> = vec![None];
        for technicians in crews {
            for start in (0..=problem.horizon.minutes() / grid).map(|step| step * grid) {
                for end in start..=problem.horizon.minutes() {
                    for overtime in [false, true] {
                        let (start, end) = (Time::from_minutes(start), Time::from_minutes(end));
                        choices.push(Some(Assignment { start, end, technicians: technicians.clone(), overtime }));
                    }
                }
            }
        }
        // What is wrong by itself is wrong in every plan: that alone is told beforehand, by the checker too.
        let alone = |choice: &Option<Assignment>| {
            let mut plan = Plan::nothing_new(problem);
            plan.operations[id] = choice.clone();
            use fitup_model::Rule::{OutsideCalendar, StartsWhileClosed, WrongLength};
            check(problem, &plan).iter().all(|v| ![OutsideCalendar, StartsWhileClosed, WrongLength].contains(&v.rule))
        };
        choices.retain(alone);
        let with = |plan: Plan| {
            choices.iter().map(move |choice| {
                let mut plan = plan.clone();
                plan.operations[id] = choice.clone();
                plan
            })
        };
        plans = plans.into_iter().flat_map(with).collect();
    }
    let mut best = i64::MAX;
    for plan in plans {
        let mut housed = vec![plan];
        for visit in problem.visits.keys() {
            for index in 0..housed.len() {
                for bay in problem.bays.keys().map(Some).chain([None]) {
                    let mut plan = housed[index].clone();
                    plan.bays[visit] = bay;
                    housed.push(plan);
                }
            }
        }
        for plan in housed {
            let price = cost::cost(problem, &plan);
            if price < best && check(problem, &plan).is_empty() {
                best = price;
            }
        }
    }
    best
}

/// The tests above mean little if the shops are plain or nothing fits: here the chances are counted.
#[test]
fn the_shops_are_nasty_and_mostly_solvable() {
    let mut runner = TestRunner::deterministic();
    let (mut solved, mut whole, mut operations) = (0, 0, 0);
    let mut features: std::collections::BTreeMap<&str, u32> = std::collections::BTreeMap::new();
    for _ in 0..300 {
        let problem = shops::shops(TINY).new_tree(&mut runner).expect("no filters").current();
        let Some(best) = exhaustive::optimum(&problem, LIMIT) else { continue };
        solved += 1;
        operations += problem.operations.len();
        whole += u32::from(problem.cars.keys().all(|car| best.plan.includes(&problem, car)));
        let price = cost::price(&problem, &best.plan);
        for (feature, there) in [
            ("lateness", price.lateness > 0),
            ("overtime", price.overtime > 0),
            ("change", price.change > 0),
            ("same person not met", price.same_person > 0),
            ("outside", price.outside > 0),
            ("left out", price.left_out > 0),
            ("pinned", problem.operations.values().any(|o| matches!(o.commitment, Commitment::Pinned { .. }))),
            ("started", problem.operations.values().any(|o| matches!(o.commitment, Commitment::Started { .. }))),
            ("maximum wait", problem.links.iter().any(|link| link.max_wait.is_some())),
            ("crew of two", problem.operations.values().any(|o| o.crew.len() == 2)),
            ("loose parts", problem.visits.values().any(|visit| !visit.on_vehicle)),
        ] {
            *features.entry(feature).or_default() += u32::from(there);
        }
    }
    assert!(solved >= 270, "only {solved} of 300 are tiny");
    assert!(whole >= 90, "only {whole} of {solved} can be planned as a whole");
    assert!(operations >= 3 * solved, "only {operations} operations in {solved} shops");
    for (feature, count) in &features {
        assert!(*count >= 5, "{feature} occurs {count} times in {solved}: {features:?}");
    }
}
