//! The optimum of a tiny problem, by trying everything.
//!
//! Exact by construction: cars are taken in order, each first planned and then left out; of a planned car each
//! operation tries every crew, with and without overtime, and every start on the grid from now to the horizon, and each
//! visit every bay. Ends follow from starts, minute by minute. A branch is cut only where it breaks a rule that no
//! further decision can mend, or where [`Search::bound`] is not below the price of a plan already found. Changeovers
//! can be mended (by a visit between two others), so they are tested when everything is decided.
//!
//! It shares nothing with the checker or the planner but the price.

use fitup_model::keyed::{BayId, CarId, Key, KeyedVec, OperationId, TechnicianId, VisitId};
use fitup_model::problem::{BayChoice, Commitment, Objective, SamePersonRule};
use fitup_model::{Assignment, Cost, Plan, Problem, Time, cost};

/// The best plan.
#[derive(Debug, Clone)]
pub struct Optimum {
    /// Its price.
    pub cost: Cost,
    /// One plan that has it.
    pub plan: Plan,
}

/// Returns the optimum of `problem`, or `None` if that takes more than `limit` decisions.
pub fn optimum(problem: &Problem, limit: u64) -> Option<Optimum> {
    search(problem, limit, u64::MAX).ok()
}

/// Returns the first plan that is found, which is often the one that plans each car as early as it can.
pub fn first_plan(problem: &Problem, limit: u64) -> Option<Plan> {
    match search(problem, limit, 1) {
        Ok(found) => Some(found.plan),
        Err(found) => found.map(|found| found.plan),
    }
}

fn search(problem: &Problem, limit: u64, plans: u64) -> Result<Optimum, Option<Optimum>> {
    let mut search = Search {
        problem,
        open: open_minutes(problem),
        order: problem.cars.keys().map(|car| in_order(problem, car)).collect(),
        shortest: problem.operations.keys().map(|id| shortest(problem, id)).collect(),
        plan: Plan::nothing_new(problem),
        decided: 0,
        left_out: KeyedVec::filled(false, problem.cars.len()),
        best: None,
        nodes: limit,
        plans,
    };
    search.next_car();
    let best = search.best.take();
    if search.nodes > 0 && search.plans > 0 { Ok(best.expect("to leave all cars out is a plan")) } else { Err(best) }
}

struct Search<'a> {
    problem: &'a Problem,
    /// Of each calendar, whether it is open in each minute from 0 to the horizon.
    open: Vec<Vec<bool>>,
    /// Of each car, what can be planned, in an order that respects its links.
    order: KeyedVec<CarId, Vec<OperationId>>,
    /// Of each operation, the least minutes that any crew takes for it.
    shortest: KeyedVec<OperationId, i64>,
    plan: Plan,
    /// So many cars, in the order of their keys, are decided.
    decided: usize,
    left_out: KeyedVec<CarId, bool>,
    best: Option<Optimum>,
    /// Decisions left.
    nodes: u64,
    /// Improvements left.
    plans: u64,
}

impl Search<'_> {
    fn next_car(&mut self) {
        if self.decided == self.problem.cars.len() {
            self.leaf();
            return;
        }
        let car = CarId::from_index(self.decided);
        self.next_operation(car, 0);
        if !self.order[car].is_empty() {
            self.left_out[car] = true;
            self.finish_car(car);
            self.left_out[car] = false;
        }
    }

    fn next_operation(&mut self, car: CarId, index: usize) {
        let Some(&id) = self.order[car].get(index) else {
            let visits: Vec<VisitId> =
                self.problem.visits_of(car).iter().copied().filter(|&visit| !self.settled(visit)).collect();
            return self.next_visit(car, &visits);
        };
        let grid = self.problem.grid.minutes();
        let first = self.problem.now.minutes().div_euclid(grid) * grid;
        for technicians in self.crews(id) {
            let some_overtime =
                technicians.iter().any(|&person| self.problem.technicians[person].with_overtime.is_some());
            for start in (first..=self.problem.horizon.minutes()).step_by(grid as usize) {
                let regular = self.end(id, start, &technicians, false);
                let extended = if some_overtime { self.end(id, start, &technicians, true) } else { None };
                // Overtime that gains nothing costs something or nothing.
                for (end, overtime) in [(regular, false), (extended.filter(|_| extended != regular), true)] {
                    let Some(end) = end else { continue };
                    if self.nodes == 0 || self.plans == 0 {
                        return;
                    }
                    self.nodes -= 1;
                    let (start, end) = (Time::from_minutes(start), Time::from_minutes(end));
                    let assignment = Assignment { start, end, technicians: technicians.clone(), overtime };
                    if self.allowed(id, &assignment) {
                        self.plan.operations[id] = Some(assignment);
                        if self.promising() {
                            self.next_operation(car, index + 1);
                        }
                        self.plan.operations[id] = None;
                    }
                }
            }
        }
    }

    fn next_visit(&mut self, car: CarId, visits: &[VisitId]) {
        let Some((&visit, rest)) = visits.split_first() else { return self.finish_car(car) };
        for bay in self.problem.bays.keys() {
            let chosen = match self.problem.visits[visit].bay {
                BayChoice::Free => self.bay_suits(visit, bay),
                BayChoice::Pinned(pinned) => bay == pinned && self.bay_suits(visit, bay),
                BayChoice::Entered(entered) => bay == entered,
            };
            if chosen {
                let before = self.plan.bays[visit].replace(bay);
                self.next_visit(car, rest);
                self.plan.bays[visit] = before;
            }
        }
    }

    fn finish_car(&mut self, car: CarId) {
        if self.nodes == 0 || self.plans == 0 {
            return;
        }
        self.nodes -= 1;
        let cars = |visit: &VisitId| self.problem.visits[*visit].car;
        let own = self.problem.visits_of(car);
        let clash = own.iter().any(|&visit| {
            self.problem.visits.keys().any(|other| {
                let known = cars(&other) < car || (cars(&other) == car && other < visit);
                known && self.collide(visit, other)
            })
        });
        if clash {
            return;
        }
        self.decided += 1;
        if self.promising() {
            self.next_car();
        }
        self.decided -= 1;
    }

    fn leaf(&mut self) {
        let price = cost::cost(self.problem, &self.plan);
        if self.best.as_ref().is_none_or(|best| price < best.cost) && self.changeovers_kept() {
            self.best = Some(Optimum { cost: price, plan: self.plan.clone() });
            self.plans -= 1;
        }
    }

    fn promising(&self) -> bool {
        self.best.as_ref().is_none_or(|best| self.bound() < best.cost)
    }

    /// Returns a price below which no plan is that completes what is decided.
    ///
    /// It sums what can only grow: for each car the price of the earliest completion that its own links, readiness and
    /// fastest crews allow (or of leaving it out, if that is still open and cheaper), and overtime and changes of what
    /// is assigned. All other parts of the price are not negative.
    fn bound(&self) -> Cost {
        let problem = self.problem;
        let mut bound = if problem.objective == Objective::Makespan { Cost::MIN } else { 0 };
        for (id, car) in problem.cars.iter() {
            let price = |completion: i64| match problem.objective {
                Objective::Makespan => completion,
                Objective::Price => {
                    let late = car.promise.map_or(0, |promise| (completion - promise.minutes()).max(0));
                    car.late_weight * late + car.flow_weight * (completion - car.arrival.minutes()).max(0)
                }
            };
            let left_out = match problem.objective {
                Objective::Makespan => problem.left_out_price,
                Objective::Price => problem.left_out_price + price(problem.horizon.minutes()),
            };
            let planned = price(self.earliest_completion(id));
            let open = id.index() > self.decided || (id.index() == self.decided && !self.under_way(id));
            let own = match (self.left_out[id], open && !self.order[id].is_empty()) {
                (true, _) => left_out,
                (false, true) => planned.min(left_out),
                (false, false) => planned,
            };
            bound = if problem.objective == Objective::Makespan { bound.max(own) } else { bound + own };
        }
        if problem.objective == Objective::Price {
            for (id, assignment) in problem.operations.keys().zip(self.plan.operations.values()) {
                let Some(assignment) = assignment else { continue };
                bound += cost::overtime(problem, assignment) + cost::operation_change(problem, id, assignment);
            }
        }
        bound
    }

    fn under_way(&self, car: CarId) -> bool {
        self.order[car].iter().any(|&id| self.plan.operations[id].is_some())
    }

    fn earliest_completion(&self, car: CarId) -> i64 {
        let problem = self.problem;
        let ends = |id: OperationId| self.plan.operations[id].as_ref().map(|assignment| assignment.end.minutes());
        let mut known: Vec<(OperationId, i64)> =
            problem.operations_of(car).iter().filter_map(|&id| Some((id, ends(id)?))).collect();
        for &id in self.order[car].iter().filter(|&&id| ends(id).is_none()) {
            let ready = problem.operations[id].ready.iter().map(|ready| ready.time.minutes());
            let waits = problem.links.iter().filter(|link| link.to == id).filter_map(|link| {
                let (_, end) = known.iter().find(|(before, _)| *before == link.from)?;
                Some(end + link.min_wait.minutes())
            });
            let start = ready.chain(waits).chain([problem.now.minutes()]).max().unwrap_or(0);
            known.push((id, start + self.shortest[id]));
        }
        known.into_iter().map(|(_, end)| end).max().unwrap_or(0)
    }

    /// Returns every crew that `id` may have.
    fn crews(&self, id: OperationId) -> Vec<Vec<TechnicianId>> {
        let operation = &self.problem.operations[id];
        let mut crews: Vec<Vec<TechnicianId>> = vec![Vec::new()];
        for skill in &operation.crew {
            let mut longer = Vec::new();
            for crew in &crews {
                for (person, technician) in self.problem.technicians.iter() {
                    if !crew.contains(&person) && technician.skills.iter().any(|(own, _)| own == skill) {
                        longer.push(crew.iter().copied().chain([person]).collect());
                    }
                }
            }
            crews = longer;
        }
        if let Commitment::Pinned { technicians: Some(pinned), .. } = &operation.commitment {
            crews.retain(|crew| crew == pinned);
        }
        crews
    }

    /// Returns when `id` ends if it starts at `start`, if it can.
    fn end(&self, id: OperationId, start: i64, people: &[TechnicianId], overtime: bool) -> Option<i64> {
        let operation = &self.problem.operations[id];
        let length = length(self.problem, id, people);
        let there = |minute: i64| {
            people.iter().all(|&person| {
                let technician = &self.problem.technicians[person];
                let calendar = technician.with_overtime.filter(|_| overtime).unwrap_or(technician.calendar);
                self.open[calendar.index()].get(minute as usize).copied().unwrap_or(false)
            })
        };
        let (mut left, mut minute) = (length, start);
        while left > 0 {
            if minute >= self.problem.horizon.minutes() {
                return None;
            }
            if there(minute) {
                left -= 1;
            } else if !operation.interruptible || minute == start {
                return None;
            }
            minute += 1;
        }
        Some(minute)
    }

    /// Tells whether `assignment` keeps what no later decision can mend.
    fn allowed(&self, id: OperationId, assignment: &Assignment) -> bool {
        let problem = self.problem;
        let operation = &problem.operations[id];
        let early = assignment.start < problem.now || operation.ready.iter().any(|ready| assignment.start < ready.time);
        let pinned = match &operation.commitment {
            Commitment::Pinned { start: Some(start), .. } => *start == assignment.start,
            _ => true,
        };
        if early || !pinned {
            return false;
        }
        for link in problem.links.iter().filter(|link| link.to == id) {
            let Some(before) = &self.plan.operations[link.from] else { return false };
            let wait = assignment.start - before.end;
            if wait < link.min_wait || link.max_wait.is_some_and(|longest| wait > longest) {
                return false;
            }
        }
        if let Some(wish) = operation.same_person
            && wish.rule == SamePersonRule::Required
            && let Some(earlier) = &self.plan.operations[wish.operation]
            && !assignment.technicians.iter().any(|person| earlier.technicians.contains(person))
        {
            return false;
        }
        for (other, theirs) in self.holding() {
            let both = theirs.start < assignment.end && assignment.start < theirs.end && theirs.start < theirs.end;
            let shared = theirs.technicians.iter().any(|person| assignment.technicians.contains(person));
            if other != id && both && shared && assignment.start < assignment.end {
                return false;
            }
        }
        (assignment.start.minutes()..assignment.end.minutes()).all(|minute| self.equipment_suffices(id, minute))
    }

    /// Returns what holds people and equipment now or later.
    fn holding(&self) -> impl Iterator<Item = (OperationId, &Assignment)> {
        let over = |id: OperationId, assignment: &Assignment| self.fact(id) && assignment.end <= self.problem.now;
        self.plan
            .operations
            .iter()
            .filter_map(|(id, assignment)| Some((id, assignment.as_ref()?)))
            .filter(move |(id, assignment)| !over(*id, assignment))
    }

    fn equipment_suffices(&self, id: OperationId, minute: i64) -> bool {
        let during = |start: Time, end: Time| start.minutes() <= minute && minute < end.minutes();
        self.problem.operations[id].equipment.iter().all(|(pool, units)| {
            let equipment = &self.problem.equipment[*pool];
            let out = equipment.outages.iter().filter(|outage| during(outage.window.start(), outage.window.end()));
            let mut used = i64::from(*units) + out.map(|outage| i64::from(outage.units)).sum::<i64>();
            for (other, _) in self.holding().filter(|(other, theirs)| *other != id && during(theirs.start, theirs.end))
            {
                let own = self.problem.operations[other].equipment.iter().filter(|(asked, _)| asked == pool);
                used += own.map(|(_, units)| i64::from(*units)).sum::<i64>();
            }
            used <= i64::from(equipment.capacity)
        })
    }

    fn fact(&self, id: OperationId) -> bool {
        matches!(self.problem.operations[id].commitment, Commitment::Started { .. })
    }

    /// Tells whether nothing of `visit` is planned.
    fn settled(&self, visit: VisitId) -> bool {
        self.problem.operations_in(visit).iter().all(|&id| self.fact(id) || self.plan.operations[id].is_none())
    }

    /// Returns from when to when `visit` stands in its bay, unless it is over.
    fn stay(&self, visit: VisitId) -> Option<(i64, i64)> {
        let own = self.problem.operations_in(visit).iter().filter_map(|&id| self.plan.operations[id].as_ref());
        let times: Vec<(i64, i64)> = own.map(|a| (a.start.minutes(), a.end.minutes())).collect();
        let (start, end) = (times.iter().map(|time| time.0).min()?, times.iter().map(|time| time.1).max()?);
        (!self.settled(visit) || end > self.problem.now.minutes()).then_some((start, end))
    }

    fn bay_suits(&self, visit: VisitId, bay: BayId) -> bool {
        let bay = &self.problem.bays[bay];
        let open = &self.open[bay.calendar.index()];
        let Some((start, end)) = self.stay(visit) else { return false };
        let inside = |minute: i64| usize::try_from(minute).ok().and_then(|minute| open.get(minute)).copied();
        bay.classes.contains(&self.problem.visits[visit].class) && (start..end).all(|m| inside(m).unwrap_or(false))
    }

    /// Tells whether two visits are in one bay at once, or the same car in two.
    fn collide(&self, one: VisitId, other: VisitId) -> bool {
        let (Some(first), Some(second)) = (self.stay(one), self.stay(other)) else { return false };
        let (a, b) = (&self.problem.visits[one], &self.problem.visits[other]);
        let same_bay = self.plan.bays[one].is_some() && self.plan.bays[one] == self.plan.bays[other];
        let same_car = a.car == b.car && a.on_vehicle && b.on_vehicle;
        let at_once = first.0.max(second.0) < first.1.min(second.1);
        (same_bay || same_car) && at_once && !(self.settled(one) && self.settled(other))
    }

    fn changeovers_kept(&self) -> bool {
        let problem = self.problem;
        problem.bays.keys().all(|bay| {
            let mut stays: Vec<((i64, i64), VisitId)> = problem
                .visits
                .keys()
                .filter(|&visit| self.plan.bays[visit] == Some(bay))
                .filter_map(|visit| Some((self.stay(visit)?, visit)))
                .collect();
            stays.sort_unstable();
            stays.windows(2).all(|pair| {
                let [((_, end), before), ((start, _), after)] = [pair[0], pair[1]];
                let needed = problem.changeover(before, after).minutes();
                start - end >= needed || end > start || (self.settled(before) && self.settled(after))
            })
        })
    }
}

/// Returns whether each calendar is open, minute by minute.
fn open_minutes(problem: &Problem) -> Vec<Vec<bool>> {
    let open = |calendar: &fitup_model::Calendar| {
        let inside = |minute: i64| {
            calendar.windows().iter().any(|w| w.start().minutes() <= minute && minute < w.end().minutes())
        };
        (0..problem.horizon.minutes()).map(inside).collect()
    };
    problem.calendars.values().map(open).collect()
}

/// Returns the operations of `car` that are no facts, each after those that it is linked after.
fn in_order(problem: &Problem, car: CarId) -> Vec<OperationId> {
    let mut order: Vec<OperationId> = Vec::new();
    let own = problem.operations_of(car);
    while order.len() < own.len() {
        let ready = |id: &&OperationId| {
            let before = problem.links.iter().filter(|link| link.to == **id);
            !order.contains(id) && before.into_iter().all(|link| order.contains(&link.from))
        };
        let next = *own.iter().find(ready).expect("links have no cycle");
        order.push(next);
    }
    order.retain(|&id| !matches!(problem.operations[id].commitment, Commitment::Started { .. }));
    order
}

/// Returns how many minutes `people` take: the first multiple of the grid in which each has done the work.
fn length(problem: &Problem, id: OperationId, people: &[TechnicianId]) -> i64 {
    let operation = &problem.operations[id];
    let efficiencies: Vec<u32> = people
        .iter()
        .zip(&operation.crew)
        .filter_map(|(&person, skill)| problem.technicians[person].skills.iter().find(|(own, _)| own == skill))
        .map(|(_, efficiency)| efficiency.0)
        .collect();
    let done = |minutes: i64| {
        let by = |thousandths: u32| minutes * i64::from(thousandths) >= operation.work.minutes() * 1000;
        if efficiencies.is_empty() { by(1000) } else { efficiencies.iter().all(|&thousandths| by(thousandths)) }
    };
    (0..).map(|steps| steps * problem.grid.minutes()).find(|&minutes| done(minutes)).unwrap_or(0)
}

fn shortest(problem: &Problem, id: OperationId) -> i64 {
    let crew = &problem.operations[id].crew;
    let fastest =
        |skill| problem.technicians.values().flat_map(move |t| t.skills.iter().filter(move |(own, _)| own == skill));
    let grid = problem.grid.minutes();
    let work = problem.operations[id].work.minutes();
    // The slowest of the crew decides, and each place is filled by the fastest at best.
    let places = crew.iter().filter_map(|skill| fastest(skill).map(|(_, efficiency)| i64::from(efficiency.0)).max());
    let longest = places.map(|thousandths| (work * 1000 + thousandths - 1) / thousandths).max();
    let minutes = longest.unwrap_or(work);
    (minutes + grid - 1) / grid * grid
}
