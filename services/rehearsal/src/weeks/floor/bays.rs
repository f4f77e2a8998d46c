//! Which bay a visit can enter now, and whether work can go on in the one that it is in.

use fitup_model::keyed::{BayId, OperationId, VisitId};
use fitup_model::problem::BayChoice;
use fitup_model::{Span, Time};

use super::{Floor, WATCHED};

impl Floor<'_> {
    /// Tells whether a bay will take the car in time after work that starts a watched wait: no more cars may wait for the
    /// bays of a class like that than it has bays.
    pub(super) fn gate_is_open(&self, id: OperationId) -> bool {
        let truth = &self.world.truth;
        let own = truth.operations[id].visit;
        let watched = |index: &&usize| truth.links[**index].max_wait.is_some_and(|longest| longest <= WATCHED);
        self.after[id].iter().filter(watched).all(|&index| {
            let next = truth.operations[truth.links[index].to].visit.filter(|next| Some(*next) != own);
            let Some(next) = next.filter(|next| self.bays[*next].is_none()) else { return true };
            let class = truth.visits[next].class;
            let bays = truth.bays.values().filter(|bay| bay.classes.contains(&class)).count();
            let comes = |visit: VisitId| {
                visit != next
                    && truth.visits[visit].class == class
                    && self.bays[visit].is_none()
                    && self.is_awaited(visit)
            };
            let visits = self.open.iter().flat_map(|&car| truth.visits_of(car));
            visits.filter(|&&visit| comes(visit)).count() < bays
        })
    }

    fn is_awaited(&self, visit: VisitId) -> bool {
        let truth = &self.world.truth;
        truth.operations_in(visit).iter().flat_map(|&id| &self.before[id]).any(|&index| {
            let link = &truth.links[index];
            link.max_wait.is_some_and(|longest| longest <= WATCHED) && self.done[link.from].is_some()
        })
    }

    /// Returns when a visit has left its bay; `None` if it has not.
    pub(super) fn left_at(&self, visit: VisitId) -> Option<Time> {
        let ends = self.world.truth.operations_in(visit).iter().map(|&id| self.done[id].as_ref().map(|done| done.end));
        let last = ends.collect::<Option<Vec<_>>>()?.into_iter().max()?;
        (last <= self.now).then_some(last)
    }

    pub(super) fn is_left(&self, visit: VisitId) -> bool {
        self.left_at(visit).is_some()
    }

    /// Tells whether work can go on in the bay of a visit, if it is in one: where facts have put several visits into a bay,
    /// one goes after the other.
    pub(super) fn is_alone(&self, visit: VisitId) -> bool {
        let truth = &self.world.truth;
        let Some(bay) = self.bays[visit] else { return true };
        let begun = |visit: VisitId| truth.operations_in(visit).iter().any(|&id| self.done[id].is_some());
        self.holders[bay].iter().filter(|&&other| other != visit).all(|&other| match self.left_at(other) {
            Some(end) => begun(visit) || end + truth.changeover(other, visit) <= self.now,
            None => !begun(other),
        }) && !self.stuck.contains(&visit)
    }

    /// Returns the first bay that a visit can enter now.
    pub fn any_bay(&self, visit: VisitId) -> Option<BayId> {
        self.world.truth.bays.keys().find(|&bay| self.can_enter(visit, bay))
    }

    /// Tells whether a visit can enter a bay now: it is of the class, free, cleared for it, and open long enough; and the
    /// car is in no other.
    pub fn can_enter(&self, visit: VisitId, bay: BayId) -> bool {
        let truth = &self.world.truth;
        let data = &truth.visits[visit];
        match data.bay {
            BayChoice::Pinned(pinned) if pinned != bay => return false,
            _ if !truth.bay_serves(bay, data.class) => return false,
            _ => {}
        }
        let elsewhere =
            |other: VisitId| truth.visits[other].on_vehicle && self.bays[other].is_some() && !self.is_left(other);
        if data.on_vehicle && truth.visits_of(data.car).iter().any(|&other| other != visit && elsewhere(other)) {
            return false;
        }
        if !self.holders[bay].iter().all(|&holder| self.is_left(holder)) {
            return false;
        }
        let left = self.holders[bay].iter().filter_map(|&before| Some((before, self.left_at(before)?)));
        let before = left.max_by_key(|(_, time)| *time).or(self.last[bay]);
        if before.is_some_and(|(other, end)| end + truth.changeover(other, visit) > self.now) {
            return false;
        }
        let calendar = &truth.calendars[truth.bays[bay].calendar];
        let Some(window) = calendar.window_at(self.now) else { return false };
        let fresh = self.now < window.start() + Span::from_minutes(60);
        fresh || self.now + self.stay(visit) <= window.end()
    }

    /// Returns how long a visit is expected to hold its bay: what is not done in a day of eight hours adds a night.
    fn stay(&self, visit: VisitId) -> Span {
        let works = self.world.truth.operations_in(visit).iter().map(|&id| self.known_work(id).minutes());
        let work: i64 = works.sum();
        Span::from_minutes(work + work / 480 * 16 * 60)
    }
}
