//! The dynamic programme that finds the cheapest timetable of one car at given prices of all resources.
//!
//! Forward, in order of the tree: the least price of an operation and all before it, by its end. Backward: the least
//! price of everything else, by the same end. Their sum is the least price of a timetable in which the operation ends
//! then, and what lies too far above the least of all can be ruled out. O(operations x steps x modes), all in integers.

use super::field::Field;
use super::lattice::SCALE;
use super::tree::{Branch, Group, Node, Tree};
use crate::compile::{Compiled, NEVER, Step, price};

/// More than every price.
pub(super) const NO: i64 = i64::MAX / 4;

/// Where an operation is in the cheapest timetable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Placed {
    /// Position in [`Tree::nodes`].
    pub node: u32,
    /// Position in [`Compiled::modes_of`].
    pub mode: u16,
    pub start: Step,
    pub end: Step,
}

/// Memory that is used again and again.
#[derive(Debug, Clone, Default)]
pub(super) struct Scratch {
    /// By node and start: price of all before it.
    starts: Vec<Vec<i64>>,
    /// By node and end: price of it and all before it.
    ends: Vec<Vec<i64>>,
    /// By node and end: start and mode that lead there.
    choice: Vec<Vec<(Step, u16)>>,
    /// By node and end: price of all else.
    rest: Vec<Vec<i64>>,
    /// By completion: price of all operations.
    done: Vec<i64>,
    spans: Vec<(Step, Step)>,
    people: Vec<(i64, u16)>,
    arrivals: Vec<i64>,
    after: Vec<i64>,
    queue: Vec<(Step, i64)>,
    /// The cheapest timetable.
    pub placed: Vec<Placed>,
}

/// Prices cars.
#[derive(Clone, Copy)]
pub(super) struct Pricing<'a> {
    pub compiled: &'a Compiled<'a>,
    pub field: &'a Field,
}

impl Pricing<'_> {
    /// Returns the price of a car at its cheapest in `1 / SCALE`, which it leaves in `scratch` together with the tables;
    /// [`NO`] if its windows leave no timetable. Leaving the car out is not considered.
    pub fn cheapest(self, car: usize, tree: &Tree, scratch: &mut Scratch) -> i64 {
        scratch.placed.clear();
        scratch.make_room(tree);
        for number in 0..tree.nodes.len() {
            if !self.forward(tree, number, scratch) {
                return NO;
            }
        }
        let (first, last) = tree.completion;
        if first > last {
            return NO;
        }
        let mut done = std::mem::take(&mut scratch.done);
        done.clear();
        done.resize((last - first + 1) as usize, 0);
        for (number, node) in tree.nodes.iter().enumerate().filter(|(_, node)| node.next.is_none()) {
            let to_the_end = Branch { node: number as u32, min: 0, max: NEVER, stay: None };
            self.add_arrivals(node, to_the_end, &scratch.ends[number], first, &mut done, &mut scratch.queue);
        }
        let (mut best, mut at) = (NO, first);
        for (completion, price) in (first..).zip(&done) {
            let price = price + self.completion_price(car, completion);
            if price < best {
                (best, at) = (price, completion);
            }
        }
        scratch.done = done;
        if best < NO {
            self.trace(tree, at, scratch);
        }
        best
    }

    /// Narrows the windows of a car to what occurs in timetables of at most `limit`, with the tables that
    /// [`Pricing::cheapest`] has left. Returns whether any timetable remains.
    pub fn narrow(self, car: usize, tree: &mut Tree, limit: i64, scratch: &mut Scratch) -> bool {
        self.backward(car, tree, scratch);
        let (first, _) = tree.completion;
        let within = |&completion: &Step| {
            let done = scratch.done[(completion - first) as usize];
            done + self.completion_price(car, completion) <= limit
        };
        let range = || tree.completion.0..=tree.completion.1;
        let Some((from, until)) = range().find(within).zip(range().rev().find(within)) else { return false };
        tree.completion = (from, until);
        for number in 0..tree.nodes.len() {
            let (mut start, mut end) = ((NEVER, -1), (NEVER, -1));
            self.options(&tree.nodes[number], number, scratch, |option, price| {
                if price <= limit {
                    start = (start.0.min(option.start), start.1.max(option.start));
                    end = (end.0.min(option.end), end.1.max(option.end));
                }
            });
            let node = &mut tree.nodes[number];
            (node.start, node.end) = (start, end);
            if start.0 > start.1 {
                return false;
            }
        }
        true
    }

    /// Calls `found` with every way to place a node, the cheapest people for it, and the least price of a timetable
    /// with it; after [`Pricing::backward`].
    pub fn options(self, node: &Node, number: usize, scratch: &mut Scratch, mut found: impl FnMut(Placed, i64)) {
        for group in 0..node.groups.len() {
            let group = &node.groups[group];
            self.find_spans(node, group, &scratch.starts[number], &mut scratch.spans);
            self.price_people(node, group, &scratch.spans, &mut scratch.people);
            for (&(start, end), &(people, mode)) in scratch.spans.iter().zip(&scratch.people) {
                let before = scratch.starts[number][(start - node.start.0) as usize];
                let rest = scratch.rest[number][(end - node.end.0) as usize];
                if rest < NO {
                    let price = before + people + self.field.over(node.held, start, end) + rest;
                    found(Placed { node: number as u32, mode, start, end }, price);
                }
            }
        }
    }

    fn completion_price(self, car: usize, completion: Step) -> i64 {
        price::of_completion(self.compiled, car, completion) * SCALE
    }

    fn forward(self, tree: &Tree, number: usize, scratch: &mut Scratch) -> bool {
        let node = &tree.nodes[number];
        if node.start.0 > node.start.1 || node.end.0 > node.end.1 {
            return false;
        }
        let mut starts = std::mem::take(&mut scratch.starts[number]);
        starts.clear();
        starts.resize((node.start.1 - node.start.0 + 1) as usize, 0);
        for &branch in &node.branches {
            let before = &tree.nodes[branch.node as usize];
            let ends = &scratch.ends[branch.node as usize];
            self.add_arrivals(before, branch, ends, node.start.0, &mut starts, &mut scratch.queue);
        }
        let mut ends = std::mem::take(&mut scratch.ends[number]);
        let length = (node.end.1 - node.end.0 + 1) as usize;
        ends.clear();
        ends.resize(length, NO);
        let choice = &mut scratch.choice[number];
        choice.clear();
        choice.resize(length, (0, 0));
        let held = node.held.map(|held| self.field.combination(held));
        for group in &node.groups {
            self.find_spans(node, group, &starts, &mut scratch.spans);
            self.price_people(node, group, &scratch.spans, &mut scratch.people);
            for (&(start, end), &(people, mode)) in scratch.spans.iter().zip(&scratch.people) {
                let mut price = starts[(start - node.start.0) as usize] + people;
                if let Some(held) = held {
                    price += held[end as usize] - held[start as usize];
                }
                let cell = (end - node.end.0) as usize;
                if price < ends[cell] {
                    ends[cell] = price;
                    choice[cell] = (start, mode);
                }
            }
        }
        scratch.starts[number] = starts;
        scratch.ends[number] = ends;
        true
    }

    /// Adds to `sums`, by start from `first` on, the least price of `ends` from which a start may follow on `branch`.
    fn add_arrivals(
        self,
        before: &Node,
        branch: Branch,
        ends: &[i64],
        first: Step,
        sums: &mut [i64],
        queue: &mut Vec<(Step, i64)>,
    ) {
        let stay = branch.stay.map(|stay| self.field.combination(stay));
        let staying = |step: Step| stay.map_or(0, |stay| stay[step as usize]);
        let mut end = before.end.0;
        if branch.max >= NEVER {
            let mut least = NO;
            for (start, sum) in (first..).zip(sums.iter_mut()) {
                while end <= before.end.1.min(start - branch.min) {
                    let price = ends[(end - before.end.0) as usize];
                    least = least.min(if price < NO { price - staying(end) } else { NO });
                    end += 1;
                }
                *sum = if least < NO { (*sum + least + staying(start)).min(NO) } else { NO };
            }
            return;
        }
        // A queue of rising prices: its head is the least in the window of the longest wait.
        queue.clear();
        let mut head = 0;
        for (start, sum) in (first..).zip(sums.iter_mut()) {
            while end <= before.end.1.min(start - branch.min) {
                let price = ends[(end - before.end.0) as usize];
                if price < NO {
                    let price = price - staying(end);
                    while queue.len() > head && queue[queue.len() - 1].1 >= price {
                        queue.pop();
                    }
                    queue.push((end, price));
                }
                end += 1;
            }
            while head < queue.len() && queue[head].0 < start - branch.max {
                head += 1;
            }
            *sum = queue.get(head).map_or(NO, |(_, least)| (*sum + least + staying(start)).min(NO));
        }
    }

    /// Finds the starts and ends of a node in the modes of `group`, where something leads to the start.
    fn find_spans(self, node: &Node, group: &Group, starts: &[i64], spans: &mut Vec<(Step, Step)>) {
        spans.clear();
        let calendar = &self.compiled.calendars[group.calendar as usize];
        let interruptible = self.compiled.operations[node.operation as usize].interruptible;
        let open = calendar.open_steps();
        let (clock, length) = (&self.compiled.clock, group.length);
        let from = calendar.worked_before(node.start.0.min(clock.horizon)) as usize;
        // What takes no time may start at the horizon.
        let to_horizon = length == 0 && group.calendar == 0;
        for position in from..open.len() + usize::from(to_horizon) {
            let start = open.get(position).copied().unwrap_or(clock.horizon);
            if start > node.start.1 {
                break;
            }
            let end = if length == 0 {
                start
            } else if interruptible {
                let Some(last) = open.get(position + length as usize - 1) else { break };
                last + 1
            } else if calendar.close(start) - start >= length {
                start + length
            } else {
                continue;
            };
            if end > node.end.1 {
                break;
            }
            if end >= node.end.0 && starts[(start - node.start.0) as usize] < NO && clock.on_grid(start) {
                spans.push((start, end));
            }
        }
    }

    /// Finds for each span the cheapest people of `group`.
    fn price_people(self, node: &Node, group: &Group, spans: &[(Step, Step)], people: &mut Vec<(i64, u16)>) {
        let compiled = self.compiled;
        let operation = &compiled.operations[node.operation as usize];
        people.clear();
        people.resize(spans.len(), (NO, 0));
        for &position in &group.modes {
            let mode = &compiled.modes_of(node.operation as usize)[usize::from(position)];
            let has_extras = mode.change != 0 || mode.overtime || operation.published_day.is_some();
            let extra = |start, end| match has_extras {
                true => price::of_mode(compiled, operation, mode, start, end) * SCALE,
                false => 0,
            };
            let mut offer = |cell: usize, price: i64| {
                if price < people[cell].0 {
                    people[cell] = (price, position);
                }
            };
            match compiled.people_of(mode) {
                [person] if !has_extras => {
                    let prices = self.field.person(*person);
                    for (cell, &(start, end)) in spans.iter().enumerate() {
                        offer(cell, prices[end as usize] - prices[start as usize]);
                    }
                }
                crew => {
                    for (cell, &(start, end)) in spans.iter().enumerate() {
                        let price = |&person: &u16| {
                            let prices = self.field.person(person);
                            prices[end as usize] - prices[start as usize]
                        };
                        offer(cell, crew.iter().map(price).sum::<i64>() + extra(start, end));
                    }
                }
            }
        }
    }

    /// Follows the tables back from the completion `at` into `scratch.placed`.
    fn trace(self, tree: &Tree, at: Step, scratch: &mut Scratch) {
        let Scratch { ends, choice, placed, .. } = scratch;
        let mut open: Vec<(u32, Step)> = Vec::new();
        let least = |node: u32, stay: Option<u32>, from: Step, until: Step| {
            let (before, ends) = (&tree.nodes[node as usize], &ends[node as usize]);
            let range = from.max(before.end.0)..=until.min(before.end.1);
            let price = |&end: &Step| {
                let price = ends[(end - before.end.0) as usize];
                if price < NO { price - self.field.over(stay, 0, end) } else { NO }
            };
            range.rev().min_by_key(price)
        };
        for number in (0..tree.nodes.len() as u32).filter(|&number| tree.nodes[number as usize].next.is_none()) {
            open.extend(least(number, None, 0, at).map(|end| (number, end)));
        }
        while let Some((number, end)) = open.pop() {
            let node = &tree.nodes[number as usize];
            let (start, mode) = choice[number as usize][(end - node.end.0) as usize];
            placed.push(Placed { node: number, mode, start, end });
            for branch in &node.branches {
                let from = if branch.max >= NEVER { 0 } else { start - branch.max };
                open.extend(least(branch.node, branch.stay, from, start - branch.min).map(|end| (branch.node, end)));
            }
        }
    }

    /// Fills in the price of all else for each node and end, after [`Pricing::cheapest`].
    pub fn backward(self, car: usize, tree: &Tree, scratch: &mut Scratch) {
        for number in (0..tree.nodes.len()).rev() {
            let node = &tree.nodes[number];
            let mut rest = std::mem::take(&mut scratch.rest[number]);
            rest.clear();
            rest.resize((node.end.1 - node.end.0 + 1) as usize, NO);
            match node.next {
                None => self.rest_after_last(car, tree, number, &mut rest, scratch),
                Some(next) => self.rest_after(tree, number, next as usize, &mut rest, scratch),
            }
            scratch.rest[number] = rest;
        }
    }

    /// The rest of an operation with none after it: the completion and the other last ones.
    fn rest_after_last(self, car: usize, tree: &Tree, number: usize, rest: &mut [i64], scratch: &mut Scratch) {
        let node = &tree.nodes[number];
        let (first, last) = tree.completion;
        let mut own = std::mem::take(&mut scratch.arrivals);
        own.clear();
        own.resize(scratch.done.len(), 0);
        let branch = Branch { node: number as u32, min: 0, max: NEVER, stay: None };
        self.add_arrivals(node, branch, &scratch.ends[number], first, &mut own, &mut scratch.queue);
        let (mut least, mut completion) = (NO, last);
        for end in (node.end.0..=node.end.1).rev() {
            while completion >= end.max(first) {
                let cell = (completion - first) as usize;
                if scratch.done[cell] < NO {
                    least = least.min(scratch.done[cell] - own[cell] + self.completion_price(car, completion));
                }
                completion -= 1;
            }
            rest[(end - node.end.0) as usize] = least;
        }
        scratch.arrivals = own;
    }

    /// The rest of an operation by what follows: `next`, the other operations before `next`, and all after.
    fn rest_after(self, tree: &Tree, number: usize, next: usize, rest: &mut [i64], scratch: &mut Scratch) {
        let (node, after) = (&tree.nodes[number], &tree.nodes[next]);
        let Some(&branch) = after.branches.iter().find(|branch| branch.node as usize == number) else { return };
        // By start of `next`: the least price of it and all after it.
        let mut price_after = std::mem::take(&mut scratch.after);
        price_after.clear();
        price_after.resize(scratch.starts[next].len(), NO);
        for group in &after.groups {
            self.find_spans(after, group, &scratch.starts[next], &mut scratch.spans);
            self.price_people(after, group, &scratch.spans, &mut scratch.people);
            for (&(start, end), &(people, _)) in scratch.spans.iter().zip(&scratch.people) {
                let later = scratch.rest[next][(end - after.end.0) as usize];
                if later < NO {
                    let cell = &mut price_after[(start - after.start.0) as usize];
                    *cell = (*cell).min(people + self.field.over(after.held, start, end) + later);
                }
            }
        }
        // With the other branches: all that leads to the start, less what this branch adds to it.
        let mut own = std::mem::take(&mut scratch.arrivals);
        own.clear();
        own.resize(price_after.len(), 0);
        self.add_arrivals(node, branch, &scratch.ends[number], after.start.0, &mut own, &mut scratch.queue);
        for (cell, price) in price_after.iter_mut().enumerate() {
            let all = scratch.starts[next][cell];
            *price = if all < NO && *price < NO { *price + all - own[cell] } else { NO };
        }
        // The least over the starts that may follow each end, later ends first.
        let queue = &mut scratch.queue;
        queue.clear();
        let (mut head, mut start) = (0, after.start.1);
        for end in (node.end.0..=node.end.1).rev() {
            while start >= after.start.0 && start >= end + branch.min {
                let price = price_after[(start - after.start.0) as usize];
                if price < NO {
                    let price = price + self.field.over(branch.stay, 0, start);
                    while queue.len() > head && queue[queue.len() - 1].1 >= price {
                        queue.pop();
                    }
                    queue.push((start, price));
                }
                start -= 1;
            }
            while branch.max < NEVER && head < queue.len() && queue[head].0 > end + branch.max {
                head += 1;
            }
            if let Some((_, least)) = queue.get(head) {
                rest[(end - node.end.0) as usize] = least - self.field.over(branch.stay, 0, end);
            }
        }
        scratch.after = price_after;
        scratch.arrivals = own;
    }
}

impl Scratch {
    fn make_room(&mut self, tree: &Tree) {
        let nodes = self.starts.len().max(tree.nodes.len());
        self.starts.resize_with(nodes, Vec::new);
        self.ends.resize_with(nodes, Vec::new);
        self.choice.resize_with(nodes, Vec::new);
        self.rest.resize_with(nodes, Vec::new);
    }
}
