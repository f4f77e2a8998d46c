//! Plans played forward on small nasty shops made by chance: every history keeps the rules of its future.

use fitup_model::keyed::{CarId, Key, OperationId};
use fitup_model::problem::Commitment;
use fitup_model::repair::without_new_overtime;
use fitup_model::{Plan, Problem, Span, Spread, Time, check};
use fitup_planner::push::{Pusher, without};
use fitup_planner::replan::push_right;
use fitup_rehearsal::replay::{play, replay_one, tied};
use fitup_rehearsal::{Chances, Futures, Policy, Quote, quote, replay};
use fitup_tests::planning::planned;
use fitup_tests::shops::{self, SMALL};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

/// Quotes with more threads.
fn quote_again(problem: &Problem, published: &Plan, car: CarId, policy: &Policy) -> Quote {
    quote(problem, published, car, &Policy { threads: 3, ..policy.clone() }).expect("it was quoted before")
}

proptest! {
    #![proptest_config(shops::cases(60))]

    #[test]
    fn every_history_keeps_the_rules(problem in shops::shops(SMALL), seed in any::<u64>()) {
        let Some(plan) = planned(&problem, 200, 20).solved().map(|solved| solved.plan.clone()) else { return Ok(()) };
        let futures = Futures::new(&problem, Chances::default(), seed);
        for number in 0..8 {
            let history = play(&futures, &plan, number).expect("a future of a problem is one");
            prop_assert_eq!(check(&history.problem, &history.plan), []);
        }
    }

    /// Goal: replaying on a problem that is compiled once is playing. Method: the same futures one by one, each as a problem
    /// of its own: every plan keeps the rules of its future, and completions are those of that plan.
    #[test]
    fn the_quick_replay_plays_by_the_rules(problem in shops::shops(SMALL), seed in any::<u64>()) {
        let Some(plan) = planned(&problem, 200, 20).solved().map(|solved| solved.plan.clone()) else { return Ok(()) };
        let futures = Futures::new(&problem, Chances::default(), seed);
        let tied = tied(&futures, &plan).expect("a problem that is tied down is one");
        let mut pusher = Pusher::new(&tied, &plan);
        for number in 0..8 {
            let variation = futures.variation(number);
            let (pushed, ends) = (pusher.plan(&variation), pusher.completions(&variation));
            let future = futures.future(number).expect("a future of a problem is one");
            let future = without_new_overtime(&future, Some(&plan));
            prop_assert_eq!(check(&future, &pushed), []);
            for car in problem.cars.keys().filter(|&car| ends[car.index()].is_some()) {
                prop_assert_eq!(ends[car.index()], pushed.completion(&future, car));
            }
        }
    }

    /// Goal: a quote disturbs nobody unless it may, and what it says follows from its plan. Method: each car in turn as the
    /// one that asks.
    #[test]
    fn a_quote_leaves_the_others_where_they_are(problem in shops::shops(SMALL), seed in 0..9u64) {
        let Some(whole) = planned(&problem, 200, 20).solved().map(|solved| solved.plan.clone()) else { return Ok(()) };
        for car in problem.cars.keys().filter(|&car| whole.includes(&problem, car)) {
            let started = |id: &OperationId| matches!(problem.operations[*id].commitment, Commitment::Started { .. });
            if problem.operations_of(car).iter().any(started) || problem.operations_of(car).is_empty() {
                continue;
            }
            let published = without(&problem, &whole, car);
            let policy = Policy { futures: 40, seed, trials: 20, ..Policy::default() };
            let Ok(quote) = quote(&problem, &published, car, &policy) else { continue };
            prop_assert_eq!(check(&problem, &quote.plan), []);
            prop_assert_eq!(quote.plan.completion(&problem, car), Some(quote.earliest));
            let late = |time: Option<Time>| time.unwrap_or(problem.horizon);
            prop_assert!(late(quote.likely) <= late(quote.p80) && late(quote.p80) <= late(quote.safe));
            prop_assert!(quote.moved.is_empty(), "{:?}", quote.moved);
            prop_assert_eq!(&quote, &quote_again(&problem, &published, car, &policy));
        }
    }

    #[test]
    fn threads_change_nothing(problem in shops::shops(SMALL), seed in any::<u64>()) {
        let Some(plan) = planned(&problem, 200, 20).solved().map(|solved| solved.plan.clone()) else { return Ok(()) };
        let futures = Futures::new(&problem, Chances::default(), seed);
        prop_assert_eq!(replay(&futures, &plan, 12, 1), replay(&futures, &plan, 12, 3));
    }

    /// Goal: hours said of an operation and shares of the shop are one thing. Method: operations whose shares are whole
    /// minutes say them; their futures are those of the shop's shares, by the same random numbers.
    #[test]
    fn a_spread_that_says_the_shares_changes_nothing(problem in shops::shops(SMALL), seed in any::<u64>()) {
        let mut data = problem.clone().into_data();
        for id in problem.operations.keys() {
            let work = data.operations[id].work.minutes();
            if work % 5 == 0 {
                let [low, high] = [work / 5 * 4, work / 5 * 8].map(Span::from_minutes);
                data.operations[id].spread = Spread::new(Span::from_minutes(work), Some(low), Some(high));
            }
        }
        let own = Problem::new(data).expect("a spread changes nothing of a problem");
        let (shop, own) = (Futures::new(&problem, Chances::default(), seed), Futures::new(&own, Chances::default(), seed));
        for number in 0..8 {
            let (shop, own) = (shop.variation(number), own.variation(number));
            prop_assert_eq!(shop.work.iter().collect::<Vec<_>>(), own.work.iter().collect::<Vec<_>>());
            prop_assert_eq!(shop.ready, own.ready);
        }
    }

    /// Goal: who knows the hours has them, whatever the shop's shares; who says only one of low and high keeps the
    /// shop's other one. Method: operations by turns with all three the same, with a low and with a high of their own.
    #[test]
    fn hours_that_are_known_never_vary(problem in shops::shops(SMALL), seed in any::<u64>()) {
        let mut data = problem.clone().into_data();
        for id in problem.operations.keys() {
            let work = data.operations[id].work;
            let twice = work + work;
            let (low, high) = [(Some(work), Some(work)), (Some(work), None), (None, Some(twice))][id.index() % 3];
            data.operations[id].spread = Spread::new(work, low, high);
        }
        let own = Problem::new(data).expect("a spread changes nothing of a problem");
        let chances = Chances { low: 0.5, high: 1.25, ..Chances::NONE };
        let futures = Futures::new(&own, chances, seed);
        for number in 0..8 {
            for (id, work) in futures.variation(number).work.iter() {
                let booked = own.operations[id].work.minutes() as f64;
                let varies = own.operations[id].spread.is_some() && work.minutes() as f64 != booked;
                let share = work.minutes() as f64 / booked;
                match id.index() % 3 {
                    0 => prop_assert!(!varies, "{} of {}", work.minutes(), booked),
                    1 => prop_assert!(!varies || (1.0..1.25 + 1.0 / booked).contains(&share), "{}", share),
                    _ => prop_assert!(!varies || (0.5..2.0 + 1.0 / booked).contains(&share), "{}", share),
                }
            }
        }
    }

    #[test]
    fn where_nothing_goes_wrong_the_plan_is_what_happens(problem in shops::shops(SMALL)) {
        let Some(plan) = planned(&problem, 200, 20).solved().map(|solved| solved.plan.clone()) else { return Ok(()) };
        let futures = Futures::new(&problem, Chances::NONE, 1);
        let history = play(&futures, &plan, 0).expect("nothing has changed");
        prop_assert_eq!(&history.plan, &push_right(&history.problem, &plan).0);
        let ends = replay(&futures, &plan, 5, 1).expect("nothing has changed");
        // For others playing looks for a place, replaying does not.
        for car in problem.cars.keys().filter(|&car| plan.includes(&problem, car)) {
            let end = history.plan.completion(&history.problem, car);
            prop_assert_eq!((ends.by(car, 0.5), ends.by(car, 0.95)), (end, end));
        }
    }
}

/// Goal: playing only what can come before a car says of it what playing all of it does. Method: both in the same futures of
/// small shops; what comes later may push only where a longest wait sends it back, which is seldom.
#[test]
fn a_car_does_not_wait_for_what_comes_after_it() {
    let mut runner = TestRunner::deterministic();
    let (mut same, mut all) = (0, 0);
    for _ in 0..40 {
        let problem = shops::shops(SMALL).new_tree(&mut runner).expect("a shop").current();
        let Some(plan) = planned(&problem, 200, 20).solved().map(|solved| solved.plan.clone()) else { continue };
        let futures = Futures::new(&problem, Chances::default(), 1);
        let tied = tied(&futures, &plan).expect("a problem that is tied down is one");
        let mut whole = Pusher::new(&tied, &plan);
        for car in problem.cars.keys().filter(|&car| plan.includes(&problem, car)) {
            let one = replay_one(&futures, &plan, Span::ZERO, car, 20).expect("it is played");
            for (number, end) in (0..).zip(one) {
                same += usize::from(end == whole.completions(&futures.variation(number))[car.index()]);
                all += 1;
            }
        }
    }
    assert!(all > 1000, "{all}");
    assert!(100 * same >= 99 * all, "{same} of {all}");
}
