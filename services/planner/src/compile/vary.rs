//! Other lengths, later readiness and absences in a problem that is compiled already: what it takes to play a plan under
//! many futures, each of which differs from the problem in these alone.

use std::sync::OnceLock;

use fitup_model::keyed::{Key, KeyedVec, OperationId, TechnicianId};
use fitup_model::{Span, Time, Window};

use super::{Compiled, Step};

/// What is otherwise than the problem says.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Variation {
    /// Work of each operation.
    pub work: KeyedVec<OperationId, Span>,
    /// Reasons of waiting that end at another time: the operation, which of its reasons, and when.
    pub ready: Vec<(OperationId, usize, Time)>,
    /// Who is not there, and when.
    pub away: Vec<(TechnicianId, Window)>,
}

impl Compiled<'_> {
    /// Gives the modes of each crew a calendar of their own, so that one can be closed without another.
    pub(crate) fn own_calendars(&mut self) {
        let mut known: Vec<(u32, Vec<u16>, u32)> = Vec::new();
        for index in 0..self.modes.len() {
            let mode = self.modes[index];
            if mode.people.is_empty() || mode.calendar == 0 {
                continue;
            }
            let mut people = self.people_of(&mode).to_vec();
            people.sort_unstable();
            let found = known.iter().find(|(calendar, crew, _)| *calendar == mode.calendar && *crew == people);
            let own = found.map(|(.., own)| *own).unwrap_or_else(|| {
                self.calendars.push(self.calendars[mode.calendar as usize].clone());
                let own = self.calendars.len() as u32 - 1;
                known.push((mode.calendar, people, own));
                own
            });
            self.modes[index].calendar = own;
        }
    }

    /// Returns the calendars of the crews that each technician is in; see [`Compiled::own_calendars`].
    pub(crate) fn calendars_by_person(&self) -> Vec<Vec<u32>> {
        let mut by_person = vec![Vec::new(); self.problem.technicians.len()];
        for mode in self.modes.iter().filter(|mode| mode.calendar != 0) {
            for &person in self.people_of(mode) {
                let own: &mut Vec<u32> = &mut by_person[usize::from(person)];
                if !own.contains(&mode.calendar) {
                    own.push(mode.calendar);
                }
            }
        }
        by_person
    }

    /// Makes this `base` with a variation; `dirty` are the calendars in which the two differ, before and after. What follows
    /// from it for the cars is left to [`Compiled::follow`].
    pub(crate) fn vary(
        &mut self,
        base: &Compiled,
        variation: &Variation,
        by_person: &[Vec<u32>],
        dirty: &mut Vec<u32>,
    ) {
        for calendar in dirty.drain(..) {
            self.calendars[calendar as usize].clone_from(&base.calendars[calendar as usize]);
        }
        self.operations.clone_from(&base.operations);
        for (id, work) in variation.work.iter() {
            self.set_work(id, *work);
        }
        for &(id, _, time) in &variation.ready {
            let earliest = self.clock.ceil(time.ceil_to(self.problem.grid)).max(0);
            let operation = &mut self.operations[id.index()];
            operation.earliest = operation.earliest.max(earliest);
        }
        for &(person, window) in &variation.away {
            let from = self.clock.floor(window.start()).clamp(0, self.clock.horizon);
            let until = self.clock.ceil(window.end()).clamp(0, self.clock.horizon);
            for &calendar in &by_person[person.index()] {
                self.calendars[calendar as usize].close_between(from, until);
                if !dirty.contains(&calendar) {
                    dirty.push(calendar);
                }
            }
        }
        self.tails = OnceLock::new();
    }

    /// Brings up to date what follows from a variation: for these cars and visits, or for all.
    pub(crate) fn follow(&mut self, of: Option<(&[usize], &[usize])>) {
        match of {
            Some((cars, visits)) => self.find_heads_and_tails_of(cars, visits),
            None => self.find_heads_and_tails(),
        }
    }

    /// Sets the work of an operation that has not started, in all of its modes.
    fn set_work(&mut self, id: OperationId, work: Span) {
        let problem = self.problem;
        let crew = &problem.operations[id].crew;
        if crew.is_empty() || self.operations[id.index()].is_fact {
            return;
        }
        let mut shortest = Step::MAX;
        for index in self.operations[id.index()].modes.range() {
            let people = self.people_of(&self.modes[index]);
            let times = people.iter().zip(crew).filter_map(|(&person, &skill)| {
                let person = TechnicianId::from_index(usize::from(person));
                Some(problem.efficiency(person, skill)?.time_for(work, problem.grid))
            });
            let longest = times.max().unwrap_or(work.ceil_to(problem.grid));
            let length = self.clock.ceil_span(longest.minutes());
            self.modes[index].length = length;
            shortest = shortest.min(length);
        }
        self.operations[id.index()].shortest = if shortest == Step::MAX { 0 } else { shortest };
    }
}
