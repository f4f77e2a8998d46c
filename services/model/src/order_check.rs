//! What makes the facts of order hold together.

use crate::fault::Faults;
use crate::order::OrderFacts;
use crate::shop::Shop;

/// Returns everything that is wrong with `facts`.
pub fn faults(_facts: &OrderFacts, _shop: &Shop) -> Faults {
    Faults::new()
}
