//! Swaps two operations that follow each other without a pause on a longest path of the plan, and puts back all that
//! starts from the first of them on.
//!
//! Only such swaps can shorten the path: van Laarhoven, Aarts and Lenstra (1992), doi:10.1287/opre.40.1.113. For the
//! makespan of shops that are small enough.

use super::Search;
use crate::timeline::FACT;

pub(super) fn pick(search: &mut Search) -> bool {
    let Some((first, second)) = search.critical_pair() else { return false };
    let moment = search.schedule.start[first];
    for car in 0..search.compiled.cars.len() {
        search.add_part(car, true, |search, index| search.schedule.start[index] >= moment);
    }
    search.few = true;
    // One goes before the other, or the other after it.
    let start = &search.schedule.start;
    search.moved = Some(match search.schedule.random.bits() & 1 {
        0 => (second as u32, 64 * start[first] - 1),
        _ => (first as u32, 64 * start[second] + 1),
    });
    !search.ruin.parts.is_empty() || !search.ruin.cars.is_empty()
}

impl Search<'_> {
    /// Walks back from the end of the plan along operations that wait for nothing but each other, and returns one of the
    /// pairs on the way that wait for a person or a pool.
    fn critical_pair(&mut self) -> Option<(usize, usize)> {
        let compiled = self.compiled;
        let planned = (0..compiled.operations.len()).filter(|&index| self.schedule.placed[index]);
        let mut at = planned.max_by_key(|&index| self.schedule.end[index])?;
        let (mut chosen, mut pairs) = (None, 0);
        for _ in 0..compiled.operations.len() {
            let start = self.schedule.start[at];
            let (mut before, mut ways) = (None, 0);
            for link in compiled.links_of(compiled.operations[at].before) {
                let other = link.other as usize;
                if self.schedule.end[other] + link.min == start {
                    ways += 1;
                    if self.schedule.random.below(ways) == 0 {
                        before = Some(other);
                    }
                }
            }
            for position in 0..self.competitors(at) {
                let Some(other) = self.competitor(at, position) else { continue };
                (ways, pairs) = (ways + 1, pairs + 1);
                if self.schedule.random.below(ways) == 0 {
                    before = Some(other);
                }
                if self.schedule.random.below(pairs) == 0 {
                    chosen = Some((other, at));
                }
            }
            let Some(before) = before else { break };
            at = before;
        }
        chosen
    }

    /// Returns how many places there are in which to look for an operation that keeps `index` waiting.
    fn competitors(&self, index: usize) -> usize {
        let mode = &self.compiled.modes_of(index)[usize::from(self.schedule.mode[index])];
        let pools = if self.compiled.needs_of(index).is_empty() { 0 } else { self.compiled.operations.len() };
        self.compiled.people_of(mode).len() + pools
    }

    /// Returns the operation at one of these places, if it ends when `index` starts and uses what `index` uses.
    fn competitor(&self, index: usize, position: usize) -> Option<usize> {
        let compiled = self.compiled;
        let start = self.schedule.start[index];
        let mode = &compiled.modes_of(index)[usize::from(self.schedule.mode[index])];
        let people = compiled.people_of(mode);
        let Some(&person) = people.get(position) else {
            let other = position - people.len();
            let shares = || {
                let needs = compiled.needs_of(index);
                compiled.needs_of(other).iter().any(|(pool, _)| needs.iter().any(|(own, _)| own == pool))
            };
            return (self.schedule.placed[other] && self.schedule.end[other] == start && other != index && shares())
                .then_some(other);
        };
        let taken = self.schedule.people[usize::from(person)].taken();
        let own = taken.partition_point(|taken| taken.start < start);
        let before = taken.get(own.checked_sub(1)?)?;
        (before.end == start && before.owner != FACT).then_some(before.owner as usize)
    }
}
