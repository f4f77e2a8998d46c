//! Precedences that hold under conditions: `if all conditions hold, to >= from + distance`.

use super::store::{Conflict, Fact, Store};

/// A conditional precedence between two integers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Order {
    pub conditions: Vec<Fact>,
    pub from: u32,
    pub to: u32,
    pub distance: i32,
}

impl Order {
    /// Calls `wake` with every side whose growth matters.
    pub fn wakes(&self, mut wake: impl FnMut(u32)) {
        wake(2 * self.from);
        wake(2 * self.to + 1);
        for condition in &self.conditions {
            wake(condition.side);
        }
    }

    /// Draws what follows.
    pub fn propagate(&self, store: &mut Store) -> Result<(), Conflict> {
        let mut open = None;
        for &condition in &self.conditions {
            if store.holds(condition) {
                continue;
            }
            if open.is_some() || store.holds(condition.negated()) {
                return Ok(());
            }
            open = Some(condition);
        }
        let (low, high) = (store.low(self.from), store.high(self.to));
        match open {
            None => {
                if low + self.distance > store.low(self.to) {
                    let why = self.why(None, Fact::at_least(self.from, low));
                    store.set(Fact::at_least(self.to, low + self.distance), &why)?;
                }
                if high - self.distance < store.high(self.from) {
                    let why = self.why(None, Fact::at_most(self.to, high));
                    store.set(Fact::at_most(self.from, high - self.distance), &why)?;
                }
                Ok(())
            }
            Some(condition) if low + self.distance > high => {
                let mut why = self.why(Some(condition), Fact::at_least(self.from, low));
                why.push(Fact::at_most(self.to, low + self.distance - 1));
                store.set(condition.negated(), &why)
            }
            Some(_) => Ok(()),
        }
    }

    fn why(&self, except: Option<Fact>, fact: Fact) -> Vec<Fact> {
        let others = self.conditions.iter().copied().filter(|&condition| Some(condition) != except);
        others.chain([fact]).collect()
    }
}
