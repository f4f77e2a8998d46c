//! Earliest promise first.

use crate::compile::Compiled;

/// Returns the key of a car.
pub fn key(compiled: &Compiled, car: usize) -> i64 {
    super::promise_of(compiled, car)
}
