//! Places a list of operations, going back where longest waits or bays force it to.

use super::Schedule;
use super::place::Tried;
use crate::compile::Step;
use crate::compile::price::of_completion;
use fitup_model::Cost;

/// How far ahead in the list an operation is looked for that can be placed while another one is blocked.
const LOOK_AHEAD: usize = 60;

impl Schedule<'_> {
    /// Places `order`, which holds every operation after those of the list that it waits for; may reorder the list.
    ///
    /// Goes back at most `jumps` times. On failure returns the operation that found no place; then part of the list is
    /// placed, and the caller takes it out again.
    pub fn insert(&mut self, order: &mut [u32], mut jumps: usize) -> Result<(), u32> {
        self.prepare(order);
        let mut at = 0;
        while at < order.len() {
            let index = order[at];
            let mut tried = self.try_place(index as usize);
            if tried == Tried::Blocked {
                tried = self.try_another(order, at);
            }
            let (back_to, blocking) = match tried {
                Tried::Placed => {
                    if self.is_hopeless(order[at] as usize) {
                        return Err(index);
                    }
                    at += 1;
                    continue;
                }
                Tried::Blocked | Tried::Nowhere => return Err(index),
                Tried::TooLate(before, by) => {
                    self.release[before as usize] = self.start[before as usize] + by;
                    (order[..at].iter().position(|&other| other == before), before)
                }
                Tried::Cramped(visit) => {
                    self.widen(visit as usize, order[at] as usize);
                    let within = |&other: &u32| self.compiled.operations[other as usize].visit == Some(visit);
                    (order[..at].iter().position(within), index)
                }
            };
            let Some(back_to) = back_to else { return Err(blocking) };
            if jumps == 0 {
                return Err(blocking);
            }
            jumps -= 1;
            while at > back_to {
                at -= 1;
                self.unplace(order[at] as usize);
            }
        }
        Ok(())
    }

    /// Tells whether the cars being put back cost too much already, now that an operation is placed.
    fn is_hopeless(&mut self, index: usize) -> bool {
        let hope = &mut self.hope;
        if hope.most == Cost::MAX {
            return false;
        }
        let compiled = self.compiled;
        let car = compiled.operations[index].car as usize;
        let end = compiled.tails().last_end(index, self.end[index]);
        let least = of_completion(compiled, car, end);
        if least > hope.least[car] {
            hope.sum += least - hope.least[car];
            hope.least[car] = least;
        }
        hope.sum > hope.most
    }

    fn prepare(&mut self, order: &[u32]) {
        for &index in order {
            self.release[index as usize] = 0;
            if let Some(visit) = self.compiled.operations[index as usize].visit {
                self.span[visit as usize] = self.compiled.visits[visit as usize].span;
            }
        }
        if let Some((index, start)) = self.taste.delayed {
            self.release[index as usize] = start;
        }
    }

    /// Places the next operation of the list that can be and moves it to `at`; or says what keeps it out.
    fn try_another(&mut self, order: &mut [u32], at: usize) -> Tried {
        let last = order.len().min(at + LOOK_AHEAD);
        for position in at + 1..last {
            match self.try_place(order[position] as usize) {
                Tried::Placed => {
                    order[at..=position].rotate_right(1);
                    return Tried::Placed;
                }
                Tried::TooLate(before, by) => return Tried::TooLate(before, by),
                Tried::Cramped(visit) => {
                    order[at..=position].rotate_right(1);
                    return Tried::Cramped(visit);
                }
                Tried::Blocked | Tried::Nowhere => {}
            }
        }
        Tried::Nowhere
    }

    /// Asks for a longer gap for a visit, so that the operation `index` finds room in it next time.
    fn widen(&mut self, visit: usize, index: usize) {
        let needed = self.least_end(index).map_or(0, |end| end - self.stays[visit].start);
        self.span[visit] = needed.max(self.span[visit] + 1);
    }

    /// Takes out the operation that was placed last of its visit.
    fn unplace(&mut self, index: usize) {
        self.lift(index);
        if let Some(visit) = self.compiled.operations[index].visit {
            self.shrink(visit as usize);
        }
    }

    /// Notes that an operation of a visit was lifted; the gap that the visit may grow to stays the same.
    pub(super) fn shrink(&mut self, visit: usize) {
        self.hide(visit);
        self.stays[visit].placed -= 1;
        self.measure(visit);
        let stay = self.stays[visit];
        if stay.placed > 0 || self.compiled.visits[visit].fact.is_some() {
            self.show_as_needed(visit);
        }
    }

    /// Sets start and end of a visit to those of its facts and of what is placed.
    pub(super) fn measure(&mut self, visit: usize) {
        let data = &self.compiled.visits[visit];
        let (mut start, mut end) = data.fact.map_or((crate::compile::NEVER, 0), |fact| (fact.start, fact.end));
        for &index in &data.operations {
            let index = index as usize;
            if self.placed[index] {
                start = start.min(self.start[index]);
                end = end.max(self.end[index]);
            }
        }
        (self.stays[visit].start, self.stays[visit].end) = (start, end);
    }

    /// Finds anew how far a visit that has its bay may grow, and holds the bay that far.
    pub(super) fn reopen(&mut self, visit: usize) {
        self.hide(visit);
        let compiled = self.compiled;
        let stay = self.stays[visit];
        let data = &compiled.visits[visit];
        // A fact may have begun before step 0, and while the bay was closed.
        let start = stay.start.max(0);
        // Of two visits that have begun in one bay and are both to go on the one that came last holds it.
        let came_later = data.fact.is_some()
            && self.bays[usize::from(stay.bay)]
                .taken()
                .iter()
                .take_while(|taken| taken.start <= start)
                .any(|taken| taken.start >= stay.start && (taken.start, taken.owner) > (stay.start, visit as u32));
        let (mut lower, mut upper): (Step, Step) = match self.gap(visit, stay.bay, start, stay.end.max(start)) {
            Ok(gap) if !came_later => gap,
            Ok(_) | Err(_) => (stay.start, stay.end),
        };
        if data.on_vehicle {
            for &other in &compiled.cars[data.car as usize].visits {
                let other = other as usize;
                let of_other = &compiled.visits[other];
                let sibling = self.stays[other];
                if other == visit || !of_other.on_vehicle || sibling.placed == 0 && of_other.fact.is_none() {
                    continue;
                }
                if sibling.end <= stay.start {
                    lower = lower.max(sibling.end);
                } else if sibling.start >= stay.end {
                    upper = upper.min(sibling.start);
                }
            }
        }
        (self.stays[visit].lower, self.stays[visit].upper) = (lower, upper);
        self.show_as_needed(visit);
    }
}
