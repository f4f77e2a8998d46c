//! The problem that is left where all cars but a few stay where they are.

use std::sync::OnceLock;

use fitup_model::Cost;

use super::cars::union;
use super::{Compiled, Slice, Step, StepCalendar, VisitFact, price};
use crate::schedule::Schedule;

impl Compiled<'_> {
    /// Returns the problem of the cars in `free` beside all others, which stand as in `schedule`: those are facts now, and
    /// cost what they cost there.
    ///
    /// Crews are not open where one of them is taken, where too little of the equipment is left, or where none of the bays
    /// of the visit is free: what may go on after a pause could go on behind all of these, so that some ways overlap what
    /// is taken, and are to be sorted out by who asks.
    pub(crate) fn with_held(&self, schedule: &Schedule, free: &[usize]) -> Self {
        let mut left = self.clone();
        left.clock.horizon = self.last_of_use(schedule, free);
        left.calendars[0] = StepCalendar::always(&left.clock);
        for car in (0..self.cars.len()).filter(|car| !free.contains(car)) {
            left.hold(car, schedule);
        }
        for busy in &mut left.busy_people {
            *busy = union(std::mem::take(busy));
        }
        left.close_what_is_taken(free);
        left.find_heads_and_tails();
        left.tails = OnceLock::new();
        left
    }

    /// Returns the step by which the cars in `free` are complete in every plan in which they cost no more than now.
    fn last_of_use(&self, schedule: &Schedule, free: &[usize]) -> Step {
        let slack: Cost = free.iter().map(|&car| schedule.price[car] - self.cars[car].least).sum();
        let last = |&car: &usize| {
            let dear = |step: Step| price::of_completion(self, car, step) > self.cars[car].least + slack;
            let (mut low, mut high) = (0, self.clock.horizon);
            while low < high {
                let middle = low + (high - low) / 2;
                if dear(middle + 1) { high = middle } else { low = middle + 1 }
            }
            low
        };
        free.iter().map(last).max().unwrap_or(0)
    }

    fn hold(&mut self, car: usize, schedule: &Schedule) {
        for index in std::mem::take(&mut self.cars[car].operations) {
            let index = index as usize;
            let (start, end) = (schedule.start[index], schedule.end[index].min(self.clock.horizon));
            let operation = &mut self.operations[index];
            operation.is_fact = true;
            let modes = std::mem::take(&mut operation.modes);
            if !schedule.planned[car] || start >= end {
                continue;
            }
            let mode = self.modes[modes.range()][usize::from(schedule.mode[index])];
            for &person in &self.people[mode.people.range()] {
                self.busy_people[usize::from(person)].push((start, end));
            }
            for &(pool, pieces) in &self.needs[self.operations[index].needs.range()] {
                self.pools[usize::from(pool)].busy.push((start, end, pieces));
            }
        }
        for visit in self.cars[car].visits.clone() {
            let visit = visit as usize;
            let stay = &schedule.stays[visit];
            if std::mem::take(&mut self.visits[visit].operations).is_empty() || !schedule.planned[car] {
                continue;
            }
            self.choices.push((stay.bay, 0));
            let data = &mut self.visits[visit];
            data.bays = Slice::new(self.choices.len() - 1, self.choices.len());
            data.fact = Some(VisitFact { start: stay.start, end: stay.end, over: false });
        }
        let data = &mut self.cars[car];
        data.impossible = None;
        (data.late_weight, data.flow_weight, data.has_extras) = (0, 0, false);
        (data.sunk, data.least) = (schedule.price[car], schedule.price[car]);
        data.left_out += schedule.price[car];
    }

    /// Closes the calendars of the cars in `free` where what they need is taken.
    fn close_what_is_taken(&mut self, free: &[usize]) {
        let horizon = self.clock.horizon;
        for pool in &mut self.pools {
            pool.busy.iter_mut().for_each(|busy| busy.1 = busy.1.min(horizon));
            pool.busy.retain(|(from, until, _)| from < until);
        }
        let held = self.held_bays();
        let mut known: Vec<(Wanted, u32)> = Vec::new();
        let operations: Vec<u32> = free.iter().flat_map(|&car| self.cars[car].operations.clone()).collect();
        for index in operations {
            let operation = &self.operations[index as usize];
            let (modes, needs) = (operation.modes, operation.needs);
            let bays = operation.visit.map_or(Slice::default(), |visit| self.visits[visit as usize].bays);
            for at in modes.range() {
                let mode = self.modes[at];
                let wanted = Wanted { calendar: mode.calendar, people: self.people_of(&mode).to_vec(), bays, needs };
                let made = known.iter().find(|(other, _)| *other == wanted).map(|(_, made)| *made);
                self.modes[at].calendar = made.unwrap_or_else(|| {
                    let taken = self.taken(&wanted, &held);
                    let made = if mode.calendar != 0 || taken.contains(&true) {
                        let calendar = self.calendars[mode.calendar as usize].without(&taken, &self.clock);
                        self.calendars.push(calendar);
                        self.calendars.len() as u32 - 1
                    } else {
                        mode.calendar
                    };
                    known.push((wanted, made));
                    made
                });
            }
        }
    }

    /// Returns the bays in which something stands that is settled, with when it begins and ends.
    fn held_bays(&self) -> Vec<(u16, Step, Step)> {
        let held = |(index, visit): (usize, &super::Visit)| {
            let fact = visit.fact.filter(|fact| !fact.over && visit.operations.is_empty())?;
            let (bay, _) = self.choices_of(index).first()?;
            Some((*bay, fact.start, fact.end))
        };
        self.visits.iter().enumerate().filter_map(held).collect()
    }

    /// Tells for each step whether something is taken that is wanted.
    fn taken(&self, wanted: &Wanted, held: &[(u16, Step, Step)]) -> Vec<bool> {
        let horizon = self.clock.horizon;
        let within = |from: Step, until: Step| {
            from.clamp(0, horizon) as usize..until.clamp(from.clamp(0, horizon), horizon) as usize
        };
        let mut taken = vec![false; horizon as usize];
        for &person in &wanted.people {
            for &(from, until) in &self.busy_people[usize::from(person)] {
                taken[within(from, until)].fill(true);
            }
        }
        let mut note_full = |most: usize, busy: &mut dyn Iterator<Item = (Step, Step, usize)>| {
            let mut used = vec![0; horizon as usize];
            for (from, until, units) in busy {
                used[within(from, until)].iter_mut().for_each(|used| *used += units);
            }
            taken.iter_mut().zip(&used).for_each(|(taken, &used): (_, &usize)| *taken |= used > most);
        };
        for &(pool, pieces) in &self.needs[wanted.needs.range()] {
            let pool = &self.pools[usize::from(pool)];
            let busy = pool.busy.iter().map(|&(from, until, pieces)| (from, until, usize::from(pieces)));
            note_full(usize::from(pool.capacity.saturating_sub(pieces)), &mut { busy });
        }
        if !wanted.bays.is_empty() {
            let own = &self.choices[wanted.bays.range()];
            let busy = held.iter().filter(|(bay, ..)| own.iter().any(|(own, _)| own == bay));
            note_full(own.len() - 1, &mut busy.map(|&(_, from, until)| (from, until, 1)));
        }
        taken
    }
}

/// What a mode has to have all at once.
#[derive(Debug, PartialEq, Eq)]
struct Wanted {
    calendar: u32,
    people: Vec<u16>,
    bays: Slice,
    needs: Slice,
}
