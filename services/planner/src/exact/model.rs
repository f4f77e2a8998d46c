//! The rules of a problem for the engine.
//!
//! What is not told (which bay of a set where there are several, hours of bays, same persons, changeovers in sets, room
//! outside, prices other than that of completion) only forbids plans or makes them dearer: that nothing is left remains
//! true, and what is found is checked before it counts.

use std::collections::HashMap;

use fitup_model::Cost;

use super::bays::Bays;
use super::cumulative::{Cumulative, Moment, Task};
use super::engine::Engine;
use super::order::Order;
use super::span::{Mode, Span};
use super::store::Fact;
use super::total::{Completion, Total};
use super::unary::{self, Unary};
use crate::bound::remaining::{Remaining, Way};
use crate::compile::{Compiled, NEVER, Step, price};

/// An operation in the engine.
#[derive(Debug, Clone)]
pub struct Placed {
    pub start: Moment,
    pub end: Moment,
    /// Modes by position, with the binary that chooses each.
    pub modes: Vec<(u16, u32)>,
    /// Least time from start to end.
    pub length: Step,
}

/// The engine and where the operations are in it.
pub struct Model {
    pub engine: Engine,
    /// By operation; `None` for facts.
    pub placed: Vec<Option<Placed>>,
    /// Binaries that tell in which bay a visit is, where bays are chosen: visit, bay, binary.
    pub(super) chosen: Vec<(u32, u16, u32)>,
    /// Constant part of the price.
    fixed: Cost,
    pub(super) orders: HashMap<(u32, u32), u32>,
}

/// No problem with more ordered pairs than this is told to the engine.
const MOST_PAIRS: usize = 60_000;

impl Model {
    /// Returns the rules for plans that cost at most `budget`; `None` if there are too many, or cars may
    /// be left out.
    pub fn new(compiled: &Compiled, budget: Cost, remaining: Option<&Remaining>, bays: Bays) -> Option<Model> {
        let mut model = Model {
            engine: Engine::default(),
            placed: vec![None; compiled.operations.len()],
            chosen: Vec::new(),
            fixed: 0,
            orders: HashMap::new(),
        };
        if compiled.cars.iter().any(|car| car.impossible.is_some()) {
            return None;
        }
        match remaining {
            Some(remaining) if remaining.optional.iter().any(|optional| *optional) => return None,
            None if !compiled.is_makespan() || compiled.problem.left_out_price <= budget => return None,
            _ => {}
        }
        for index in 0..compiled.operations.len() {
            let open = !compiled.operations[index].is_fact;
            if open && model.add_operation(compiled, index, remaining, budget).is_none() {
                model.engine.refute();
                return Some(model);
            }
        }
        model.add_links(compiled);
        model.add_people(compiled)?;
        model.add_pools(compiled)?;
        model.add_bays(compiled, remaining)?;
        if bays == Bays::Chosen {
            model.add_choices(compiled)?;
        }
        if let Some(remaining) = remaining {
            model.add_total(compiled, remaining, budget);
        }
        model.engine.prepare();
        Some(model)
    }

    /// Tightens the rules to plans of at most `budget`. Returns false if that leaves none.
    pub fn tighten(&mut self, compiled: &Compiled, budget: Cost) -> bool {
        self.engine.to_root();
        if let Some(total) = &mut self.engine.total {
            total.budget = budget - self.fixed;
            return true;
        }
        let last = last_completion(compiled, budget);
        for index in 0..compiled.operations.len() {
            if let Some(placed) = &self.placed[index] {
                let rest = compiled.operations[index].tail - compiled.operations[index].shortest;
                let fact = Fact::at_most(placed.end.variable, last - rest - placed.end.offset);
                if self.engine.store.set(fact, &[]).is_err() {
                    return false;
                }
            }
        }
        true
    }

    fn add_operation(
        &mut self,
        compiled: &Compiled,
        index: usize,
        remaining: Option<&Remaining>,
        budget: Cost,
    ) -> Option<()> {
        let operation = &compiled.operations[index];
        let modes = compiled.modes_of(index);
        let ways = match remaining {
            Some(remaining) => remaining.ways[index].clone(),
            None => {
                let last = last_completion(compiled, budget) - (operation.tail - operation.shortest);
                let simple = modes.len() == 1
                    && compiled.calendars[modes[0].calendar as usize].is_always()
                    && compiled.people_of(&modes[0]).iter().all(|&p| compiled.busy_people[usize::from(p)].is_empty());
                let (from, until) = (operation.head, operation.latest.min(last - modes.first()?.length));
                if simple && from <= until {
                    let start = self.engine.integer(from, until);
                    let chosen = self.engine.integer(1, 1);
                    self.placed[index] = Some(Placed {
                        start: Moment { variable: start, offset: 0 },
                        end: Moment { variable: start, offset: modes[0].length },
                        modes: vec![(0, chosen)],
                        length: modes[0].length,
                    });
                    return Some(());
                }
                ways_until(compiled, index, last)
            }
        };
        let (first, last) = (ways.first()?.start, ways.iter().map(|way| way.start).max()?);
        let (soonest, latest) = (ways.iter().map(|way| way.end).min()?, ways.iter().map(|way| way.end).max()?);
        let length = ways.iter().map(|way| way.end - way.start).min()?;
        let start = self.engine.integer(first, last);
        let end = self.engine.integer(soonest, latest);
        let mut by_mode: Vec<(u16, Vec<(i32, i32)>)> = Vec::new();
        for way in &ways {
            match by_mode.iter_mut().find(|(mode, _)| *mode == way.mode) {
                Some((_, own)) => own.push((way.start, way.end)),
                None => by_mode.push((way.mode, vec![(way.start, way.end)])),
            }
        }
        by_mode.sort_unstable_by_key(|(mode, _)| *mode);
        let single = by_mode.len() == 1;
        let (mut own_modes, mut span_modes) = (Vec::new(), Vec::new());
        for (mode, mut ways) in by_mode {
            ways.sort_unstable();
            let chosen = if single { self.engine.integer(1, 1) } else { self.engine.binary(true) };
            own_modes.push((mode, chosen));
            span_modes.push(Mode { chosen, ways });
        }
        self.engine.spans.push(Span { start, end, modes: span_modes });
        let moment = |variable| Moment { variable, offset: 0 };
        self.placed[index] = Some(Placed { start: moment(start), end: moment(end), modes: own_modes, length });
        Some(())
    }

    pub(super) fn placed(&self, index: u32) -> &Placed {
        self.placed[index as usize].as_ref().expect("operations that are to be planned are placed")
    }

    /// `to >= from + distance` under conditions.
    pub(super) fn order(&mut self, conditions: &[Fact], from: Moment, to: Moment, distance: Step) {
        let distance = distance + from.offset - to.offset;
        self.engine.orders.push(Order::new(conditions, from.variable, to.variable, distance));
    }

    fn add_links(&mut self, compiled: &Compiled) {
        for (index, operation) in compiled.operations.iter().enumerate().filter(|(_, operation)| !operation.is_fact) {
            for link in compiled.links_of(operation.before) {
                let (before, after) = (self.placed(link.other).clone(), self.placed(index as u32).clone());
                self.order(&[], before.end, after.start, link.min);
                if link.max < NEVER {
                    self.order(&[], after.start, before.end, -link.max);
                }
            }
        }
    }

    /// Two operations on one person follow each other.
    fn add_people(&mut self, compiled: &Compiled) -> Option<()> {
        for person in 0..compiled.busy_people.len() as u16 {
            let mut users: Vec<(u32, Option<Fact>)> = Vec::new();
            for index in 0..compiled.operations.len() as u32 {
                if let Some(condition) = self.uses(compiled, index, person) {
                    users.push((index, condition));
                }
            }
            self.add_unary(&users);
            for (position, &(first, first_uses)) in users.iter().enumerate() {
                for &(second, second_uses) in &users[position + 1..] {
                    let conditions: Vec<Fact> = first_uses.into_iter().chain(second_uses).collect();
                    self.apart(compiled, first, second, &conditions)?;
                }
            }
        }
        Some(())
    }

    /// Tasks that use a resource one at a time, each under its condition.
    fn add_unary(&mut self, users: &[(u32, Option<Fact>)]) {
        let task = |&(index, uses): &(u32, Option<Fact>)| {
            let placed = self.placed(index);
            unary::Task { start: placed.start, end: placed.end, length: placed.length, uses }
        };
        let tasks: Vec<unary::Task> = users.iter().map(task).filter(|task| task.length > 0).collect();
        if tasks.len() > 1 {
            self.engine.unaries.push(Unary { tasks });
        }
    }

    /// Returns under which condition an operation uses a person: `None` if it never does, `Some(None)` if always.
    fn uses(&mut self, compiled: &Compiled, index: u32, person: u16) -> Option<Option<Fact>> {
        let modes = self.placed[index as usize].as_ref()?.modes.clone();
        let of_mode = |mode: u16| compiled.people_of(&compiled.modes_of(index as usize)[usize::from(mode)]);
        let with: Vec<u32> =
            modes.iter().filter(|(mode, _)| of_mode(*mode).contains(&person)).map(|(_, chosen)| *chosen).collect();
        match with.as_slice() {
            [] => None,
            own if own.len() == modes.len() => Some(None),
            [chosen] => Some(Some(Fact::at_least(*chosen, 1))),
            own => {
                let any = self.engine.binary(false);
                for &chosen in own {
                    self.engine.forbid(vec![Fact::at_least(chosen, 1), Fact::at_most(any, 0)]);
                }
                Some(Some(Fact::at_least(any, 1)))
            }
        }
    }

    /// Under `conditions` two operations do not overlap.
    fn apart(&mut self, compiled: &Compiled, first: u32, second: u32, conditions: &[Fact]) -> Option<()> {
        if follows(compiled, first, second) || follows(compiled, second, first) {
            return Some(());
        }
        let (one, two) = (self.placed(first).clone(), self.placed(second).clone());
        let Some(before) = self.which_first((first, one.start, one.end), (second, two.start, two.end))? else {
            return Some(());
        };
        for (fact, from, to) in
            [(Fact::at_least(before, 1), one.end, two.start), (Fact::at_most(before, 0), two.end, one.start)]
        {
            self.order(&[&[fact], conditions].concat(), from, to, 0);
        }
        Some(())
    }

    /// Returns the binary that tells which of two comes first; `Some(None)` if they cannot meet, `None` if there are
    /// too many pairs.
    fn which_first(
        &mut self,
        (first, start, end): (u32, Moment, Moment),
        (second, other_start, other_end): (u32, Moment, Moment),
    ) -> Option<Option<u32>> {
        let store = &self.engine.store;
        let high = |moment: Moment| store.high(moment.variable) + moment.offset;
        let low = |moment: Moment| store.low(moment.variable) + moment.offset;
        if high(end) <= low(other_start) || high(other_end) <= low(start) {
            return Some(None);
        }
        if self.orders.len() >= MOST_PAIRS {
            return None;
        }
        let sooner = low(start) + low(end) <= low(other_start) + low(other_end);
        let known = self.orders.get(&(first, second)).copied();
        let binary = known.unwrap_or_else(|| self.engine.binary(sooner));
        self.orders.insert((first, second), binary);
        Some(Some(binary))
    }

    /// In every step no more pieces are in use than there are; two operations that need too many together follow each
    /// other.
    fn add_pools(&mut self, compiled: &Compiled) -> Option<()> {
        for (pool, data) in compiled.pools.iter().enumerate() {
            let mut users: Vec<(u32, i32)> = Vec::new();
            for index in 0..compiled.operations.len() as u32 {
                let need = compiled.needs_of(index as usize).iter().find(|(own, _)| usize::from(*own) == pool);
                if let (Some((_, units)), Some(_)) = (need, &self.placed[index as usize]) {
                    users.push((index, i32::from(*units)));
                }
            }
            let capacity = i32::from(data.capacity);
            let alone: Vec<(u32, Option<Fact>)> =
                users.iter().filter(|(_, units)| 2 * units > capacity).map(|(index, _)| (*index, None)).collect();
            self.add_unary(&alone);
            for (position, &(first, units)) in users.iter().enumerate() {
                for &(second, more) in users[position + 1..].iter().filter(|(_, more)| units + more > capacity) {
                    let empty = |index: u32| compiled.operations[index as usize].shortest == 0;
                    if !empty(first) && !empty(second) {
                        let _ = more;
                        self.apart(compiled, first, second, &[])?;
                    }
                }
            }
            let tasks: Vec<Task> = users
                .iter()
                .map(|&(index, units)| {
                    let placed = self.placed(index);
                    Task { start: placed.start, end: placed.end, units }
                })
                .collect();
            let mut missing = vec![0; compiled.clock.horizon as usize];
            for &(from, until, pieces) in &data.busy {
                missing[from as usize..until as usize].iter_mut().for_each(|missing| *missing += i32::from(pieces));
            }
            let busy = stretches(missing.into_iter().map(|missing| missing.min(capacity)));
            if !tasks.is_empty() {
                self.engine.cumulatives.push(Cumulative { tasks, capacity, busy });
            }
        }
        Some(())
    }

    fn add_total(&mut self, compiled: &Compiled, remaining: &Remaining, budget: Cost) {
        let mut cars = Vec::new();
        for (car, data) in compiled.cars.iter().enumerate() {
            if data.operations.is_empty() {
                self.fixed += price::of_completion(compiled, car, Step::MIN / 2);
                continue;
            }
            let ends = |index: &u32| remaining.ways[*index as usize].iter().map(|way| way.end);
            let soonest = |index: &u32| ends(index).min().unwrap_or(0);
            let first = data.operations.iter().map(soonest).max().unwrap_or(0);
            let last = data.operations.iter().flat_map(ends).max().unwrap_or(first).max(first);
            let variable = self.engine.integer(first, last);
            let price = (first..=last).map(|step| price::of_completion(compiled, car, step)).collect();
            for &index in data.operations.iter().filter(|&&index| compiled.operations[index as usize].after.is_empty())
            {
                let end = self.placed(index).end;
                self.order(&[], end, Moment { variable, offset: 0 }, 0);
            }
            cars.push(Completion { variable, first, price });
        }
        self.engine.total = Some(Total { cars, budget: budget - self.fixed });
    }

    /// Returns where each operation is, once all is fixed.
    pub fn read(&self) -> Vec<Option<Way>> {
        let store = &self.engine.store;
        let way = |placed: &Placed| {
            let chosen = placed.modes.iter().find(|(_, chosen)| store.low(*chosen) == 1);
            Way {
                mode: chosen.map_or(0, |(mode, _)| *mode),
                start: store.low(placed.start.variable) + placed.start.offset,
                end: store.low(placed.end.variable) + placed.end.offset,
            }
        };
        self.placed.iter().map(|placed| placed.as_ref().map(way)).collect()
    }
}

/// Returns the last step in which all may be complete at a makespan of at most `budget`.
fn last_completion(compiled: &Compiled, budget: Cost) -> Step {
    let clock = &compiled.clock;
    clock.floor(fitup_model::Time::from_minutes(budget)).min(clock.horizon)
}

/// Returns all ways to place an operation that end by `last`.
fn ways_until(compiled: &Compiled, index: usize, last: Step) -> Vec<Way> {
    let operation = &compiled.operations[index];
    let mut ways = Vec::new();
    for (number, mode) in compiled.modes_of(index).iter().enumerate() {
        let calendar = &compiled.calendars[mode.calendar as usize];
        let mut from = operation.head.max(0);
        loop {
            if from > operation.latest.min(compiled.clock.horizon) {
                break;
            }
            let start = calendar.next_start(from, mode.length, operation.interruptible);
            if start > operation.latest.min(last) || start >= compiled.clock.horizon && mode.length > 0 {
                break;
            }
            let end = calendar.end_of(start, mode.length, operation.interruptible);
            if end > last {
                break;
            }
            let taken = |&person: &u16| {
                compiled.busy_people[usize::from(person)].iter().any(|&(from, until)| start < until && from < end)
            };
            if !compiled.people_of(mode).iter().any(taken) {
                ways.push(Way { mode: number as u16, start, end });
            }
            from = start + 1;
        }
    }
    ways.sort_unstable_by_key(|way| (way.start, way.end, way.mode));
    ways
}

/// Returns where units are missing, as `(start, end, units)`, from how many are in each step.
///
/// Facts and outages may take more than there is; what is planned only asks for what is left.
pub(super) fn stretches(missing: impl Iterator<Item = i32>) -> Vec<(i32, i32, i32)> {
    let mut stretches: Vec<(i32, i32, i32)> = Vec::new();
    for (step, missing) in (0..).zip(missing) {
        match stretches.last_mut() {
            Some(last) if last.1 == step && last.2 == missing => last.1 += 1,
            _ if missing > 0 => stretches.push((step, step + 1, missing)),
            _ => {}
        }
    }
    stretches
}

/// Tells whether links make `second` start no earlier than `first` ends.
pub(crate) fn follows(compiled: &Compiled, first: u32, second: u32) -> bool {
    if compiled.operations[first as usize].car != compiled.operations[second as usize].car {
        return false;
    }
    let mut reached = vec![first];
    let mut position = 0;
    while position < reached.len() {
        for link in compiled.links_of(compiled.operations[reached[position] as usize].after) {
            if link.min >= 0 && link.other == second {
                return true;
            }
            if link.min >= 0 && !reached.contains(&link.other) {
                reached.push(link.other);
            }
        }
        position += 1;
    }
    false
}
