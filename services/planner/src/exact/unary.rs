//! One at a time: reasoning about sets of tasks on one person, bay or tool (edge finding).
//!
//! If a set of tasks and one more cannot all end before the latest end of the set, the one more comes last: Carlier and
//! Pinson (1989), doi:10.1287/mnsc.35.2.164. The same holds backwards in time. Sets are all tasks that start no earlier
//! and end no later than two others: O(tasks^3) in the worst case, on few tasks.

use super::cumulative::Moment;
use super::store::{Conflict, Fact, Store};

/// More tasks than this are left to the pairs alone.
const MOST: usize = 48;

/// A task.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Task {
    pub start: Moment,
    pub end: Moment,
    /// Least time from start to end.
    pub length: i32,
    /// The condition under which it uses the resource; `None` for always.
    pub uses: Option<Fact>,
}

/// A resource for one task at a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unary {
    pub tasks: Vec<Task>,
}

/// A task in a direction of time.
#[derive(Debug, Clone, Copy)]
struct Seen {
    number: usize,
    /// Earliest start and latest end in that direction.
    early: i32,
    late: i32,
    length: i32,
}

/// Time forwards or backwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Direction {
    Forward,
    Backward,
}

impl Unary {
    /// Calls `wake` with every side whose growth matters.
    pub fn wakes(&self, mut wake: impl FnMut(u32)) {
        for task in &self.tasks {
            for moment in [task.start, task.end] {
                wake(2 * moment.variable);
                wake(2 * moment.variable + 1);
            }
            if let Some(uses) = task.uses {
                wake(uses.side);
            }
        }
    }

    /// Draws what follows.
    pub fn propagate(&self, store: &mut Store) -> Result<(), Conflict> {
        for direction in [Direction::Forward, Direction::Backward] {
            let mut seen: Vec<Seen> = Vec::with_capacity(self.tasks.len());
            for (number, task) in self.tasks.iter().enumerate() {
                if task.uses.is_none_or(|uses| store.holds(uses)) {
                    let (early, late) = task.window(store, direction);
                    seen.push(Seen { number, early, late, length: task.length });
                }
            }
            if seen.len() < 2 || seen.len() > MOST {
                return Ok(());
            }
            seen.sort_unstable_by_key(|task| (task.late, task.number));
            self.find_last(store, &seen, direction)?;
        }
        Ok(())
    }

    /// `seen` is sorted by latest ends.
    fn find_last(&self, store: &mut Store, seen: &[Seen], direction: Direction) -> Result<(), Conflict> {
        for from in seen.iter().map(|task| task.early) {
            let (mut work, mut size) = (0, 0);
            for (position, task) in seen.iter().enumerate() {
                if task.early < from {
                    continue;
                }
                work += task.length;
                size += 1;
                let until = task.late;
                let inside = &seen[..=position];
                if from + work > until {
                    return Err(Conflict(self.why(inside, from, until, direction)));
                }
                if size < 1 || seen.get(position + 1).is_some_and(|next| next.late == until) {
                    continue;
                }
                for other in seen[position + 1..].iter().filter(|other| other.early >= from) {
                    if from + work + other.length > until {
                        self.comes_last(store, inside, other, (from, until), direction)?;
                    }
                }
            }
        }
        Ok(())
    }

    /// `other` comes after all of `inside` that start at `from` or later.
    fn comes_last(
        &self,
        store: &mut Store,
        inside: &[Seen],
        other: &Seen,
        (from, until): (i32, i32),
        direction: Direction,
    ) -> Result<(), Conflict> {
        // The set cannot be done earlier than any part of it.
        let earliest = inside.iter().map(|task| task.early).filter(|&early| early >= from);
        let done =
            |early: i32| early + inside.iter().filter(|task| task.early >= early).map(|task| task.length).sum::<i32>();
        let Some((end, part)) = earliest.map(|early| (done(early), early)).max() else { return Ok(()) };
        if end <= other.early {
            return Ok(());
        }
        let mut why = self.why(inside.iter().filter(|task| task.early < part), from, until, direction);
        for task in inside.iter().filter(|task| task.early >= part) {
            self.explain(task.number, part, Some(until), direction, &mut why);
        }
        self.explain(other.number, from, None, direction, &mut why);
        store.set(self.tasks[other.number].starts_at_least(end, direction), &why)
    }

    /// Returns why the tasks of `inside` that start at `from` or later do so, and end by `until`.
    fn why<'s>(
        &self,
        inside: impl IntoIterator<Item = &'s Seen>,
        from: i32,
        until: i32,
        direction: Direction,
    ) -> Vec<Fact> {
        let mut facts = Vec::new();
        for task in inside.into_iter().filter(|task| task.early >= from) {
            self.explain(task.number, from, Some(until), direction, &mut facts);
        }
        facts
    }

    fn explain(&self, number: usize, from: i32, until: Option<i32>, direction: Direction, facts: &mut Vec<Fact>) {
        let task = self.tasks[number];
        facts.extend(task.uses);
        facts.push(task.starts_at_least(from, direction));
        facts.extend(until.map(|until| task.ends_at_most(until, direction)));
    }
}

impl Task {
    fn window(&self, store: &Store, direction: Direction) -> (i32, i32) {
        let (low, high) = (self.start.low(store), self.end.high(store));
        match direction {
            Direction::Forward => (low, high),
            Direction::Backward => (-high, -low),
        }
    }

    fn starts_at_least(&self, time: i32, direction: Direction) -> Fact {
        match direction {
            Direction::Forward => self.start.at_least(time),
            Direction::Backward => self.end.at_most(-time),
        }
    }

    fn ends_at_most(&self, time: i32, direction: Direction) -> Fact {
        match direction {
            Direction::Forward => self.end.at_most(time),
            Direction::Backward => self.start.at_least(-time),
        }
    }
}
