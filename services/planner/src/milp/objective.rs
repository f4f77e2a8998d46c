//! The price of a plan as a linear expression.

use good_lp::Expression;

use super::variables::Variables;
use crate::bound::remaining::Remaining;
use crate::compile::{Compiled, Step, price};

/// Returns the price and the part of it that does not depend on any variable:
///
/// for each planned car its price at its last completion, less what it saves by being done earlier, plus overtime and
/// changes of what was published; for each other car the price of leaving it out.
pub fn price(compiled: &Compiled, remaining: &Remaining, variables: &Variables) -> (Expression, f64) {
    let (mut sum, mut constant) = (Expression::from(0.0), 0.0);
    for (car, data) in compiled.cars.iter().enumerate() {
        let left_out = data.left_out as f64;
        if !remaining.possible[car] {
            constant += left_out;
            continue;
        }
        if data.operations.is_empty() {
            constant += price::of_completion(compiled, car, Step::MIN / 2) as f64;
            continue;
        }
        let by = &variables.done[car].by;
        let last = by.last().map_or(0, |(step, _)| *step);
        let at_last = price::of_completion(compiled, car, last) as f64;
        match variables.planned[car] {
            None => constant += at_last,
            Some(planned) => {
                constant += left_out;
                sum += (at_last - left_out) * planned;
            }
        }
        for pair in by.windows(2) {
            let ((step, done), (next, _)) = (pair[0], pair[1]);
            let saved = price::of_completion(compiled, car, next) - price::of_completion(compiled, car, step);
            sum -= saved as f64 * done;
        }
        for &index in &data.operations {
            let operation = &compiled.operations[index as usize];
            let modes = compiled.modes_of(index as usize);
            for (way, &placed) in remaining.ways[index as usize].iter().zip(&variables.placed[index as usize]) {
                let mode = &modes[usize::from(way.mode)];
                let extra = price::of_mode(compiled, operation, mode, way.start, way.end);
                if extra != 0 {
                    sum += extra as f64 * placed;
                }
            }
        }
    }
    (sum, constant)
}
