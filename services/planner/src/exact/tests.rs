use super::cumulative::{self, Cumulative, Moment};
use super::engine::{Engine, Verdict};
use super::order::Order;
use super::store::Fact;
use super::unary::{self, Unary};
use crate::Never;
use crate::random::Random;

/// A small problem of tasks on resources, for the engine and for trying everything.
struct Tasks {
    lengths: Vec<i32>,
    units: Vec<i32>,
    /// `(before, after, wait)`.
    links: Vec<(usize, usize, i32)>,
    capacity: i32,
}

impl Tasks {
    fn new(seed: u64) -> Tasks {
        let mut random = Random::new(seed, 5);
        let count = 3 + random.below(3);
        let capacity = 1 + random.below(3) as i32;
        let lengths = (0..count).map(|_| 1 + random.below(4) as i32).collect();
        let units = (0..count).map(|_| 1 + random.below(capacity as usize) as i32).collect();
        let mut links = Vec::new();
        for after in 1..count {
            if random.below(3) == 0 {
                links.push((random.below(after), after, random.below(3) as i32));
            }
        }
        Tasks { lengths, units, links, capacity }
    }

    /// Returns whether all can be done by `end`, by the engine.
    fn engine(&self, end: i32) -> bool {
        let mut engine = Engine::default();
        if self.lengths.iter().any(|&length| length > end) {
            return false;
        }
        let starts: Vec<u32> = self.lengths.iter().map(|length| engine.integer(0, end - length)).collect();
        let moment = |task: usize, offset| Moment { variable: starts[task], offset };
        for &(before, after, wait) in &self.links {
            let distance = self.lengths[before] + wait;
            engine.orders.push(Order::new(&[], starts[before], starts[after], distance));
        }
        let task = |task: usize| cumulative::Task {
            start: moment(task, 0),
            end: moment(task, self.lengths[task]),
            units: self.units[task],
        };
        let tasks = (0..starts.len()).map(task).collect();
        engine.cumulatives.push(Cumulative { tasks, capacity: self.capacity, busy: vec![(2, 3, 1)] });
        if self.capacity == 1 {
            let tasks = (0..starts.len())
                .map(|task| unary::Task {
                    start: moment(task, 0),
                    end: moment(task, self.lengths[task]),
                    length: self.lengths[task],
                    uses: None,
                })
                .collect();
            engine.unaries.push(Unary { tasks });
            for first in 0..starts.len() {
                for second in first + 1..starts.len() {
                    let before = engine.binary(true);
                    for (fact, from, to) in
                        [(Fact::at_least(before, 1), first, second), (Fact::at_most(before, 0), second, first)]
                    {
                        let distance = self.lengths[from];
                        let (from, to) = (starts[from], starts[to]);
                        engine.orders.push(Order::new(&[fact], from, to, distance));
                    }
                }
            }
        }
        engine.prepare();
        match engine.run(100_000, &Never) {
            Verdict::Found => {
                let found: Vec<i32> = starts.iter().map(|&start| engine.store.low(start)).collect();
                assert!(self.is_good(&found, end), "{found:?} breaks a rule");
                true
            }
            Verdict::Impossible => false,
            Verdict::Open => panic!("undecided"),
        }
    }

    fn is_good(&self, starts: &[i32], end: i32) -> bool {
        let links = self.links.iter().all(|&(a, b, wait)| starts[b] >= starts[a] + self.lengths[a] + wait);
        let in_use = |time: i32| -> i32 {
            let running = (0..starts.len()).filter(|&t| starts[t] <= time && time < starts[t] + self.lengths[t]);
            running.map(|task| self.units[task]).sum::<i32>() + i32::from(time == 2)
        };
        let in_time = starts.iter().zip(&self.lengths).all(|(start, length)| start + length <= end);
        links && in_time && (0..end).all(|time| in_use(time) <= self.capacity)
    }

    /// Returns whether all can be done by `end`, by trying everything.
    fn everything(&self, starts: &mut Vec<i32>, end: i32) -> bool {
        let task = starts.len();
        if task == self.lengths.len() {
            return self.is_good(starts, end);
        }
        (0..=end - self.lengths[task]).any(|start| {
            starts.push(start);
            let good = self.everything(starts, end);
            starts.pop();
            good
        })
    }
}

/// Propagation, edge finding and learning neither lose nor invent solutions.
#[test]
fn the_engine_decides_what_trying_everything_decides() {
    let (mut possible, mut all) = (0, 0);
    for seed in 0..150 {
        let tasks = Tasks::new(seed);
        for end in 4..13 {
            let expected = tasks.everything(&mut Vec::new(), end);
            assert_eq!(tasks.engine(end), expected, "seed {seed}, by {end}");
            (possible, all) = (possible + i32::from(expected), all + 1);
        }
    }
    assert!(possible * 5 > all && possible * 5 < 4 * all, "{possible} of {all} are possible");
}
