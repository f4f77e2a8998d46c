//! The chain that explains when a car is complete: its stretches do not overlap, and the last one ends with the car.

use fitup_model::delays::delays;
use fitup_tests::planning::planned;
use fitup_tests::shops::{self, SMALL};
use proptest::prelude::*;

proptest! {
    #![proptest_config(shops::cases(60))]

    #[test]
    fn stretches_follow_one_another_up_to_the_completion(problem in shops::shops(SMALL)) {
        let outcome = planned(&problem, 50, 20);
        let Some(solved) = outcome.solved() else { return Ok(()) };
        for car in problem.cars.keys() {
            let mut chain = delays(&problem, &solved.plan, car);
            let Some(completion) = solved.plan.completion(&problem, car) else {
                prop_assert!(chain.is_empty(), "a car left out has no completion to explain");
                continue;
            };
            chain.sort_by_key(|delay| delay.start);
            // Nothing is to be explained of a car that is complete, or has milestones only.
            let works = |id| {
                let assignment = solved.plan.operations[id].as_ref();
                assignment.is_some_and(|assignment| assignment.start.max(problem.now) < assignment.end)
            };
            if problem.operations_of(car).iter().any(|&id| works(id)) {
                prop_assert_eq!(chain.last().map(|delay| delay.end), Some(completion));
            }
            for delay in &chain {
                prop_assert!(problem.now <= delay.start && delay.start < delay.end, "{:?}", delay);
            }
            for pair in chain.windows(2) {
                prop_assert!(pair[0].end <= pair[1].start, "{:?}", pair);
            }
        }
    }
}
