//! The problem that is left when some rules are given up.

use fitup_model::keyed::{CarId, KeyedVec, OperationId, VisitId};
use fitup_model::problem::{
    Bay, BayChoice, Commitment, Efficiency, Objective, Operation, SamePersonRule, Technician, Visit,
};
use fitup_model::{Calendar, Plan, Problem, ProblemData, Span, Time, Window};

use super::rules::{Rule, rules};

/// Price of a car that is left out, where nothing else costs anything.
const LEFT_OUT: i64 = 1_000_000;

/// Returns the problem of `car` beside those cars of `plan` that `kept` names, where of all its rules only `kept` hold;
/// `None` if that is no problem.
///
/// Cars of the plan are pinned to where they stand; of other cars there is what has happened. Nothing costs anything but to leave a car out.
pub fn relaxed(problem: &Problem, plan: &Plan, car: CarId, kept: &[Rule]) -> Option<Problem> {
    let mut part = Part::new(problem, plan, car, kept);
    for rule in rules(problem, plan, car).iter().filter(|rule| !kept.contains(rule)) {
        part.give_up(rule);
    }
    Problem::new(part.data).ok()
}

/// A problem with some of the cars.
struct Part<'p> {
    problem: &'p Problem,
    data: ProblemData,
    /// The key of the car in the part.
    car: CarId,
    operations: KeyedVec<OperationId, Option<OperationId>>,
    visits: KeyedVec<VisitId, Option<VisitId>>,
}

impl Part<'_> {
    fn new<'p>(problem: &'p Problem, plan: &Plan, car: CarId, kept: &[Rule]) -> Part<'p> {
        let mut data = ProblemData {
            objective: Objective::Price,
            cars: KeyedVec::new(),
            visits: KeyedVec::new(),
            operations: KeyedVec::new(),
            links: Vec::new(),
            overtime_weight: 0,
            left_out_price: LEFT_OUT,
            outside: None,
            ..ProblemData::clone(problem)
        };
        let mut cars = KeyedVec::filled(None, problem.cars.len());
        for (id, other) in problem.cars.iter().filter(|(id, _)| *id == car || kept.contains(&Rule::Car(*id))) {
            cars[id] =
                Some(data.cars.push(fitup_model::problem::Car { late_weight: 0, flow_weight: 0, ..other.clone() }));
        }
        // Of another car that the plan leaves out there is only what has happened.
        let stands =
            |id: OperationId| problem.operations[id].car == car || plan.operations.get(id).is_some_and(Option::is_some);
        let mut visits = KeyedVec::filled(None, problem.visits.len());
        for (id, visit) in problem.visits.iter() {
            let Some(new) = cars[visit.car].filter(|_| problem.operations_in(id).iter().any(|&id| stands(id))) else {
                continue;
            };
            let bay = match (visit.bay, plan.bays.get(id).copied().flatten()) {
                (BayChoice::Free, Some(bay)) if visit.car != car => BayChoice::Pinned(bay),
                (choice, _) => choice,
            };
            visits[id] = Some(data.visits.push(Visit { car: new, bay, published: None, ..visit.clone() }));
        }
        let mut operations: KeyedVec<OperationId, Option<OperationId>> =
            KeyedVec::filled(None, problem.operations.len());
        for (id, operation) in problem.operations.iter() {
            let Some(new) = cars[operation.car].filter(|_| stands(id)) else { continue };
            let commitment = match (&operation.commitment, plan.operations.get(id)) {
                (Commitment::Started { .. }, _) => operation.commitment.clone(),
                (_, Some(Some(assignment))) if operation.car != car => Commitment::Pinned {
                    technicians: Some(assignment.technicians.clone()),
                    start: Some(assignment.start),
                },
                (commitment, _) => commitment.clone(),
            };
            operations[id] = Some(data.operations.push(Operation {
                car: new,
                visit: operation.visit.and_then(|visit| visits[visit]),
                commitment,
                published: None,
                ..operation.clone()
            }));
        }
        for (id, operation) in problem.operations.iter() {
            let (Some(new), Some(wish)) = (operations[id], operation.same_person) else { continue };
            let earlier = operations[wish.operation].filter(|_| wish.rule == SamePersonRule::Required);
            data.operations[new].same_person =
                earlier.map(|operation| fitup_model::problem::SamePerson { operation, ..wish });
        }
        for link in &problem.links {
            if let (Some(from), Some(to)) = (operations[link.from], operations[link.to]) {
                data.links.push(fitup_model::problem::Link { from, to, ..*link });
            }
        }
        let car = cars[car].expect("the car itself is in its part");
        Part { problem, data, car, operations, visits }
    }

    fn own(&self) -> Vec<OperationId> {
        let car = self.car;
        self.data.operations.iter().filter(|(_, operation)| operation.car == car).map(|(id, _)| id).collect()
    }

    fn give_up(&mut self, rule: &Rule) {
        let operation = |id: &OperationId| self.operations[*id].expect("the rules of the car name its operations");
        match rule {
            Rule::Horizon => self.extend_horizon(),
            Rule::People(skill) => {
                let places = |operation: &Operation| operation.crew.iter().filter(|own| *own == skill).count();
                let count = self.own().into_iter().map(|id| places(&self.data.operations[id])).max().unwrap_or(0);
                let fastest = |technician: &Technician| {
                    technician.skills.iter().find(|(own, _)| own == skill).map(|(_, efficiency)| *efficiency)
                };
                let efficiency = self.data.technicians.values().filter_map(fastest).max();
                let calendar = self.always();
                for _ in 0..count {
                    self.data.technicians.push(Technician {
                        name: "one more".into(),
                        calendar,
                        with_overtime: None,
                        skills: vec![(*skill, efficiency.unwrap_or(Efficiency::NORMAL).max(Efficiency::NORMAL))],
                    });
                }
            }
            Rule::Bays(class) => {
                let calendar = self.always();
                self.data.bays.push(Bay { name: "one more".into(), classes: vec![*class], calendar });
            }
            Rule::Equipment(pool) => {
                let units = |id: OperationId| {
                    self.data.operations[id]
                        .equipment
                        .iter()
                        .find(|(own, _)| own == pool)
                        .map_or(0, |(_, units)| *units)
                };
                let most = self.own().into_iter().map(units).max().unwrap_or(0);
                let pool = &mut self.data.equipment[*pool];
                pool.capacity = pool.capacity.saturating_add(most);
                pool.outages.clear();
            }
            Rule::Ready(reason) => {
                for id in self.own() {
                    self.data.operations[id].ready.retain(|ready| ready.reason != *reason);
                }
            }
            Rule::PinnedStart(id) => {
                let id = operation(id);
                if let Commitment::Pinned { start, .. } = &mut self.data.operations[id].commitment {
                    *start = None;
                }
            }
            Rule::PinnedCrew(id) => {
                let id = operation(id);
                if let Commitment::Pinned { technicians, .. } = &mut self.data.operations[id].commitment {
                    *technicians = None;
                }
            }
            Rule::PinnedBay(id) => {
                let id = self.visits[*id].expect("the rules of the car name its visits");
                self.data.visits[id].bay = BayChoice::Free;
            }
            Rule::ShortestWait(from, to) => {
                let (from, to) = (operation(from), operation(to));
                let whenever = self.data.now.min(Time::ORIGIN) - self.last();
                for link in self.data.links.iter_mut().filter(|link| link.from == from && link.to == to) {
                    link.min_wait = whenever.min(link.min_wait);
                }
            }
            Rule::LongestWait(from, to) => {
                let (from, to) = (operation(from), operation(to));
                for link in self.data.links.iter_mut().filter(|link| link.from == from && link.to == to) {
                    link.max_wait = None;
                }
            }
            Rule::AtOneGo(id) => {
                let id = operation(id);
                self.data.operations[id].interruptible = true;
            }
            Rule::SamePerson(id) => {
                let id = operation(id);
                self.data.operations[id].same_person = None;
            }
            Rule::Changeovers => self.data.changeovers.clear(),
            // Left out of the part from the beginning.
            Rule::Car(_) => {}
        }
    }

    /// Adds a calendar that is open all the time.
    fn always(&mut self) -> fitup_model::keyed::CalendarId {
        let until = self.last();
        self.data.calendars.push(Calendar::always(Time::ORIGIN.min(self.data.now), until))
    }

    /// Returns when all could be done one thing after another, with the fewest people, whatever the horizon.
    fn last(&self) -> Time {
        let slowest = self.problem.technicians.values().flat_map(|technician| &technician.skills);
        let slowest =
            slowest.map(|(_, efficiency)| *efficiency).min().unwrap_or(Efficiency::NORMAL).min(Efficiency::NORMAL);
        let (mut from, mut length) = (self.problem.horizon, Span::ZERO);
        for (id, new) in self.operations.iter().filter_map(|(id, new)| Some((id, (*new)?))) {
            if self.data.operations[new].car != self.car {
                continue;
            }
            let operation = &self.problem.operations[id];
            from = operation.ready.iter().fold(from, |from, ready| from.max(ready.time));
            if let Commitment::Pinned { start: Some(start), .. } = operation.commitment {
                from = from.max(start);
            }
            length = length + slowest.time_for(operation.work, self.problem.grid) + self.problem.grid;
        }
        for link in self.problem.links.iter().filter(|link| self.operations[link.from].is_some()) {
            length = length + link.min_wait.max(Span::ZERO);
        }
        (from + length).ceil_to(self.problem.grid)
    }

    fn extend_horizon(&mut self) {
        let (from, until) = (self.data.horizon, self.last());
        let after: Calendar = Calendar::new(Window::new(from, until).into_iter().collect());
        let all: Vec<_> = self.data.calendars.keys().collect();
        for id in all {
            self.data.calendars[id] = self.data.calendars[id].union(&after);
        }
        self.data.horizon = until;
    }
}
