//! What a conflict teaches: a clause that forbids its cause, minimized.

use super::{Clause, Engine, UNMARKED, Watch};
use crate::exact::store::{Conflict, Fact, NONE, Reason};

impl Engine {
    /// Learns from a conflict and goes back. Returns false if there is no way out.
    pub(super) fn learn(&mut self, conflict: &Conflict) -> bool {
        self.marks.resize(self.store.trail.len().max(self.marks.len()), UNMARKED);
        // The conflict may lie wholly below the present level.
        let highest = conflict.0.iter().map(|&fact| self.level_of(fact)).max().unwrap_or(0);
        if highest == 0 {
            return false;
        }
        self.back(highest);
        let start = self.store.levels[highest as usize - 1];
        let (mut kept, mut here): (Vec<u32>, u32) = (Vec::new(), 0);
        for &fact in &conflict.0 {
            self.mark(fact, start, &mut kept, &mut here);
        }
        let mut position = self.store.trail.len() as u32;
        loop {
            position -= 1;
            if self.marks[position as usize] == UNMARKED {
                continue;
            }
            if here == 1 {
                break;
            }
            here -= 1;
            self.marks[position as usize] = UNMARKED;
            let mut facts = Vec::new();
            self.reason(position, &mut facts);
            for &fact in &facts {
                self.mark(fact, start, &mut kept, &mut here);
            }
        }
        let first = Fact { side: self.store.trail[position as usize].side, value: self.marks[position as usize] };
        self.marks[position as usize] = UNMARKED;
        self.add_learnt(first, &kept);
        true
    }

    fn level_of(&self, fact: Fact) -> u32 {
        let position = self.store.position(fact);
        if position == NONE { 0 } else { self.store.level_of(position) }
    }

    fn mark(&mut self, fact: Fact, start: u32, kept: &mut Vec<u32>, here: &mut u32) {
        let position = self.store.position(fact);
        if position == NONE || self.store.levels.first().is_some_and(|&first| position < first) {
            return;
        }
        self.bump(fact.variable());
        let mark = &mut self.marks[position as usize];
        if *mark == UNMARKED {
            if position >= start {
                *here += 1;
            } else {
                kept.push(position);
            }
        }
        *mark = (*mark).max(fact.value);
    }

    /// Collects the facts that led to a change.
    fn reason(&mut self, position: u32, facts: &mut Vec<Fact>) {
        let entry = self.store.trail[position as usize];
        match entry.reason {
            Reason::Decision => {}
            Reason::Facts(from, until) => facts.extend_from_slice(self.store.facts(from, until)),
            Reason::Clause(number) => {
                let clause = &mut self.clauses[number as usize];
                clause.activity += 1.0;
                let own = Fact { side: entry.side, value: entry.value }.negated();
                facts.extend(clause.facts.iter().copied().filter(|&fact| fact != own));
            }
        }
    }

    fn add_learnt(&mut self, first: Fact, kept: &[u32]) {
        let mut facts = vec![first];
        let mut order: Vec<u32> = kept.to_vec();
        order.sort_unstable_by_key(|&position| std::cmp::Reverse(position));
        let mut sides: Vec<u32> = Vec::new();
        for &position in &order {
            let entry = self.store.trail[position as usize];
            // Of facts about one side the strongest says it all.
            if !sides.contains(&entry.side) && !self.follows(position) {
                facts.push(Fact { side: entry.side, value: self.marks[position as usize] });
                sides.push(entry.side);
            }
        }
        for &position in kept {
            self.marks[position as usize] = UNMARKED;
        }
        let back = facts.get(1).map_or(0, |&fact| self.level_of(fact));
        let mut levels: Vec<u32> = facts.iter().map(|&fact| self.level_of(fact)).collect();
        levels.sort_unstable();
        levels.dedup();
        self.back(back);
        self.increment *= 1.0 / 0.95;
        if facts.len() == 1 {
            let _ = self.store.set(first.negated(), &[]).map_err(|_| self.impossible = true);
            return;
        }
        let number = self.clauses.len() as u32;
        for &fact in &facts[..2] {
            self.watches[fact.side as usize].push(Watch { value: fact.value, clause: number });
        }
        self.clauses.push(Clause { facts, activity: self.restarts as f32, levels: levels.len() as u32, gone: false });
        self.store.push(first.negated(), Reason::Clause(number));
    }

    /// Tells whether a kept fact follows from the others.
    fn follows(&mut self, position: u32) -> bool {
        let mut facts = Vec::new();
        if self.store.trail[position as usize].reason == Reason::Decision {
            return false;
        }
        self.reason(position, &mut facts);
        facts.iter().all(|&fact| {
            let at = self.store.position(fact);
            at == NONE
                || self.store.levels.first().is_some_and(|&first| at < first)
                || self.marks[at as usize] != UNMARKED && self.marks[at as usize] >= fact.value
        })
    }
}
