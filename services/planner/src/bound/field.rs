//! The prices of all resources at one set of multipliers, added up over time.

use super::resources::{Kind, Resource};
use super::tree::Combination;
use crate::compile::Step;

/// For each person and each combination the price of one unit over `[0, t)`, in `1 / SCALE`.
#[derive(Debug, Clone, Default)]
pub(super) struct Field {
    people: Vec<Vec<i64>>,
    combinations: Vec<Vec<i64>>,
    others: Vec<Vec<i64>>,
}

impl Field {
    /// Adds everything up anew.
    pub fn fill(&mut self, resources: &[Resource], combinations: &[Combination]) {
        let people = resources.iter().take_while(|resource| matches!(resource.kind, Kind::Person(_))).count();
        self.people.resize_with(people, Vec::new);
        self.others.resize_with(resources.len() - people, Vec::new);
        self.combinations.resize_with(combinations.len(), Vec::new);
        for (resource, into) in resources.iter().zip(self.people.iter_mut().chain(&mut self.others)) {
            resource.prefix(into);
        }
        for (parts, into) in combinations.iter().zip(&mut self.combinations) {
            into.clear();
            for (number, &(resource, units)) in parts.iter().enumerate() {
                let prefix = &self.others[resource as usize - people];
                if number == 0 {
                    into.extend(prefix.iter().map(|price| units * price));
                } else {
                    into.iter_mut().zip(prefix).for_each(|(sum, price)| *sum += units * price);
                }
            }
        }
    }

    /// Returns the prices of a person.
    #[inline]
    pub fn person(&self, person: u16) -> &[i64] {
        &self.people[usize::from(person)]
    }

    /// Returns the prices of a combination.
    #[inline]
    pub fn combination(&self, combination: u32) -> &[i64] {
        &self.combinations[combination as usize]
    }

    /// Returns the price of a combination, if any, over `[start, end)`; `end` may be the earlier one.
    #[inline]
    pub fn over(&self, combination: Option<u32>, start: Step, end: Step) -> i64 {
        combination.map_or(0, |combination| {
            let prefix = self.combination(combination);
            prefix[end as usize] - prefix[start as usize]
        })
    }
}
