//! Longest cars first.

use crate::compile::Compiled;

/// Returns the key of a car.
pub fn key(compiled: &Compiled, car: usize) -> i64 {
    -super::tail_of(compiled, car)
}
