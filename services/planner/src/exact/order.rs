//! Precedences that hold under conditions: `if all conditions hold, to >= from + distance`.

use super::store::{Conflict, Fact, Store};

/// Conditions of one precedence at most: who comes first, and that both use what they share.
const MOST_CONDITIONS: usize = 3;

/// A conditional precedence between two integers.
///
/// There are thousands of them, most of which are looked at and left at every step: it lies in one place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Order {
    conditions: [Fact; MOST_CONDITIONS],
    count: u32,
    from: u32,
    to: u32,
    distance: i32,
}

impl Order {
    /// Returns the precedence `to >= from + distance` under `conditions`.
    ///
    /// # Panics
    /// If there are more than three.
    pub fn new(conditions: &[Fact], from: u32, to: u32, distance: i32) -> Order {
        let mut own = [Fact::at_least(from, i32::MIN); MOST_CONDITIONS];
        own[..conditions.len()].copy_from_slice(conditions);
        Order { conditions: own, count: conditions.len() as u32, from, to, distance }
    }

    fn conditions(&self) -> &[Fact] {
        &self.conditions[..self.count as usize]
    }

    /// Calls `wake` with every side whose growth matters.
    pub fn wakes(&self, mut wake: impl FnMut(u32)) {
        wake(2 * self.from);
        wake(2 * self.to + 1);
        for condition in self.conditions() {
            wake(condition.side);
        }
    }

    /// Draws what follows.
    pub fn propagate(&self, store: &mut Store) -> Result<(), Conflict> {
        let mut open = None;
        for &condition in self.conditions() {
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
                    let (why, count) = self.why(None, [Fact::at_least(self.from, low)]);
                    store.set(Fact::at_least(self.to, low + self.distance), &why[..count])?;
                }
                if high - self.distance < store.high(self.from) {
                    let (why, count) = self.why(None, [Fact::at_most(self.to, high)]);
                    store.set(Fact::at_most(self.from, high - self.distance), &why[..count])?;
                }
                Ok(())
            }
            Some(condition) if low + self.distance > high => {
                let bounds = [Fact::at_least(self.from, low), Fact::at_most(self.to, low + self.distance - 1)];
                let (why, count) = self.why(Some(condition), bounds);
                store.set(condition.negated(), &why[..count])
            }
            Some(_) => Ok(()),
        }
    }

    /// Returns the conditions but one, and some bounds, with their number.
    fn why<const N: usize>(&self, except: Option<Fact>, bounds: [Fact; N]) -> ([Fact; MOST_CONDITIONS + 2], usize) {
        let mut why = [bounds[0]; MOST_CONDITIONS + 2];
        let conditions = self.conditions().iter().copied().filter(|&condition| Some(condition) != except);
        let mut count = 0;
        for fact in conditions.chain(bounds) {
            why[count] = fact;
            count += 1;
        }
        (why, count)
    }
}
