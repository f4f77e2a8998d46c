//! Plans played forward on small nasty shops made by chance: every history keeps the rules of its future.

use fitup_model::check;
use fitup_planner::replan::push_right;
use fitup_rehearsal::replay::play;
use fitup_rehearsal::{Chances, Futures, replay};
use fitup_tests::planning::planned;
use fitup_tests::shops::{self, SMALL};
use proptest::prelude::*;

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

    #[test]
    fn threads_change_nothing(problem in shops::shops(SMALL), seed in any::<u64>()) {
        let Some(plan) = planned(&problem, 200, 20).solved().map(|solved| solved.plan.clone()) else { return Ok(()) };
        let futures = Futures::new(&problem, Chances::default(), seed);
        prop_assert_eq!(replay(&futures, &plan, 12, 1), replay(&futures, &plan, 12, 3));
    }

    #[test]
    fn where_nothing_goes_wrong_the_plan_is_what_happens(problem in shops::shops(SMALL)) {
        let Some(plan) = planned(&problem, 200, 20).solved().map(|solved| solved.plan.clone()) else { return Ok(()) };
        let futures = Futures::new(&problem, Chances::NONE, 1);
        let history = play(&futures, &plan, 0).expect("nothing has changed");
        prop_assert_eq!(&history.plan, &push_right(&history.problem, &plan).0);
        let ends = replay(&futures, &plan, 5, 1).expect("nothing has changed");
        for car in problem.cars.keys() {
            let end = history.plan.completion(&history.problem, car);
            prop_assert_eq!((ends.by(car, 0.5), ends.by(car, 0.95)), (end, end));
        }
    }
}
