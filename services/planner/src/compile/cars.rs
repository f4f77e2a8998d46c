//! Resources, operations, visits and cars in dense form.

use fitup_model::keyed::{CarId, Key, OperationId, VisitId};
use fitup_model::problem::{BayChoice, Commitment, SamePersonRule};
use fitup_model::{Cost, Plan, cost};

use super::{Again, Car, Compiled, Link, NEVER, Operation, Pool, Slice, Step, StepCalendar, Visit, VisitFact};

impl Compiled<'_> {
    pub(super) fn add_resources(&mut self) {
        let (problem, clock) = (self.problem, self.clock);
        let mut made: Vec<(usize, u32)> = Vec::new();
        for bay in problem.bays.values() {
            let id = bay.calendar.index();
            let known = made.iter().find(|(other, _)| *other == id).map(|(_, made)| *made);
            let calendar = known.unwrap_or_else(|| {
                let calendar = StepCalendar::new(&problem.calendars[bay.calendar], &clock);
                // A bay that is always open needs no look at its calendar.
                let number = if calendar.open_steps().len() == clock.horizon as usize {
                    0
                } else {
                    self.calendars.push(calendar);
                    self.calendars.len() as u32 - 1
                };
                made.push((id, number));
                number
            });
            self.bay_calendar.push(calendar);
        }
        for equipment in problem.equipment.values() {
            let mut busy = Vec::new();
            for outage in &equipment.outages {
                let (from, until) = (clock.floor(outage.window.start()), clock.ceil(outage.window.end()));
                busy.push((from.max(0), until.min(clock.horizon), pieces(outage.units)));
            }
            busy.retain(|(from, until, _)| from < until);
            self.truncated |= equipment.capacity > u32::from(u16::MAX);
            self.pools.push(Pool { capacity: pieces(equipment.capacity), busy });
        }
        self.busy_people = vec![Vec::new(); problem.technicians.len()];
        for from in problem.changeovers.iter() {
            let cell = from.from.index() * self.families + from.to.index();
            // The first that names a pair is the one that counts.
            if self.changeovers[cell] == 0 {
                self.changeovers[cell] = clock.ceil_span(from.span.minutes());
            }
        }
    }

    pub(super) fn add_operations(&mut self) {
        let (problem, clock) = (self.problem, self.clock);
        for (id, operation) in problem.operations.iter() {
            let start = self.needs.len();
            self.needs.extend(operation.equipment.iter().map(|(pool, units)| (pool.index() as u16, pieces(*units))));
            let is_fact = matches!(operation.commitment, Commitment::Started { .. });
            let pin = match operation.commitment {
                Commitment::Pinned { start, .. } => start,
                _ => None,
            };
            let ready = clock.ceil(problem.earliest_start(id)).max(0);
            let published_day = operation.published.as_ref().map(|published| {
                let day = problem.day_of(published.start);
                let from = if day == 0 { 0 } else { clock.ceil(problem.days[day]) };
                let until = problem.days.get(day + 1).map_or(NEVER, |&midnight| clock.ceil(midnight));
                (from, until, published.day_price)
            });
            self.operations.push(Operation {
                car: operation.car.index() as u32,
                visit: operation.visit.map(|visit| visit.index() as u32),
                is_fact,
                modes: Slice::default(),
                interruptible: operation.interruptible || operation.crew.is_empty(),
                earliest: pin.map_or(ready, |pin| ready.max(clock.ceil(pin))),
                latest: pin.map_or(NEVER, |pin| clock.floor(pin)),
                needs: Slice::new(start, self.needs.len()),
                before: Slice::default(),
                after: Slice::default(),
                has_longest_wait: false,
                head: 0,
                tail: 0,
                shortest: 0,
                again: operation.same_person.map(|wish| Again {
                    operation: wish.operation.index() as u32,
                    price: match wish.rule {
                        SamePersonRule::Required => None,
                        SamePersonRule::Preferred(price) => Some(price),
                    },
                }),
                published_day: published_day.filter(|_| !is_fact),
            });
            self.add_fact(id);
        }
        for busy in &mut self.busy_people {
            *busy = union(std::mem::take(busy));
        }
        self.add_links();
        self.add_modes();
    }

    /// Keeps the people and the equipment of a fact busy until its end.
    fn add_fact(&mut self, id: OperationId) {
        let (problem, clock) = (self.problem, self.clock);
        let operation = &problem.operations[id];
        let Commitment::Started { start, end, technicians } = &operation.commitment else { return };
        if *end <= problem.now {
            return;
        }
        let (from, until) = (clock.floor(*start).max(0), clock.ceil(*end).min(clock.horizon));
        if from >= until {
            return;
        }
        for person in technicians {
            self.busy_people[person.index()].push((from, until));
        }
        for (pool, units) in &operation.equipment {
            self.pools[pool.index()].busy.push((from, until, pieces(*units)));
        }
    }

    fn add_links(&mut self) {
        let (problem, clock) = (self.problem, self.clock);
        let count = self.operations.len();
        let (mut before, mut after) = (vec![Vec::new(); count], vec![Vec::new(); count]);
        for link in &problem.links {
            let (from, to) = (link.from.index(), link.to.index());
            if self.operations[to].is_fact {
                continue;
            }
            if let Commitment::Started { end, .. } = problem.operations[link.from].commitment {
                let soonest = clock.ceil((end + link.min_wait).ceil_to(problem.grid));
                let operation = &mut self.operations[to];
                operation.earliest = operation.earliest.max(soonest);
                if let Some(longest) = link.max_wait {
                    operation.latest = operation.latest.min(clock.floor(end + longest));
                }
                continue;
            }
            let min = clock.ceil_span(link.min_wait.minutes());
            let max = link.max_wait.map_or(NEVER, |longest| clock.floor_span(longest.minutes()));
            self.operations[from].has_longest_wait |= max < NEVER;
            before[to].push(Link { other: from as u32, min, max });
            after[from].push(Link { other: to as u32, min, max });
        }
        for (index, (before, after)) in before.into_iter().zip(after).enumerate() {
            let start = self.links.len();
            self.links.extend(before);
            let middle = self.links.len();
            self.links.extend(after);
            self.operations[index].before = Slice::new(start, middle);
            self.operations[index].after = Slice::new(middle, self.links.len());
        }
    }

    pub(super) fn add_visits(&mut self) {
        let problem = self.problem;
        for (id, visit) in problem.visits.iter() {
            let operations: Vec<u32> =
                problem.operations_in(id).iter().map(|id| id.index() as u32).filter(|&id| !self.is_fact(id)).collect();
            let fact = self.fact_of(id);
            let start = self.choices.len();
            let price =
                |bay| visit.published.filter(|published| published.bay != bay).map_or(0, |published| published.price);
            let serves = |bay| problem.bay_serves(bay, visit.class);
            match visit.bay {
                BayChoice::Entered(bay) => self.choices.push((bay.index() as u16, 0)),
                BayChoice::Pinned(bay) if serves(bay) => self.choices.push((bay.index() as u16, price(bay))),
                BayChoice::Pinned(_) => {}
                // Nobody said where the car stands: the published bay is the best guess.
                BayChoice::Free if fact.is_some() => {
                    let published = visit.published.map(|published| published.bay).filter(|&bay| serves(bay));
                    let bay = published.or_else(|| problem.bays.keys().find(|&bay| serves(bay)));
                    self.choices.extend(bay.map(|bay| (bay.index() as u16, price(bay))));
                }
                BayChoice::Free => {
                    let able = problem.bays.keys().filter(|&bay| serves(bay));
                    self.choices.extend(able.map(|bay| (bay.index() as u16, price(bay))));
                }
            }
            self.visits.push(Visit {
                car: visit.car.index() as u32,
                class: visit.class.index() as u32,
                on_vehicle: visit.on_vehicle,
                operations,
                bays: Slice::new(start, self.choices.len()),
                keeps_hours: !matches!(visit.bay, BayChoice::Entered(_)),
                family: visit.family.map_or(self.families - 1, |family| family.index()) as u32,
                span: 0,
                fact,
            });
        }
    }

    fn is_fact(&self, operation: u32) -> bool {
        self.operations[operation as usize].is_fact
    }

    fn fact_of(&self, visit: VisitId) -> Option<VisitFact> {
        let problem = self.problem;
        let facts = || {
            problem.operations_in(visit).iter().filter_map(|&id| match problem.operations[id].commitment {
                Commitment::Started { start, end, .. } => Some((start, end)),
                _ => None,
            })
        };
        let start = facts().map(|(start, _)| start).min()?;
        let end = facts().map(|(_, end)| end).max()?;
        Some(VisitFact { start: self.clock.floor(start), end: self.clock.ceil(end), over: end <= problem.now })
    }

    pub(super) fn add_cars(&mut self) {
        let problem = self.problem;
        let nothing = Plan::nothing_new(problem);
        for (id, car) in problem.cars.iter() {
            let (sunk, fact_end) = self.sunk(id, &nothing);
            let open = problem.operations_of(id).iter().map(|id| id.index() as u32).filter(|&id| !self.is_fact(id));
            let operations = self.sorted(open.collect());
            let committed =
                problem.operations_of(id).iter().any(|&id| problem.operations[id].commitment != Commitment::Free)
                    || problem.visits_of(id).iter().any(|&id| problem.visits[id].bay != BayChoice::Free);
            let flow = car.flow_weight * (problem.horizon - car.arrival).minutes().max(0);
            let left_out = match self.is_makespan() {
                true => problem.left_out_price,
                false => cost::lateness(problem, id, problem.horizon) + flow + problem.left_out_price + sunk,
            };
            self.cars.push(Car {
                operations,
                visits: problem.visits_of(id).iter().map(|id| id.index() as u32).collect(),
                arrival: car.arrival.minutes(),
                promise: car.promise.map_or(i64::MAX, |promise| promise.minutes()),
                fact_end,
                late_weight: if car.promise.is_some() { car.late_weight } else { 0 },
                flow_weight: car.flow_weight,
                sunk,
                left_out,
                least: 0,
                tail: 0,
                has_extras: false,
                committed,
                fact_wishes: Vec::new(),
                impossible: None,
            });
        }
    }

    /// Returns the price of what has happened to a car, and the end of its last fact.
    fn sunk(&self, id: CarId, nothing: &Plan) -> (Cost, i64) {
        let problem = self.problem;
        let (mut sunk, mut end) = (0, i64::MIN);
        for &id in problem.operations_of(id) {
            let Some(assignment) = &nothing.operations[id] else { continue };
            sunk += cost::operation_change(problem, id, assignment);
            end = end.max(assignment.end.minutes());
            // Between two facts a wish is met or not, whatever is planned.
            if let Some(wish) = problem.operations[id].same_person
                && let SamePersonRule::Preferred(price) = wish.rule
                && let Some(earlier) = &nothing.operations[wish.operation]
                && !earlier.technicians.iter().any(|person| assignment.technicians.contains(person))
            {
                sunk += price;
            }
        }
        for &id in problem.visits_of(id) {
            sunk += cost::visit_change(problem, nothing, id);
        }
        (if self.is_makespan() { 0 } else { sunk }, end)
    }

    /// Sorts operations of one car so that each comes after those that it waits for.
    fn sorted(&self, open: Vec<u32>) -> Vec<u32> {
        let mut sorted: Vec<u32> = Vec::with_capacity(open.len());
        let mut done = std::collections::HashSet::new();
        let mut rest = open;
        while !rest.is_empty() {
            let before = rest.len();
            rest.retain(|&operation| {
                let links = self.links_of(self.operations[operation as usize].before);
                let ready = links.iter().all(|link| done.contains(&link.other));
                if ready {
                    sorted.push(operation);
                    done.insert(operation);
                }
                !ready
            });
            assert!(rest.len() < before, "links of a checked problem have no cycle");
        }
        sorted
    }
}

fn pieces(units: u32) -> u16 {
    u16::try_from(units).unwrap_or(u16::MAX)
}

/// Returns the union of `busy`, sorted and disjoint.
pub(super) fn union(mut busy: Vec<(Step, Step)>) -> Vec<(Step, Step)> {
    busy.sort_unstable();
    let mut merged: Vec<(Step, Step)> = Vec::with_capacity(busy.len());
    for (start, end) in busy {
        match merged.last_mut() {
            Some(last) if start <= last.1 => last.1 = last.1.max(end),
            _ => merged.push((start, end)),
        }
    }
    merged
}
