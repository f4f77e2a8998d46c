//! Mending a published plan, on small nasty shops made by chance: every answer keeps the rules.

use fitup_model::keyed::OperationId;
use fitup_model::problem::{BayChoice, Commitment, Published, Ready, ReadyReason};
use fitup_model::{Assignment, Plan, Problem, Span, check, cost, repair};
use fitup_planner::least_change::{Must, NEAR};
use fitup_planner::replan::{improved, least_change, push_right};
use fitup_planner::{Never, Options};
use fitup_tests::draft::{Draft, at};
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

/// Goal: what moves twice over is counted once. Method: in one bay a stay that has begun lasts into two others, of which
/// one, which waits for a part, now lasts into the other as well; whichever of them the problem names first.
#[test]
fn what_a_begun_stay_moves_is_no_choice_any_more() {
    for begun_last in [true, false] {
        let mut draft = Draft::new(10, 1000);
        draft.data.now = at(10);
        let always = draft.always();
        let class = draft.class("body");
        let bay = draft.bay("bay", &[class], always);
        let mut starts = Vec::new();
        let mut cars = vec![("waits", vec![70, 100]), ("behind", vec![130])];
        cars.insert(if begun_last { 2 } else { 0 }, ("begun", vec![0, 40]));
        let mut all = Vec::new();
        for (name, own) in cars {
            let car = draft.car(name);
            let visit = draft.visit(car, class);
            let mut before = None;
            for start in own {
                let id = draft.operation(car, &start.to_string(), 30, &[]);
                draft.data.operations[id].visit = Some(visit);
                if let Some(before) = before.replace(id) {
                    draft.link(before, id, 0, None);
                }
                starts.push((id, start));
            }
            all.push((name, visit, before));
        }
        let of = |name: &str| all.iter().find(|own| own.0 == name).expect("it was made");
        let (begun, waits) = (of("begun"), of("waits"));
        draft.data.visits[begun.1].bay = BayChoice::Entered(bay);
        let (first, _) = *starts.iter().find(|(_, start)| *start == 0).expect("it was made");
        draft.data.operations[first].commitment =
            Commitment::Started { start: at(0), end: at(110), technicians: Vec::new() };
        draft.not_before(waits.2.expect("it has operations"), 110);
        let problem = draft.problem();
        let mut published = Plan::nothing_new(&problem);
        for &(id, start) in &starts {
            let (start, end) = (at(start), at(start + 30));
            published.operations[id] = Some(Assignment { start, end, technicians: Vec::new(), overtime: false });
        }
        problem.visits.keys().for_each(|visit| published.bays[visit] = Some(bay));
        let near = repair::near(&problem, &published, problem.now + NEAR);
        let must = Must::new(&problem, &published, &near);
        // The rest of what has begun, both of what waits, and what is behind.
        assert_eq!((must.moved.len(), must.count()), (4, 4), "{must:?}");
        let least =
            least_change(&problem, &published, &Options { iterations: Some(100), ..Options::default() }, &Never);
        assert_eq!(repair::moved(&problem, &published, &least.plan, problem.now + NEAR), (4, 4));
    }
}
