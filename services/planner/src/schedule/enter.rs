//! Enters a bay with the first operation of a visit, and keeps the bay for the visit as it grows.

use super::place::{Limits, NO_SPOT, Spot, Tried};
use super::{Schedule, Stay};
use crate::compile::{NEVER, Operation, Step};

impl Schedule<'_> {
    /// Places the first operation of a visit, and with it chooses the bay.
    pub(super) fn open_visit(&mut self, index: usize, visit: usize, limits: Limits) -> Tried {
        let compiled = self.compiled;
        let operation = &compiled.operations[index];
        if compiled.visits[visit].on_vehicle {
            for &other in &compiled.cars[operation.car as usize].visits {
                let other = other as usize;
                let data = &compiled.visits[other];
                let begun = self.stays[other].placed > 0 || data.fact.is_some();
                if other != visit
                    && data.on_vehicle
                    && begun
                    && usize::from(self.stays[other].placed) < data.operations.len()
                {
                    return Tried::Blocked;
                }
            }
        }
        let modes = compiled.modes_of(index);
        let of_many = modes.len() > 1;
        let span = self.span[visit];
        let mut limits = limits;
        // Until some bay is free for the shortest stay there is no need to ask for people.
        let shortest = span.max(operation.shortest);
        loop {
            match self.find_bay(operation, visit, limits.from, limits.from + shortest) {
                Ok(_) => break,
                Err(next) if next >= compiled.clock.horizon => break,
                Err(next) => limits.from = next.max(limits.from + 1),
            }
        }
        let mut best = NO_SPOT;
        let mut soonest = NEVER;
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
                let mut from = limits.from;
                let mut own = None;
                loop {
                    let until = limits.until.min(best.score - handicap);
                    let Some((start, end)) = self.slot(index, operation, mode, from, NEVER, until) else { break };
                    match self.find_bay(operation, visit, start, end.max(start + span)) {
                        Ok((bay, lower, upper, price)) => {
                            soonest = soonest.min(start);
                            if start <= limits.latest {
                                let extra = self.extra_steps(operation, mode, start, end) + price;
                                let score = end + handicap + extra;
                                self.keep_better(
                                    &mut best,
                                    Spot { score, start, end, mode: position, bay, lower, upper },
                                );
                            }
                            match self.published_start(operation, start).filter(|_| own.is_none()) {
                                Some(later) => (from, own) = (later, Some(later)),
                                None => break,
                            }
                        }
                        Err(next) if next >= compiled.clock.horizon => break,
                        Err(next) => from = next.max(start + 1),
                    }
                }
            }
            if best.score < NEVER || !blinking {
                break;
            }
        }
        if best.score == NEVER {
            return match limits.because {
                Some(before) if soonest < NEVER => Tried::TooLate(before, soonest - limits.latest),
                _ if self.any_open() => Tried::Blocked,
                _ => Tried::Nowhere,
            };
        }
        self.put(index, best.start, best.end, best.mode);
        self.stays[visit] = Stay {
            start: best.start,
            end: best.end,
            bay: best.bay,
            placed: 1,
            lower: best.lower,
            upper: best.upper,
            shown: None,
        };
        self.show_as_needed(visit);
        Tried::Placed
    }

    /// Returns a bay that is free for a visit over `[start, need)`, the gap around it and its price in steps; or the
    /// first step at which to ask again.
    ///
    /// Of the bays that are free and cost least it takes the one that was taken last, which keeps long gaps whole.
    #[inline]
    fn find_bay(
        &mut self,
        operation: &Operation,
        visit: usize,
        start: Step,
        need: Step,
    ) -> Result<(u16, Step, Step, Step), Step> {
        let compiled = self.compiled;
        let (floor, ceiling) = self.between_siblings(visit, start, need)?;
        let mut best: Option<(u16, Step, Step, Step)> = None;
        let mut next = NEVER;
        for &(bay, price) in compiled.choices_of(visit) {
            match self.gap(visit, bay, start, need) {
                Ok((lower, upper)) => {
                    let price = if price == 0 { 0 } else { self.in_steps(operation, price) };
                    let better = best.is_none_or(|best| (price, -lower) < (best.3, -best.1));
                    if better {
                        let overlook = best.is_some() && self.taste.blink > 0.0 && self.random.bits() & 7 == 0;
                        if !overlook {
                            best = Some((bay, lower.max(floor), upper.min(ceiling), price));
                        }
                    }
                }
                Err(later) => next = next.min(later),
            }
        }
        best.ok_or(next)
    }

    /// Returns between which ends of the car's other on-vehicle visits `[start, need)` lies, or where to ask again.
    #[inline]
    fn between_siblings(&self, visit: usize, start: Step, need: Step) -> Result<(Step, Step), Step> {
        let (mut floor, mut ceiling) = (0, NEVER);
        let data = &self.compiled.visits[visit];
        if data.on_vehicle {
            for &other in &self.compiled.cars[data.car as usize].visits {
                let other = other as usize;
                let of_other = &self.compiled.visits[other];
                let stay = &self.stays[other];
                if other == visit || !of_other.on_vehicle || stay.placed == 0 && of_other.fact.is_none() {
                    continue;
                }
                if stay.end <= start {
                    floor = floor.max(stay.end);
                } else if stay.start >= need {
                    ceiling = ceiling.min(stay.start);
                } else {
                    return Err(stay.end);
                }
            }
        }
        Ok((floor, ceiling))
    }

    /// Returns the gap of `bay` in which `[start, need)` lies, or the first step at which to ask again.
    #[inline]
    pub(super) fn gap(&self, visit: usize, bay: u16, start: Step, need: Step) -> Result<(Step, Step), Step> {
        let compiled = self.compiled;
        let taken = self.bays[usize::from(bay)].taken();
        let position = self.bays[usize::from(bay)].after(start);
        let changeover = |before: u32, after: u32| {
            if !compiled.has_changeovers {
                return 0;
            }
            compiled.changeover(compiled.visits[before as usize].family, compiled.visits[after as usize].family)
        };
        let visit = visit as u32;
        let mut lower = 0;
        if position > 0 {
            let before = taken[position - 1];
            lower = before.end + changeover(before.owner, visit);
            if start < lower {
                return Err(lower);
            }
        }
        let mut upper = compiled.clock.horizon;
        if let Some(after) = taken.get(position) {
            upper = after.start - changeover(visit, after.owner);
            if need > upper {
                return Err(after.end + changeover(after.owner, visit));
            }
        } else if need > upper {
            return Err(NEVER);
        }
        let calendar = compiled.bay_calendar[usize::from(bay)];
        if calendar != 0 && compiled.visits[visit as usize].keeps_hours {
            let calendar = &compiled.calendars[calendar as usize];
            if !calendar.is_open(start) {
                return Err(calendar.next_open(start));
            }
            let close = calendar.close(start);
            if need > close {
                return Err(calendar.next_open(close));
            }
            upper = upper.min(close);
            lower = lower.max(calendar.open_since(start));
        }
        Ok((lower, upper))
    }

    /// Returns from when on the bay of a visit is free before its start.
    pub(super) fn free_before(&self, visit: usize) -> Step {
        let compiled = self.compiled;
        let stay = self.stays[visit];
        let taken = self.bays[usize::from(stay.bay)].taken();
        let own = taken.partition_point(|taken| taken.start < stay.start);
        let Some(before) = own.checked_sub(1).and_then(|position| taken.get(position)) else { return stay.lower };
        let family = |visit: usize| compiled.visits[visit].family;
        stay.lower.max(before.end + compiled.changeover(family(before.owner as usize), family(visit)))
    }

    /// Keeps a visit apart from the car's other on-vehicle visits, which may have grown since it was given its bay.
    pub(super) fn keep_between_siblings(&self, visit: usize, limits: &mut Limits) {
        let data = &self.compiled.visits[visit];
        if !data.on_vehicle {
            return;
        }
        let stay = self.stays[visit];
        for &other in &self.compiled.cars[data.car as usize].visits {
            let other = other as usize;
            let of_other = &self.compiled.visits[other];
            let sibling = self.stays[other];
            if other == visit || !of_other.on_vehicle || sibling.placed == 0 && of_other.fact.is_none() {
                continue;
            }
            if sibling.end <= stay.start {
                limits.from = limits.from.max(sibling.end);
            } else {
                limits.until = limits.until.min(sibling.start);
            }
        }
    }

    /// Notes that an operation of a visit with a bay was placed.
    pub(super) fn grow(&mut self, visit: usize, start: Step, end: Step) {
        let stay = &mut self.stays[visit];
        stay.placed += 1;
        stay.start = stay.start.min(start);
        stay.end = stay.end.max(end);
        self.show_as_needed(visit);
    }

    /// Takes of its bay what a visit needs: up to its end if it is complete, up to the next visit otherwise.
    pub(super) fn show_as_needed(&mut self, visit: usize) {
        let stay = self.stays[visit];
        let complete = usize::from(stay.placed) == self.compiled.visits[visit].operations.len();
        let end = if complete { stay.end } else { stay.upper.max(stay.end) };
        if stay.shown == Some((stay.start, end)) {
            return;
        }
        if stay.shown.is_some() {
            self.hide(visit);
        }
        self.show(visit, stay.start, end);
    }

    /// Tells whether some visit holds more of its bay than it needs.
    fn any_open(&self) -> bool {
        let visits = self.stays.iter().zip(&self.compiled.visits);
        visits
            .into_iter()
            .any(|(stay, visit)| stay.shown.is_some() && usize::from(stay.placed) < visit.operations.len())
    }

    pub(super) fn show(&mut self, visit: usize, start: Step, end: Step) {
        let stay = &mut self.stays[visit];
        stay.shown = Some((start, end));
        self.bays[usize::from(stay.bay)].take(start, end, visit as u32);
    }

    /// Gives the bay of a visit back.
    pub(super) fn hide(&mut self, visit: usize) {
        let stay = &mut self.stays[visit];
        let Some((start, _)) = stay.shown.take() else { return };
        self.bays[usize::from(stay.bay)].give_back(start, visit as u32);
    }
}
