//! Mending a published plan, on small nasty shops made by chance: every answer keeps the rules.

use fitup_model::keyed::OperationId;
use fitup_model::problem::{Commitment, Published, Ready, ReadyReason};
use fitup_model::{Plan, Problem, Span, check, cost, repair};
use fitup_planner::least_change::{Must, NEAR};
use fitup_planner::replan::{improved, least_change, push_right};
use fitup_planner::{Never, Options};
use fitup_tests::planning::planned;
use fitup_tests::shops::{self, SMALL};
use proptest::prelude::*;

/// Returns the problem with `plan` published in it, and with a part late for the operation at `hit`, if that is to start.
fn disturbed(problem: &Problem, plan: &Plan, hit: usize, late: i64) -> Option<Problem> {
    let mut data = problem.clone().into_data();
    let mut candidates = Vec::new();
    for (id, assignment) in plan.operations.iter() {
        let Some(assignment) = assignment else { continue };
        if problem.operations[id].commitment == Commitment::Free {
            candidates.push(id);
        }
        let technicians = assignment.technicians.clone();
        data.operations[id].published =
            Some(Published { start: assignment.start, technicians, person_price: 3, day_price: 6 });
    }
    let hit = *candidates.get(hit % candidates.len().max(1))?;
    let time = plan.operations[hit].as_ref()?.start + Span::from_minutes(late);
    data.operations[hit].ready.push(Ready { time, reason: ReadyReason::Part("late".into()) });
    Problem::new(data).ok()
}

proptest! {
    #![proptest_config(shops::cases(60))]

    #[test]
    fn every_answer_keeps_the_rules(problem in shops::shops(SMALL), hit in any::<usize>(), late in 1_i64..600) {
        let Some(published) = planned(&problem, 200, 20).solved().map(|solved| solved.plan.clone()) else { return Ok(()) };
        let Some(problem) = disturbed(&problem, &published, hit, late) else { return Ok(()) };
        let (pushed, left) = push_right(&problem, &published);
        prop_assert_eq!(check(&problem, &pushed), []);
        let out = problem.cars.keys().filter(|car| !pushed.includes(&problem, *car)).count();
        prop_assert_eq!(out, left.len(), "each car left out has its reason");
        let options = Options { iterations: Some(100), ..Options::default() };
        let least = least_change(&problem, &published, &options, &Never);
        prop_assert_eq!(check(&problem, &least.plan), []);
        prop_assert_eq!(least.cost, cost::cost(&problem, &least.plan));
        prop_assert!(least.bound <= least.cost);
        let near = repair::near(&problem, &published, problem.now + NEAR);
        let must = Must::new(&problem, &published, &near);
        let whole = |plan: &&Plan| problem.cars.keys().all(|car| plan.includes(&problem, car));
        for plan in [&pushed, &least.plan].into_iter().filter(whole) {
            let stays = |id: &&OperationId| repair::stays(&problem, &published, plan, **id);
            let kept = must.moved.iter().find(stays).map(|id| (id, &problem.operations[*id], &published.operations[*id]));
            prop_assert_eq!(kept, None, "what must move stays in a plan");
            prop_assert!(near.iter().filter(|id| !stays(id)).count() >= must.count());
        }
        let again = least_change(&problem, &published, &options, &Never);
        prop_assert_eq!(&again.plan, &least.plan, "the same limit, the same plan");
        let better = improved(&problem, &least.plan, &options, &Never);
        prop_assert_eq!(check(&problem, &better.plan), []);
        let moved = |plan: &Plan| repair::moved(&problem, &published, plan, problem.now + NEAR).1;
        prop_assert!(!whole(&&better.plan) || moved(&better.plan) >= must.count());
    }
}
