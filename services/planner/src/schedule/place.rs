//! Finds the earliest place of one operation beside what stands already, puts it there and takes it away again.

use super::Schedule;
use crate::compile::{Mode, NEVER, Operation, Step, price};

/// What came of trying to place an operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tried {
    /// It stands.
    Placed,
    /// Something else has to be placed first.
    Blocked,
    /// It would start so much too late after that operation, for a longest wait.
    TooLate(u32, Step),
    /// It finds no room before the next visit in the bay of this visit.
    Cramped(u32),
    /// There is no place.
    Nowhere,
}

/// A place for an operation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spot {
    /// What it is chosen by: its end and what else speaks against it, in steps.
    pub(super) score: Step,
    pub(super) start: Step,
    pub(super) end: Step,
    pub(super) mode: usize,
    pub(super) bay: u16,
    pub(super) lower: Step,
    pub(super) upper: Step,
}

pub(super) const NO_SPOT: Spot = Spot { score: NEVER, start: NEVER, end: NEVER, mode: 0, bay: 0, lower: 0, upper: 0 };

/// Between which steps an operation may lie by its car alone.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limits {
    pub(super) from: Step,
    /// Last start, and the operation whose longest wait it is.
    pub(super) latest: Step,
    pub(super) because: Option<u32>,
    /// Last end.
    pub(super) until: Step,
}

impl Schedule<'_> {
    /// Places an operation at its earliest end, as the taste of the schedule sees it.
    pub(super) fn try_place(&mut self, index: usize) -> Tried {
        let compiled = self.compiled;
        let operation = &compiled.operations[index];
        let Some(mut limits) = self.limits(index) else { return Tried::Blocked };
        let Some(visit) = operation.visit else {
            return self.place_within(index, limits, None);
        };
        let visit = visit as usize;
        let stay = self.stays[visit];
        if stay.placed == 0 && compiled.visits[visit].fact.is_none() {
            return self.open_visit(index, visit, limits);
        }
        if limits.from < stay.start {
            limits.from = limits.from.max(self.free_before(visit));
        }
        limits.until = limits.until.min(stay.upper);
        if self.partial {
            self.keep_between_siblings(visit, &mut limits);
        }
        self.place_within(index, limits, Some(visit))
    }

    fn limits(&self, index: usize) -> Option<Limits> {
        let compiled = self.compiled;
        let operation = &compiled.operations[index];
        let mut limits = Limits {
            from: operation.earliest.max(self.release[index]),
            latest: operation.latest,
            because: None,
            until: compiled.clock.horizon,
        };
        for link in compiled.links_of(operation.before) {
            let other = link.other as usize;
            if !self.placed[other] {
                return None;
            }
            let end = self.end[other];
            limits.from = limits.from.max(end + link.min);
            let mut longest = link.max;
            if self.taste.patience < longest
                && operation.visit.is_some()
                && operation.visit == compiled.operations[other].visit
            {
                longest = longest.min(self.taste.patience.max(link.min));
            }
            if end + longest < limits.latest {
                (limits.latest, limits.because) = (end + longest, Some(link.other));
            }
        }
        for link in compiled.links_of(operation.after) {
            let other = link.other as usize;
            if self.placed[other] {
                limits.until = limits.until.min(self.start[other] - link.min);
            }
        }
        Some(limits)
    }

    /// Returns by how many steps a mode looks worse than its end, prices that depend on its place not counted.
    pub(super) fn handicap(
        &mut self,
        index: usize,
        operation: &Operation,
        position: usize,
        mode: &Mode,
        of_many: bool,
    ) -> Option<Step> {
        let mut handicap = 0;
        if of_many {
            if self.taste.noise > 0 {
                handicap += self.random.below(self.taste.noise + 1) as Step;
            }
            if position != usize::from(self.mode[index]) {
                handicap += self.taste.bias;
            }
        }
        if let Some(again) = operation.again {
            let other = again.operation as usize;
            let known = self.placed[other] || self.compiled.operations[other].is_fact;
            if known && !price::shares_person(self.compiled, mode, other, self.mode[other]) {
                handicap += self.in_steps(operation, again.price?);
            }
        }
        Some(handicap)
    }

    /// Returns a price as the number of steps of delay of the car that cost as much.
    pub(super) fn in_steps(&self, operation: &Operation, price: i64) -> Step {
        let car = &self.compiled.cars[operation.car as usize];
        let per_step = (self.compiled.clock.minutes * (car.late_weight + car.flow_weight)).max(1);
        (price / per_step).min(1 << 20) as Step
    }

    /// Returns the first place of a mode in its limits, beside everybody's other work.
    #[inline]
    pub(super) fn slot(
        &self,
        index: usize,
        operation: &Operation,
        mode: &Mode,
        from: Step,
        latest: Step,
        until: Step,
    ) -> Option<(Step, Step)> {
        let compiled = self.compiled;
        let calendar = &compiled.calendars[mode.calendar as usize];
        let people = compiled.people_of(mode);
        if let [person] = *people {
            return self.slot_of_one(index, operation, mode, usize::from(person), from, latest, until);
        }
        let mut from = from;
        loop {
            let (start, end) = calendar.first(from, mode.length, operation.interruptible);
            if end > until || start > latest {
                return None;
            }
            if end == start {
                return Some((start, end));
            }
            let mut free = start;
            for &person in people {
                free = free.max(self.people[usize::from(person)].free_from(start, end));
            }
            if free == start {
                free = self.pools_free_from(index, start, end);
                if free == start {
                    return Some((start, end));
                }
            }
            from = free;
        }
    }

    /// Does the same for a crew of one, walking along the one timeline.
    #[inline]
    #[expect(clippy::too_many_arguments, reason = "the inner loop of the search")]
    fn slot_of_one(
        &self,
        index: usize,
        operation: &Operation,
        mode: &Mode,
        person: usize,
        mut from: Step,
        latest: Step,
        until: Step,
    ) -> Option<(Step, Step)> {
        let calendar = &self.compiled.calendars[mode.calendar as usize];
        let taken = self.people[person].taken();
        let mut position = self.people[person].after(from);
        loop {
            // Gaps that are too short even without a pause are passed over without a look at the calendar.
            while let Some(next) = taken.get(position)
                && (next.start < from + mode.length || next.end <= from)
            {
                from = from.max(next.end);
                position += 1;
            }
            let (start, end) = calendar.first(from, mode.length, operation.interruptible);
            if end > until || start > latest {
                return None;
            }
            while let Some(next) = taken.get(position)
                && next.end <= start
            {
                position += 1;
            }
            if let Some(next) = taken.get(position)
                && next.start < end
            {
                from = next.end;
                position += 1;
                continue;
            }
            let free = self.pools_free_from(index, start, end);
            if free == start {
                return Some((start, end));
            }
            from = free;
        }
    }

    #[inline]
    pub(super) fn pools_free_from(&self, index: usize, start: Step, end: Step) -> Step {
        let needs = self.compiled.needs_of(index).iter();
        needs
            .fold(start, |free, &(pool, pieces)| free.max(self.stocks[usize::from(pool)].free_from(start, end, pieces)))
    }

    /// Returns when an operation was published to start, if that is later than `start` and worth waiting for.
    #[inline]
    pub(super) fn published_start(&self, operation: &Operation, start: Step) -> Option<Step> {
        if !self.compiled.is_sticky {
            return None;
        }
        operation.published_day.map(|(from, ..)| from).filter(|from| *from > start)
    }

    pub(super) fn extra_steps(&self, operation: &Operation, mode: &Mode, start: Step, end: Step) -> Step {
        if mode.change == 0 && !mode.overtime && operation.published_day.is_none() {
            return 0;
        }
        self.in_steps(operation, price::of_mode(self.compiled, operation, mode, start, end))
    }

    /// Places an operation that needs no bay or whose visit has its bay.
    fn place_within(&mut self, index: usize, limits: Limits, visit: Option<usize>) -> Tried {
        let compiled = self.compiled;
        let operation = &compiled.operations[index];
        let modes = compiled.modes_of(index);
        let of_many = modes.len() > 1;
        let mut best = NO_SPOT;
        let blinks = of_many && self.taste.blink > 0.0;
        for blinking in [blinks, false] {
            for (position, mode) in modes.iter().enumerate() {
                if limits.from + mode.length > best.score {
                    break;
                }
                if blinking && self.random.chance(self.taste.blink) {
                    continue;
                }
                let Some(handicap) = self.handicap(index, operation, position, mode, of_many) else { continue };
                let until = limits.until.min(best.score - handicap);
                if let Some((start, end)) = self.slot(index, operation, mode, limits.from, limits.latest, until) {
                    let score = end + handicap + self.extra_steps(operation, mode, start, end);
                    self.keep_better(&mut best, Spot { score, start, end, mode: position, bay: 0, lower: 0, upper: 0 });
                    if let Some(own) = self.published_start(operation, start) {
                        let until = limits.until.min(best.score - handicap);
                        let latest = own.min(limits.latest);
                        if let Some((start, end)) = self.slot(index, operation, mode, own, latest, until) {
                            let score = end + handicap + self.extra_steps(operation, mode, start, end);
                            let spot = Spot { score, start, end, mode: position, bay: 0, lower: 0, upper: 0 };
                            self.keep_better(&mut best, spot);
                        }
                    }
                }
            }
            if best.score < NEVER || !blinking {
                break;
            }
        }
        if best.score == NEVER {
            return self.why_not(index, limits, visit);
        }
        self.put(index, best.start, best.end, best.mode);
        if let Some(visit) = visit {
            self.grow(visit, best.start, best.end);
        }
        Tried::Placed
    }

    #[inline]
    pub(super) fn keep_better(&mut self, best: &mut Spot, spot: Spot) {
        let better = spot.score < best.score
            || spot.score == best.score
                && (spot.start > best.start || spot.start == best.start && self.random.bits() & 1 == 0);
        if better {
            *best = spot;
        }
    }

    /// Tells what keeps an operation out: a longest wait before it, the next visit in its bay, or everything.
    fn why_not(&self, index: usize, limits: Limits, visit: Option<usize>) -> Tried {
        let compiled = self.compiled;
        let operation = &compiled.operations[index];
        let first = |latest, until| {
            let slots = compiled.modes_of(index).iter().filter(|mode| self.may_follow(operation, mode));
            let slots = slots.filter_map(|mode| self.slot(index, operation, mode, limits.from, latest, until));
            slots.fold(None, |least: Option<(Step, Step)>, (start, end)| {
                Some(least.map_or((start, end), |least| (least.0.min(start), least.1.min(end))))
            })
        };
        if let Some(before) = limits.because
            && let Some((start, _)) = first(NEVER, limits.until)
        {
            return Tried::TooLate(before, start - limits.latest);
        }
        if let Some(visit) = visit
            && limits.until == self.stays[visit].upper
            && first(NEVER, compiled.clock.horizon).is_some()
        {
            return Tried::Cramped(visit as u32);
        }
        Tried::Nowhere
    }

    /// Returns the least end of an operation with nothing in the way but everybody's other work.
    pub(super) fn least_end(&self, index: usize) -> Option<Step> {
        let limits = self.limits(index)?;
        let operation = &self.compiled.operations[index];
        let modes = self.compiled.modes_of(index).iter().filter(|mode| self.may_follow(operation, mode));
        let horizon = self.compiled.clock.horizon;
        modes.filter_map(|mode| self.slot(index, operation, mode, limits.from, NEVER, horizon)).map(|slot| slot.1).min()
    }

    fn may_follow(&self, operation: &Operation, mode: &Mode) -> bool {
        operation.again.filter(|again| again.price.is_none()).is_none_or(|again| {
            let other = again.operation as usize;
            let known = self.placed[other] || self.compiled.operations[other].is_fact;
            !known || price::shares_person(self.compiled, mode, other, self.mode[other])
        })
    }

    /// Stands an operation on its people and equipment.
    pub(super) fn put(&mut self, index: usize, start: Step, end: Step, mode: usize) {
        let compiled = self.compiled;
        (self.start[index], self.end[index], self.mode[index], self.placed[index]) = (start, end, mode as u16, true);
        if start == end {
            return;
        }
        for &person in compiled.people_of(&compiled.modes_of(index)[mode]) {
            self.people[usize::from(person)].take(start, end, index as u32);
        }
        for &(pool, pieces) in compiled.needs_of(index) {
            self.stocks[usize::from(pool)].take(start, end, pieces);
        }
    }

    /// Takes an operation off its people and equipment.
    pub(super) fn lift(&mut self, index: usize) {
        let compiled = self.compiled;
        let (start, end) = (self.start[index], self.end[index]);
        self.placed[index] = false;
        if start == end {
            return;
        }
        for &person in compiled.people_of(&compiled.modes_of(index)[usize::from(self.mode[index])]) {
            self.people[usize::from(person)].give_back(start, index as u32);
        }
        for &(pool, pieces) in compiled.needs_of(index) {
            self.stocks[usize::from(pool)].give_back(start, end, pieces);
        }
    }
}
