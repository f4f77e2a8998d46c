//! Takes out all that starts from some moment on, of every car, to put it back in almost the same order.
//!
//! The neighbourhood of lists of activities: a few of them change their places in the order of starts. For shops that are
//! small enough.

use super::Search;

/// No shop with more operations is reordered as a whole.
pub(super) const MOST: usize = 400;

pub(super) fn pick(search: &mut Search) -> bool {
    let compiled = search.compiled;
    let index = search.schedule.random.below(compiled.operations.len());
    if !search.schedule.placed[index] {
        return false;
    }
    let moment = search.schedule.start[index];
    for car in 0..compiled.cars.len() {
        search.add_part(car, true, |search, index| search.schedule.start[index] >= moment);
    }
    search.few = true;
    !search.ruin.parts.is_empty() || !search.ruin.cars.is_empty()
}
