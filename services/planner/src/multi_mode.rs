//! Projects whose activities can be done in several ways: a shop has none, published benchmarks do.
//!
//! Branch and bound along the precedence tree: Patterson, Słowiński, Talbot and Węglarz (1989), in: Advances in Project
//! Scheduling, chapter 1; Sprecher (1994), doi:10.1007/978-3-642-48397-4. A node places one more activity in one of its
//! modes at its earliest start, no earlier than the one placed last. Left out are modes that are never of use (Sprecher,
//! Hartmann and Drexl (1997), doi:10.1007/BF01545516), nodes from which something could start earlier as it stands, and
//! nodes that are too long by their longest path or by the work that is left. It ends with a proof, and is meant for some
//! twenty activities.

use crate::stop::Stop;

/// No project takes longer than this in its slowest modes, one activity after another.
const LONGEST: i64 = 1_000_000;

/// A way to do an activity.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mode {
    /// How long it takes.
    pub duration: i64,
    /// What it holds meanwhile of each resource that is given back.
    pub held: Vec<i64>,
    /// What it takes for good of each resource that is used up.
    pub used: Vec<i64>,
}

/// An activity.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Activity {
    /// Its modes; at least one.
    pub modes: Vec<Mode>,
    /// The activities that start after its end.
    pub successors: Vec<usize>,
}

/// A project, to be done as soon as possible.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Project {
    name: String,
    activities: Vec<Activity>,
    held: Vec<i64>,
    used: Vec<i64>,
    /// Every activity after those that it waits for.
    order: Vec<usize>,
    before: Vec<Vec<usize>>,
}

impl Project {
    /// Returns a project with so much of each resource that is given back, and of each that is used up.
    ///
    /// # Errors
    /// What is wrong with it: activities in a circle, no mode, other resources than these, or times that are too long.
    pub fn new(
        name: impl Into<String>,
        activities: Vec<Activity>,
        held: Vec<i64>,
        used: Vec<i64>,
    ) -> Result<Project, String> {
        let mut before = vec![Vec::new(); activities.len()];
        let mut total = 0_i64;
        for (index, activity) in activities.iter().enumerate() {
            for &after in &activity.successors {
                before.get_mut(after).ok_or_else(|| format!("there is no activity {}", after + 1))?.push(index);
            }
            let complete = |mode: &Mode| {
                mode.held.len() == held.len()
                    && mode.used.len() == used.len()
                    && mode.held.iter().chain(&mode.used).chain([&mode.duration]).all(|amount| *amount >= 0)
            };
            if activity.modes.is_empty() || !activity.modes.iter().all(complete) {
                return Err(format!("activity {} has modes with an amount of each resource", index + 1));
            }
            let longest = activity.modes.iter().map(|mode| mode.duration).max().unwrap_or(0);
            total = total.saturating_add(longest);
        }
        if total > LONGEST {
            return Err(format!("the durations add up to {total}, more than {LONGEST}"));
        }
        let mut waits: Vec<usize> = before.iter().map(Vec::len).collect();
        let mut order: Vec<usize> = (0..activities.len()).filter(|&index| waits[index] == 0).collect();
        let mut next = 0;
        while let Some(&index) = order.get(next) {
            next += 1;
            for &after in &activities[index].successors {
                waits[after] -= 1;
                if waits[after] == 0 {
                    order.push(after);
                }
            }
        }
        if order.len() < activities.len() {
            let first = waits.iter().position(|waits| *waits > 0).unwrap_or(0);
            return Err(format!("activity {} waits for itself", first + 1));
        }
        Ok(Project { name: name.into(), activities, held, used, order, before })
    }

    /// Returns the name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Returns the activities.
    pub fn activities(&self) -> &[Activity] {
        &self.activities
    }

    /// Returns what is wrong with a plan; an independent check, from the definition.
    pub fn fault(&self, plan: &Choice) -> Option<String> {
        let chosen = |index: usize| &self.activities[index].modes[plan.mode[index]];
        let span = |index: usize| (plan.start[index], plan.start[index] + chosen(index).duration);
        for (index, before) in self.before.iter().enumerate() {
            if plan.start[index] < 0 || before.iter().any(|&other| span(other).1 > span(index).0) {
                return Some(format!("activity {} starts too early", index + 1));
            }
        }
        for (resource, most) in self.held.iter().enumerate() {
            for moment in plan.start.iter() {
                let at_work = (0..self.activities.len()).filter(|&index| {
                    let (start, end) = span(index);
                    start <= *moment && *moment < end
                });
                if at_work.map(|index| chosen(index).held[resource]).sum::<i64>() > *most {
                    return Some(format!("too much of resource R{} is held at {moment}", resource + 1));
                }
            }
        }
        for (resource, most) in self.used.iter().enumerate() {
            if (0..self.activities.len()).map(|index| chosen(index).used[resource]).sum::<i64>() > *most {
                return Some(format!("resource N{} is used up", resource + 1));
            }
        }
        None
    }
}

/// A start and a mode for each activity.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choice {
    /// When it starts.
    pub start: Vec<i64>,
    /// Which of its modes it is.
    pub mode: Vec<usize>,
    /// When the last one ends.
    pub makespan: i64,
}

/// What came of a search.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The best plan.
    pub plan: Option<Choice>,
    /// No plan ends sooner.
    pub bound: i64,
    /// Nothing is left to search: the plan is best, or there is none.
    pub finished: bool,
}

/// Searches until all is decided, somebody says stop, or so many nodes have been looked at. Each better plan and the bound
/// are told to `on_better`.
pub fn solve(project: &Project, nodes: Option<u64>, stop: &dyn Stop, on_better: &mut dyn FnMut(i64, i64)) -> Found {
    let Some(modes) = useful_modes(project) else { return Found { plan: None, bound: 0, finished: true } };
    let mut search = Search::new(project, modes, nodes, stop);
    let bound = search.bound();
    let finished = search.descend(&mut |makespan| on_better(makespan, bound));
    let best = search.best.as_ref().map(|best| best.makespan);
    let bound = if finished { best.unwrap_or(bound) } else { best.map_or(bound, |best| best.min(bound)) };
    Found { plan: search.best, bound, finished }
}

/// Returns the modes of each activity that may be of use; `None` if one has none left.
fn useful_modes(project: &Project) -> Option<Vec<Vec<usize>>> {
    let all = |activity: &Activity| (0..activity.modes.len()).collect::<Vec<_>>();
    let mut modes: Vec<Vec<usize>> = project.activities.iter().map(all).collect();
    for (activity, modes) in project.activities.iter().zip(&mut modes) {
        // What takes no time holds nothing.
        modes.retain(|&mode| {
            let mode = &activity.modes[mode];
            mode.duration == 0 || mode.held.iter().zip(&project.held).all(|(need, most)| need <= most)
        });
        let no_worse = |one: usize, other: usize| {
            let (one, other) = (&activity.modes[one], &activity.modes[other]);
            let amounts = |mode: &Mode| mode.held.iter().chain(&mode.used).copied().collect::<Vec<_>>();
            one.duration <= other.duration && amounts(one).iter().zip(amounts(other)).all(|(a, b)| *a <= b)
        };
        let kept = modes.clone();
        modes.retain(|&mode| {
            !kept
                .iter()
                .any(|&other| other != mode && no_worse(other, mode) && (!no_worse(mode, other) || other < mode))
        });
    }
    // What is used up is not enough for a mode beside the least that the others take.
    loop {
        let least = |index: usize, resource: usize| {
            modes[index].iter().map(|&mode| project.activities[index].modes[mode].used[resource]).min().unwrap_or(0)
        };
        let sums: Vec<i64> = (0..project.used.len())
            .map(|resource| (0..modes.len()).map(|index| least(index, resource)).sum())
            .collect();
        let fits = |index: usize, mode: usize| {
            let used = &project.activities[index].modes[mode].used;
            (0..sums.len())
                .all(|resource| sums[resource] - least(index, resource) + used[resource] <= project.used[resource])
        };
        let left: Vec<Vec<usize>> = (modes.iter().enumerate())
            .map(|(index, own)| own.iter().copied().filter(|&mode| fits(index, mode)).collect())
            .collect();
        if left.iter().any(Vec::is_empty) {
            return None;
        }
        if left == modes {
            return Some(modes);
        }
        modes = left;
    }
}

/// A node, and the way to it.
struct Search<'p> {
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
    best: Option<Choice>,
    nodes: u64,
    most_nodes: u64,
    stop: &'p dyn Stop,
}

impl<'p> Search<'p> {
    fn new(project: &'p Project, modes: Vec<Vec<usize>>, nodes: Option<u64>, stop: &'p dyn Stop) -> Search<'p> {
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
    fn bound(&self) -> i64 {
        let path = self.tail.iter().copied().max().unwrap_or(0);
        let work = self.still_work.iter().zip(&self.project.held);
        work.map(|(&work, &most)| if most > 0 { (work + most - 1) / most } else { 0 }).fold(path, i64::max)
    }

    /// Looks at the node and all below it; `false` if it was stopped before.
    fn descend(&mut self, on_better: &mut dyn FnMut(i64)) -> bool {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Random;
    use crate::stop::Never;

    /// Returns the least makespan by trying all modes and all starts.
    fn by_trying(project: &Project, until: i64) -> Option<i64> {
        fn next(project: &Project, plan: &mut Choice, at: usize, until: i64) -> Option<i64> {
            let Some(&index) = project.order.get(at) else {
                let end = |index: usize| plan.start[index] + project.activities[index].modes[plan.mode[index]].duration;
                let makespan = (0..plan.start.len()).map(end).max().unwrap_or(0);
                return project.fault(plan).is_none().then_some(makespan);
            };
            let mut best: Option<i64> = None;
            for mode in 0..project.activities[index].modes.len() {
                for start in 0..=until {
                    (plan.mode[index], plan.start[index]) = (mode, start);
                    let found = next(project, plan, at + 1, until);
                    best = [best, found].into_iter().flatten().min();
                }
            }
            best
        }
        let count = project.activities.len();
        next(project, &mut Choice { start: vec![0; count], mode: vec![0; count], makespan: 0 }, 0, until)
    }

    fn random_project(random: &mut Random) -> Project {
        let count = 2 + random.below(3);
        let amount = |random: &mut Random, most: usize| random.below(most + 1) as i64;
        let activities = (0..count)
            .map(|index| Activity {
                modes: (0..1 + random.below(2))
                    .map(|_| Mode {
                        duration: amount(random, 2),
                        held: vec![amount(random, 3)],
                        used: vec![amount(random, 2), amount(random, 2)],
                    })
                    .collect(),
                successors: (index + 1..count).filter(|_| random.chance(0.3)).collect(),
            })
            .collect();
        Project::new("random", activities, vec![1 + amount(random, 2)], vec![amount(random, 6), amount(random, 6)])
            .expect("activities in order")
    }

    #[test]
    fn finds_the_best_of_all_plans_of_tiny_projects() {
        let (mut random, mut solved) = (Random::new(1, 1), 0);
        for _ in 0..400 {
            let project = random_project(&mut random);
            let until = project.activities.iter().map(|own| own.modes.iter().map(|m| m.duration).max().unwrap()).sum();
            let found = solve(&project, None, &Never, &mut |_, _| {});
            assert!(found.finished);
            let makespan = found.plan.as_ref().map(|plan| plan.makespan);
            assert_eq!(makespan, by_trying(&project, until), "{project:?}");
            if let Some(plan) = &found.plan {
                assert_eq!(project.fault(plan), None);
                assert_eq!(found.bound, plan.makespan);
                solved += 1;
            }
        }
        assert!(solved > 100, "most of them can be done: {solved}");
    }

    #[test]
    fn stops_after_so_many_nodes_with_a_bound_that_holds() {
        let mut random = Random::new(2, 2);
        for _ in 0..100 {
            let project = random_project(&mut random);
            let best = solve(&project, None, &Never, &mut |_, _| {}).plan.map(|plan| plan.makespan);
            let short = solve(&project, Some(3), &Never, &mut |_, _| {});
            assert!(best.is_none_or(|best| short.bound <= best));
            assert!(short.plan.is_none_or(|plan| Some(plan.makespan) >= best));
        }
    }

    #[test]
    fn a_circle_is_refused() {
        let step = |successors| Activity { modes: vec![Mode { duration: 1, held: vec![], used: vec![] }], successors };
        let made = Project::new("x", vec![step(vec![1]), step(vec![0])], vec![], vec![]);
        assert_eq!(made.unwrap_err(), "activity 1 waits for itself");
    }
}
