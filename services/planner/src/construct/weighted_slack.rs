//! Least slack first, with twice the time of the car and slack that counts less for weighty cars.

use crate::compile::Compiled;

/// Returns the key of a car.
pub fn key(compiled: &Compiled, car: usize) -> i64 {
    let slack = super::promise_of(compiled, car) - 2 * super::tail_of(compiled, car);
    slack * 100 / (compiled.cars[car].late_weight.max(1) * 10_000).isqrt()
}
