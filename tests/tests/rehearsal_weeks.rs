//! Weeks rehearsed on small nasty shops made by chance: what is done keeps the rules, whoever dispatches, and nobody looks
//! ahead.

use fitup_model::problem::{Commitment, ReadyReason};
use fitup_model::{Problem, Span, Time, check};
use fitup_planner::Never;
use fitup_rehearsal::trade::Trade;
use fitup_rehearsal::weeks::compare::Way;
use fitup_rehearsal::weeks::{ByHabit, ByPlan, Floor, Habit, Level, Manner, Quoting, Setting, Told, World, rehearse};
use fitup_rehearsal::{Chances, quote};
use fitup_tests::shops::{self, SMALL};
use proptest::prelude::*;

const MANNER: Manner = Manner {
    iterations: 20,
    first: 40,
    every: Span::from_minutes(120),
    pull: Span::from_minutes(240),
    flow: 1,
    seed: 1,
};

fn setting(seed: u64) -> Setting {
    Setting { weeks: 1, per_week: Some(6.0), load: 1.0, chances: Chances::default(), seed }
}

fn ways() -> impl Iterator<Item = Option<Habit>> {
    [None].into_iter().chain(Habit::ALL.map(Some))
}

/// Plays the weeks by a habit, or by plan.
fn played(world: &World, habit: Option<Habit>) -> Floor<'_> {
    let mut floor = Floor::new(world);
    match habit {
        Some(habit) => floor.run(&mut ByHabit::new(habit, world.booked()), &Never),
        None => {
            let mut policy = ByPlan::new(&floor, MANNER);
            floor.run(&mut policy, &Never);
        }
    }
    floor
}

/// Returns the weeks in which all that nobody knows at `time` is otherwise: how long work takes that has not started by
/// then, and when parts come that are expected later.
fn otherwise(world: &World, floor: &Floor, time: Time) -> World {
    let booked: Problem = world.booked().clone();
    let changed = world.with_truth(|data| {
        for id in booked.operations.keys() {
            let operation = &mut data.operations[id];
            if matches!(operation.commitment, Commitment::Started { .. }) {
                continue;
            }
            if floor.done(id).is_none_or(|done| done.start >= time) && !operation.crew.is_empty() {
                operation.work = operation.work + Span::from_minutes(35);
            }
            for (index, ready) in operation.ready.iter_mut().enumerate() {
                let part = matches!(ready.reason, ReadyReason::Part(_) | ReadyReason::Approval(_));
                if part && booked.operations[id].ready[index].time > time {
                    ready.time += Span::from_minutes(1440);
                }
            }
        }
    });
    changed.expect("longer work is work")
}

/// How cars are quoted in these weeks: by everything that a quote can do.
fn quoting(chances: Chances) -> Quoting {
    let policy = quote::Policy {
        chances,
        futures: 12,
        trials: 4,
        disturb: Some(20),
        pull: Span::from_minutes(600),
        ..quote::Policy::default()
    };
    let trade = Trade { per_week: 6.0, courses: 2, iterations: 10, flow: 1 };
    Quoting { policy, promised: Level::P80, trade: Some(trade), learn: Some(0.05) }
}

proptest! {
    #![proptest_config(shops::cases(40))]

    #[test]
    fn what_was_done_keeps_the_rules(problem in shops::shops(SMALL), seed in any::<u64>()) {
        let Ok(world) = World::new(&problem, &setting(seed), 0) else { return Ok(()) };
        for habit in ways() {
            let floor = played(&world, habit);
            let record = floor.record().expect("a record of a problem is one");
            prop_assert_eq!(check(&record.problem, &record.plan), [], "{:?}", habit);
        }
    }

    #[test]
    fn nobody_looks_ahead(problem in shops::shops(SMALL), seed in any::<u64>(), hours in 1..72_i64) {
        let Ok(world) = World::new(&problem, &setting(seed), 0) else { return Ok(()) };
        let time = world.booked().now + Span::from_minutes(60 * hours);
        for habit in ways() {
            let floor = played(&world, habit);
            let other = otherwise(&world, &floor, time);
            let again = played(&other, habit);
            for id in problem.operations.keys() {
                let early = |floor: &Floor| {
                    let done = floor.done(id).filter(|done| done.start < time);
                    done.map(|done| (done.start, done.technicians.clone()))
                };
                prop_assert_eq!(early(&floor), early(&again), "{:?}: {}", habit, problem.operations[id].name);
            }
        }
    }

    #[test]
    fn threads_change_nothing(problem in shops::shops(SMALL), seed in any::<u64>()) {
        let ways = [Way::Plan(MANNER), Way::Habit(Habit::FirstIn)];
        let on = |threads| rehearse(&problem, &setting(seed), &ways, 3, threads, &Never);
        prop_assert_eq!(on(1), on(2));
    }

    /// Goal: quoting keeps the rules, its dates are in order, and nothing that is told follows from what nobody knows.
    #[test]
    fn quotes_look_no_further_than_anybody(problem in shops::shops(SMALL), seed in any::<u64>(), hours in 1..150_i64) {
        let Ok(world) = World::new(&problem, &setting(seed), 0) else { return Ok(()) };
        let time = world.booked().now + Span::from_minutes(60 * hours);
        let until = world.booked().now + Span::from_minutes(7 * 1440);
        let played = |world: &World| {
            let mut floor = Floor::new(world);
            let mut policy = ByPlan::quoting(&floor, MANNER, quoting(Chances::default()), until);
            floor.run(&mut policy, &Never);
            let record = floor.record().expect("a record of a problem is one");
            assert_eq!(check(&record.problem, &record.plan), []);
            let other = otherwise(world, &floor, time);
            (policy.told().to_vec(), other)
        };
        let (told, other) = played(&world);
        for told in &told {
            let [likely, p80, safe] = told.dates.map(|date| date.unwrap_or(world.booked().horizon));
            prop_assert!(told.at <= likely && likely <= p80 && p80 <= safe, "{:?}", told);
        }
        let again = played(&other).0;
        let early = |told: &[Told]| {
            let told = told.iter().filter(|told| told.at < time).map(|told| (told.car, told.at, told.dates));
            told.collect::<Vec<_>>()
        };
        prop_assert_eq!(early(&told), early(&again));
    }
}
