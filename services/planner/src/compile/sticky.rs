//! The problem in which it costs something to move what was published.

use fitup_model::keyed::{Key, OperationId};
use fitup_model::{Cost, Plan};

use super::Compiled;

impl Compiled<'_> {
    /// Has each of `operations` cost `price` where it starts at another time than in `published`, where each of its people
    /// there is not with it, and where its visit stands in another bay: in place of what a change cost before, which is
    /// meant to be less.
    pub(crate) fn stick(&mut self, published: &Plan, operations: &[OperationId], price: Cost) {
        self.is_sticky = true;
        for &id in operations {
            let Some(assignment) = &published.operations[id] else { continue };
            let start = self.clock.ceil(assignment.start);
            let operation = &mut self.operations[id.index()];
            operation.published_day = Some((start, start + 1, price));
            self.cars[operation.car as usize].has_extras = true;
            let (modes, visit) = (operation.modes, operation.visit);
            for at in modes.range() {
                let people = self.people[self.modes[at].people.range()].iter();
                let people: Vec<_> = people.map(|&person| Key::from_index(usize::from(person))).collect();
                if !assignment.is_by(&people) {
                    self.modes[at].change = price;
                }
            }
            let Some(visit) = visit else { continue };
            let bay = published.bays[Key::from_index(visit as usize)].map(Key::index);
            for choice in &mut self.choices[self.visits[visit as usize].bays.range()] {
                if bay.is_some_and(|bay| bay != usize::from(choice.0)) {
                    choice.1 += price;
                }
            }
        }
    }
}
