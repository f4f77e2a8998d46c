//! Short and weighty cars first: time over weight, as in the rule of Smith (1956), doi:10.1002/nav.3800030106.

use crate::compile::Compiled;

/// Returns the key of a car.
pub fn key(compiled: &Compiled, car: usize) -> i64 {
    super::tail_of(compiled, car) * 1000 / (compiled.cars[car].late_weight + compiled.cars[car].flow_weight + 1)
}
