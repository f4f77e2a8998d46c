//! Which visit is in which bay, beside what stands there: told where bays are not alike.

use super::cumulative::Moment;
use super::model::Model;
use super::store::Fact;
use crate::compile::{Compiled, Step};

impl Model {
    /// Each visit is in one of its bays, before or after all others there.
    pub(super) fn add_choices(&mut self, compiled: &Compiled) -> Option<()> {
        let between = super::model::least_changeovers(compiled);
        let takes_time = |visit: usize| compiled.visits[visit].span > 0;
        let visits: Vec<usize> = (0..compiled.visits.len()).filter(|&visit| takes_time(visit)).collect();
        for &visit in visits.iter().filter(|&&visit| !compiled.visits[visit].operations.is_empty()) {
            let choices = compiled.choices_of(visit);
            let binaries: Vec<u32> = match choices {
                [_] => vec![self.engine.integer(1, 1)],
                _ => choices.iter().map(|_| self.engine.binary(true)).collect(),
            };
            if binaries.len() > 1 {
                self.engine.forbid(binaries.iter().map(|&binary| Fact::at_most(binary, 0)).collect());
            }
            self.chosen.extend(choices.iter().zip(binaries).map(|(&(bay, _), binary)| (visit as u32, bay, binary)));
        }
        let origin = Moment { variable: self.engine.integer(0, 0), offset: 0 };
        for (position, &(one, bay, there)) in self.chosen.clone().iter().enumerate() {
            let there = Fact::at_least(there, 1);
            for &(two, other, too) in &self.chosen.clone()[position + 1..] {
                if other == bay && two != one {
                    self.visits_apart(compiled, &between, (one, two), &[there, Fact::at_least(too, 1)])?;
                }
            }
            for (held, data) in compiled.visits.iter().enumerate() {
                let stands =
                    data.operations.is_empty() && compiled.choices_of(held).first().is_some_and(|own| own.0 == bay);
                if let Some(fact) = data.fact.filter(|fact| stands && !fact.over) {
                    let family = compiled.visits[one as usize].family as usize;
                    let from = fact.start - between[family][data.family as usize];
                    let until = fact.end + between[data.family as usize][family];
                    self.beside(compiled, one as usize, there, (from, until), origin);
                }
            }
        }
        Some(())
    }

    /// If `there` holds, all of a visit comes before or after `[from, until)`.
    fn beside(&mut self, compiled: &Compiled, visit: usize, there: Fact, (from, until): (Step, Step), origin: Moment) {
        let operations: Vec<_> =
            compiled.visits[visit].operations.iter().filter_map(|&index| self.placed[index as usize].clone()).collect();
        let store = &self.engine.store;
        let low = operations.iter().map(|own| store.low(own.start.variable) + own.start.offset).min().unwrap_or(0);
        let high = operations.iter().map(|own| store.high(own.end.variable) + own.end.offset).max().unwrap_or(0);
        if high <= from || until <= low {
            return;
        }
        let before = self.engine.binary(true);
        for own in operations {
            self.order(vec![there, Fact::at_least(before, 1)], own.end, origin, -from);
            self.order(vec![there, Fact::at_most(before, 0)], origin, own.start, until);
        }
    }

    /// Returns the bay of each visit, once all is fixed; none where bays are only counted.
    pub fn bays(&self) -> Vec<(u32, u16)> {
        let mut bays: Vec<(u32, u16)> = Vec::new();
        for &(visit, bay, there) in &self.chosen {
            if self.engine.store.low(there) == 1 && bays.last().is_none_or(|(last, _)| *last != visit) {
                bays.push((visit, bay));
            }
        }
        bays
    }
}
