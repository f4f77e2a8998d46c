//! Who can start what now: idle, at work long enough, with the skills, and the same person where that is a rule.

use std::cmp::Reverse;

use fitup_model::keyed::{OperationId, SkillId, TechnicianId};
use fitup_model::problem::{Commitment, SamePersonRule};
use fitup_model::{Calendar, Span, Time};

use super::{DAY, Floor, TIGHT};

impl Floor<'_> {
    /// Tells whether somebody has nothing in hand and is at work.
    pub fn is_idle(&self, person: TechnicianId) -> bool {
        self.busy[person] <= self.now && self.hours(person).window_at(self.now).is_some()
    }

    /// Returns the hours of somebody; what is asked of them lies in today, which is known.
    fn hours(&self, person: TechnicianId) -> &Calendar {
        &self.world.truth.calendars[self.world.truth.technicians[person].calendar]
    }

    fn today_ends(&self, person: TechnicianId) -> Time {
        let midnight = Time::from_minutes((self.now.minutes().div_euclid(DAY) + 1) * DAY);
        let windows = self.hours(person).windows();
        let before = windows.partition_point(|window| window.start() < midnight);
        windows[..before].last().map_or(self.now, |window| window.end())
    }

    /// Tells whether these people can start an operation now: the rest of the day is long enough for work that must not
    /// stop, and for a chain of short longest waits.
    pub fn has_time(&self, id: OperationId, people: &[TechnicianId], hot: bool) -> bool {
        let operation = &self.world.truth.operations[id];
        let length = self.known_length(id, people);
        people.iter().all(|&person| {
            let Some(window) = self.hours(person).window_at(self.now) else { return false };
            let early = self.now < window.start() + Span::from_minutes(60);
            let fits = operation.interruptible || self.now + length <= window.end();
            let chain = length + self.tail[id];
            let tail_fits = self.tail[id] == Span::ZERO || self.now + chain <= self.today_ends(person);
            hot || (fits && tail_fits) || (early && self.is_morning(person))
        })
    }

    fn is_morning(&self, person: TechnicianId) -> bool {
        let midnight = Time::from_minutes(self.now.minutes().div_euclid(DAY) * DAY);
        let windows = self.hours(person).windows();
        let before = windows.partition_point(|window| window.start() < midnight);
        windows.get(before).is_some_and(|first| first.start() + Span::from_minutes(60) > self.now)
    }

    /// Returns the booked time from the end of an operation to the end of the last attended one that follows it in a chain
    /// of short longest waits.
    pub(super) fn tail_of(&self, id: OperationId, depth: usize) -> Span {
        let booked = &self.world.booked;
        let links = self.after[id].iter().map(|&index| &booked.links[index]);
        let tight = links.filter(|link| link.max_wait.is_some_and(|longest| longest <= TIGHT));
        let tails = tight.filter(|_| depth < 32).map(|link| {
            let (next, rest) = (&booked.operations[link.to], self.tail_of(link.to, depth + 1));
            let attended = !next.crew.is_empty() || rest > Span::ZERO;
            if attended { link.min_wait.max(Span::ZERO) + next.work + rest } else { Span::ZERO }
        });
        tails.max().unwrap_or(Span::ZERO)
    }

    /// Returns people for an operation who can start it now, of those that `may`; the fastest for each place.
    pub fn any_crew(
        &self,
        id: OperationId,
        hot: bool,
        may: &dyn Fn(TechnicianId) -> bool,
    ) -> Option<Vec<TechnicianId>> {
        let truth = &self.world.truth;
        let operation = &truth.operations[id];
        if let Commitment::Pinned { technicians: Some(people), .. } = &operation.commitment {
            return self.can_all_start(id, people, hot).then(|| people.clone());
        }
        let mut people = Vec::new();
        let idle: Vec<TechnicianId> =
            truth.technicians.keys().filter(|&person| self.is_idle(person) && may(person)).collect();
        let found = self.fill(id, &operation.crew, &idle, hot, &mut people);
        found.then_some(people)
    }

    /// Tells whether these people are idle and can start an operation now.
    pub fn can_all_start(&self, id: OperationId, people: &[TechnicianId], hot: bool) -> bool {
        let twice = |(place, person): (usize, &TechnicianId)| people[..place].contains(person);
        people.iter().all(|&person| self.is_idle(person))
            && self.world.truth.duration(id, people).is_some()
            && !people.iter().enumerate().any(twice)
            && self.is_same_person(id, people)
            && self.has_time(id, people, hot)
    }

    pub(super) fn is_same_person(&self, id: OperationId, people: &[TechnicianId]) -> bool {
        let Some(wish) = self.world.truth.operations[id].same_person else { return true };
        let Some(earlier) = &self.done[wish.operation] else { return true };
        wish.rule != SamePersonRule::Required || people.iter().any(|person| earlier.technicians.contains(person))
    }

    fn fill(
        &self,
        id: OperationId,
        places: &[SkillId],
        idle: &[TechnicianId],
        hot: bool,
        people: &mut Vec<TechnicianId>,
    ) -> bool {
        let Some((&skill, rest)) = places.split_first() else {
            return self.is_same_person(id, people) && self.has_time(id, people, hot);
        };
        let truth = &self.world.truth;
        let speed = |person: TechnicianId| truth.efficiency(person, skill).map(|speed| speed.0);
        let mut able: Vec<TechnicianId> = idle.iter().copied().filter(|&person| speed(person).is_some()).collect();
        able.sort_by_key(|&person| (Reverse(speed(person)), truth.technicians[person].skills.len(), person));
        for person in able {
            if people.contains(&person) {
                continue;
            }
            people.push(person);
            if self.fill(id, rest, idle, hot, people) {
                return true;
            }
            people.pop();
        }
        false
    }
}
