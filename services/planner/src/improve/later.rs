//! Takes out a car that costs much, makes the cars that stand in its way later where that costs them nothing, and puts it
//! back.

use super::Search;

/// Most cars that become later.
const MOST: usize = 6;

pub(super) fn pick(search: &mut Search) -> bool {
    let Some(first) = search.pick_car() else { return false };
    if !search.schedule.planned[first] {
        return false;
    }
    search.ruin.add_car(first);
    let operations = &search.compiled.cars[first].operations;
    let count = 1 + search.schedule.random.below(MOST);
    for _ in 0..2 * count {
        if search.ruin.later.len() >= count {
            break;
        }
        let index = operations[search.schedule.random.below(operations.len())] as usize;
        if let Some(car) = search.blocker(index)
            && search.can_move(car)
            && search.schedule.planned[car]
            && !std::mem::replace(&mut search.ruin.taken[car], true)
        {
            search.ruin.later.push(car as u32);
        }
    }
    !search.ruin.later.is_empty()
}
