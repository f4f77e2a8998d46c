//! Held against trying everything.

use super::*;
use crate::random::Random;
use crate::stop::Never;

/// Returns the least makespan by trying all modes and all starts.
fn by_trying(project: &Project, until: i64) -> Option<i64> {
    fn next(project: &Project, plan: &mut Choice, at: usize, until: i64) -> Option<i64> {
        let Some(&index) = project.order.get(at) else {
            let end = |index: usize| plan.start[index] + project.activities[index].modes[plan.mode[index]].duration;
            let makespan = (0..plan.start.len()).map(end).max().unwrap_or(0);
            return project.fault(plan).is_none().then_some(makespan);
        };
        let mut best: Option<i64> = None;
        for mode in 0..project.activities[index].modes.len() {
            for start in 0..=until {
                (plan.mode[index], plan.start[index]) = (mode, start);
                let found = next(project, plan, at + 1, until);
                best = [best, found].into_iter().flatten().min();
            }
        }
        best
    }
    let count = project.activities.len();
    next(project, &mut Choice { start: vec![0; count], mode: vec![0; count], makespan: 0 }, 0, until)
}

fn random_project(random: &mut Random) -> Project {
    let count = 2 + random.below(3);
    let amount = |random: &mut Random, most: usize| random.below(most + 1) as i64;
    let activities = (0..count)
        .map(|index| Activity {
            modes: (0..1 + random.below(2))
                .map(|_| Mode {
                    duration: amount(random, 2),
                    held: vec![amount(random, 3)],
                    used: vec![amount(random, 2), amount(random, 2)],
                })
                .collect(),
            successors: (index + 1..count).filter(|_| random.chance(0.3)).collect(),
        })
        .collect();
    Project::new("random", activities, vec![1 + amount(random, 2)], vec![amount(random, 6), amount(random, 6)])
        .expect("activities in order")
}

#[test]
fn finds_the_best_of_all_plans_of_tiny_projects() {
    let (mut random, mut solved) = (Random::new(1, 1), 0);
    for _ in 0..400 {
        let project = random_project(&mut random);
        let until = project.activities.iter().map(|own| own.modes.iter().map(|m| m.duration).max().unwrap()).sum();
        let found = solve(&project, None, &Never, &mut |_, _| {});
        assert!(found.finished);
        let makespan = found.plan.as_ref().map(|plan| plan.makespan);
        assert_eq!(makespan, by_trying(&project, until), "{project:?}");
        if let Some(plan) = &found.plan {
            assert_eq!(project.fault(plan), None);
            assert_eq!(found.bound, plan.makespan);
            solved += 1;
        }
    }
    assert!(solved > 100, "most of them can be done: {solved}");
}

#[test]
fn stops_after_so_many_nodes_with_a_bound_that_holds() {
    let mut random = Random::new(2, 2);
    for _ in 0..100 {
        let project = random_project(&mut random);
        let best = solve(&project, None, &Never, &mut |_, _| {}).plan.map(|plan| plan.makespan);
        let short = solve(&project, Some(3), &Never, &mut |_, _| {});
        assert!(best.is_none_or(|best| short.bound <= best));
        assert!(short.plan.is_none_or(|plan| Some(plan.makespan) >= best));
    }
}

#[test]
fn a_circle_is_refused() {
    let step = |successors| Activity { modes: vec![Mode { duration: 1, held: vec![], used: vec![] }], successors };
    let made = Project::new("x", vec![step(vec![1]), step(vec![0])], vec![], vec![]);
    assert_eq!(made.unwrap_err(), "activity 1 waits for itself");
}
