//! The nodes: which activity is placed next, in which mode, and when. Left out are those from which something could start
//! earlier as it stands, and those that are too long by their longest path or by the work that is left.

use super::{Activity, Choice, Mode, Project};
use crate::stop::Stop;

/// A node, and the way to it.
pub(super) struct Search<'p> {
    project: &'p Project,
    modes: Vec<Vec<usize>>,
    shortest: Vec<i64>,
    /// Shortest time from the start of each activity to the end of the project.
    tail: Vec<i64>,
    /// The least of each resource that each activity uses up, and the least work on each that is given back.
    least_used: Vec<Vec<i64>>,
    least_work: Vec<Vec<i64>>,
    start: Vec<i64>,
    mode: Vec<usize>,
    placed: Vec<bool>,
    waits: Vec<usize>,
    count: usize,
    /// The one placed last, and when it starts.
    last: Option<usize>,
    moment: i64,
    /// By resource and moment: what is held.
    profile: Vec<Vec<i64>>,
    /// What is used up, and the least that what is not placed will use up and do.
    used: Vec<i64>,
    still_used: Vec<i64>,
    still_work: Vec<i64>,
    /// Only plans that end before this are of use.
    target: i64,
    /// The best plan so far.
    pub(super) best: Option<Choice>,
    nodes: u64,
    most_nodes: u64,
    stop: &'p dyn Stop,
}

impl<'p> Search<'p> {
    pub(super) fn new(
        project: &'p Project,
        modes: Vec<Vec<usize>>,
        nodes: Option<u64>,
        stop: &'p dyn Stop,
    ) -> Search<'p> {
        let count = project.activities.len();
        let least = |of: &dyn Fn(&Mode) -> i64| -> Vec<i64> {
            let over = |(index, own): (usize, &Vec<usize>)| {
                own.iter().map(|&mode| of(&project.activities[index].modes[mode])).min().unwrap_or(0)
            };
            modes.iter().enumerate().map(over).collect()
        };
        let by_activity = |rows: Vec<Vec<i64>>| -> Vec<Vec<i64>> {
            (0..count).map(|index| rows.iter().map(|row| row[index]).collect()).collect()
        };
        let shortest = least(&|mode| mode.duration);
        let mut tail = shortest.clone();
        for &index in project.order.iter().rev() {
            let after = project.activities[index].successors.iter().map(|&after| tail[after]).max().unwrap_or(0);
            tail[index] += after;
        }
        let used_rows: Vec<Vec<i64>> = (0..project.used.len()).map(|of| least(&|mode| mode.used[of])).collect();
        let work_rows: Vec<Vec<i64>> =
            (0..project.held.len()).map(|of| least(&|mode| mode.held[of] * mode.duration)).collect();
        let sums = |rows: &[Vec<i64>]| rows.iter().map(|row| row.iter().sum()).collect::<Vec<i64>>();
        let longest = |activity: &Activity| activity.modes.iter().map(|mode| mode.duration).max().unwrap_or(0);
        let horizon: i64 = project.activities.iter().map(longest).sum();
        Search {
            project,
            shortest,
            tail,
            still_used: sums(&used_rows),
            still_work: sums(&work_rows),
            least_used: by_activity(used_rows),
            least_work: by_activity(work_rows),
            modes,
            start: vec![0; count],
            mode: vec![0; count],
            placed: vec![false; count],
            waits: project.before.iter().map(Vec::len).collect(),
            count: 0,
            last: None,
            moment: 0,
            profile: vec![vec![0; horizon as usize + 1]; project.held.len()],
            used: vec![0; project.used.len()],
            target: horizon + 1,
            best: None,
            nodes: 0,
            most_nodes: nodes.unwrap_or(u64::MAX),
            stop,
        }
    }

    /// Returns a bound by the longest path and by the work on each resource.
    pub(super) fn bound(&self) -> i64 {
        let path = self.tail.iter().copied().max().unwrap_or(0);
        let work = self.still_work.iter().zip(&self.project.held);
        work.map(|(&work, &most)| if most > 0 { (work + most - 1) / most } else { 0 }).fold(path, i64::max)
    }

    /// Looks at the node and all below it; `false` if it was stopped before.
    pub(super) fn descend(&mut self, on_better: &mut dyn FnMut(i64)) -> bool {
        self.nodes += 1;
        if self.nodes > self.most_nodes || self.nodes.is_multiple_of(256) && self.stop.should_stop() {
            return false;
        }
        if self.count == self.placed.len() {
            let ends = (0..self.count).map(|index| self.end(index));
            let makespan = ends.max().unwrap_or(0);
            self.target = makespan;
            self.best = Some(Choice { start: self.start.clone(), mode: self.mode.clone(), makespan });
            on_better(makespan);
            return true;
        }
        if self.is_too_long() {
            return true;
        }
        let mut ways = self.ways();
        // What can start first goes first, of these what has most behind it.
        ways.sort_by_key(|&(index, mode, start)| {
            (start, -self.tail[index], self.project.activities[index].modes[mode].duration, index)
        });
        for (index, mode, start) in ways {
            if start + self.needs(index, mode) >= self.target {
                continue;
            }
            let (last, moment) = (self.last, self.moment);
            self.place(index, mode, start);
            let done = self.descend(on_better);
            self.take_out(index, mode);
            (self.last, self.moment) = (last, moment);
            if !done {
                return false;
            }
        }
        true
    }

    fn end(&self, index: usize) -> i64 {
        self.start[index] + self.project.activities[index].modes[self.mode[index]].duration
    }

    /// Returns the shortest time from the start of an activity in a mode to the end of the project.
    fn needs(&self, index: usize, mode: usize) -> i64 {
        self.project.activities[index].modes[mode].duration + self.tail[index] - self.shortest[index]
    }

    /// Tells whether nothing below ends before the target: by the longest path, or by the work that is left from here on.
    fn is_too_long(&self) -> bool {
        let mut early = vec![0; self.placed.len()];
        for &index in &self.project.order {
            if self.placed[index] {
                early[index] = self.end(index);
                continue;
            }
            let before = self.project.before[index].iter().map(|&before| early[before]);
            let start = before.fold(self.moment, i64::max);
            if start + self.tail[index] >= self.target {
                return true;
            }
            early[index] = start + self.shortest[index];
        }
        let from = self.moment as usize;
        let until = (self.target - 1).max(self.moment) as usize;
        self.profile.iter().zip(&self.project.held).zip(&self.still_work).any(|((profile, most), work)| {
            let mut room = *work;
            for held in profile.get(from..until).unwrap_or(&[]) {
                if room <= 0 {
                    break;
                }
                room -= most - held;
            }
            room > 0
        })
    }

    /// Returns the activities that can be placed next, with mode and start.
    fn ways(&self) -> Vec<(usize, usize, i64)> {
        let mut ways = Vec::new();
        for index in (0..self.placed.len()).filter(|&index| !self.placed[index] && self.waits[index] == 0) {
            let before = &self.project.before[index];
            let ready = before.iter().map(|&before| self.end(before)).max().unwrap_or(0);
            for &mode in &self.modes[index] {
                let used = &self.project.activities[index].modes[mode].used;
                let enough = (0..used.len()).all(|of| {
                    let others = self.still_used[of] - self.least_used[index][of];
                    self.used[of] + used[of] + others <= self.project.used[of]
                });
                if !enough {
                    continue;
                }
                let Some(start) = self.first_start(index, mode, ready) else { continue };
                // It could have been placed before; then this is no plan in which all start as early as they can.
                let again = start < self.moment
                    || start == self.moment && self.last.is_some_and(|last| index < last && !before.contains(&last));
                if !again {
                    ways.push((index, mode, start));
                }
            }
        }
        ways
    }

    /// Returns the first start from `ready` on at which enough of each resource is free; `None` if that is too late.
    fn first_start(&self, index: usize, mode: usize, ready: i64) -> Option<i64> {
        let data = &self.project.activities[index].modes[mode];
        let latest = self.target - 1 - self.needs(index, mode);
        let mut start = ready;
        'next: while start <= latest {
            for (of, profile) in self.profile.iter().enumerate().filter(|(of, _)| data.held[*of] > 0) {
                let free = self.project.held[of] - data.held[of];
                // The last moment that is too full: no earlier start helps.
                let taken = &profile[start as usize..(start + data.duration) as usize];
                if let Some(full) = taken.iter().rposition(|held| *held > free) {
                    start += full as i64 + 1;
                    continue 'next;
                }
            }
            return Some(start);
        }
        None
    }

    fn place(&mut self, index: usize, mode: usize, start: i64) {
        (self.start[index], self.mode[index], self.placed[index]) = (start, mode, true);
        (self.last, self.moment) = (Some(index), start);
        self.count += 1;
        self.count_in(index, mode, 1);
    }

    fn take_out(&mut self, index: usize, mode: usize) {
        self.count_in(index, mode, -1);
        self.placed[index] = false;
        self.count -= 1;
    }

    fn count_in(&mut self, index: usize, mode: usize, sign: i64) {
        let activity = &self.project.activities[index];
        let data = &activity.modes[mode];
        let span = self.start[index] as usize..self.end(index) as usize;
        for (profile, held) in self.profile.iter_mut().zip(&data.held) {
            profile[span.clone()].iter_mut().for_each(|at| *at += sign * held);
        }
        for (of, used) in data.used.iter().enumerate() {
            self.used[of] += sign * used;
            self.still_used[of] -= sign * self.least_used[index][of];
        }
        for (still, work) in self.still_work.iter_mut().zip(&self.least_work[index]) {
            *still -= sign * work;
        }
        for &after in &activity.successors {
            if sign > 0 { self.waits[after] -= 1 } else { self.waits[after] += 1 }
        }
    }
}
