//! First come, first served.

use crate::compile::Compiled;

/// Returns the key of a car.
pub fn key(compiled: &Compiled, car: usize) -> i64 {
    compiled.cars[car].arrival
}
