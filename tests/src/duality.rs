//! Adds up a certificate of the planner's bound again, in exact arithmetic and by trying everything.
//!
//! For prices `m >= 0` of what is scarce, the least over all plans that keep the rules of each car, capacities aside, of
//! `price + m x use`, less `m x capacity`, is a lower bound (Lagrangian relaxation: Geoffrion (1974),
//! doi:10.1007/BFb0120690). The least is found car by car by enumeration, minute by minute. It shares nothing with the
//! planner but the numbers of the certificate. Rules that a car breaks beside what has happened are those of the checker.

use fitup_model::check::Rule;
use fitup_model::keyed::{BayId, CarId, OperationId, TechnicianId, VisitId};
use fitup_model::problem::{BayChoice, Commitment, SamePersonRule};
use fitup_model::{Assignment, Cost, Plan, Problem, Time, Window, check, cost};
use fitup_planner::bound::certificate::{Certificate, Held, PricedTime};

/// Returns the bound that the prices of `certificate` prove for `problem`, in `1 / scale`; `None` if that takes more
/// than `limit` timetables. Room outside is not priced.
///
/// # Panics
/// If a price is negative: then it proves nothing.
pub fn proven(problem: &Problem, certificate: &Certificate, limit: u64) -> Option<i128> {
    assert!(certificate.prices.iter().all(|price| price.minute >= 0), "a negative price");
    let nothing = Plan::nothing_new(problem);
    let mut search = Cars { problem, certificate, base: cost::cost(problem, &nothing), left: limit, plan: nothing };
    let mut value = i128::from(search.base) * i128::from(certificate.scale);
    for car in problem.cars.keys() {
        value += search.least(car)?;
    }
    for price in &certificate.prices {
        value -= i128::from(price.minute) * i128::from(capacity(problem, price));
    }
    Some(value)
}

/// Returns what `window` of one more unit costs at the prices whose `held` is wanted, in `1 / scale`.
pub fn worth(certificate: &Certificate, window: Window, wanted: impl Fn(&Held) -> bool) -> i128 {
    let prices = certificate.prices.iter().filter(|price| wanted(&price.held));
    prices.map(|price| i128::from(price.minute) * i128::from(overlap(price.window, window))).sum()
}

/// Returns the bays that `visit` can take.
fn choices(problem: &Problem, visit: VisitId) -> Vec<BayId> {
    let visit = &problem.visits[visit];
    let serves = |bay: &BayId| problem.bays[*bay].classes.contains(&visit.class);
    match visit.bay {
        BayChoice::Entered(bay) => vec![bay],
        BayChoice::Pinned(bay) => Some(bay).filter(serves).into_iter().collect(),
        BayChoice::Free => problem.bays.keys().filter(serves).collect(),
    }
}

fn overlap(one: Window, other: Window) -> i64 {
    (one.end().min(other.end()) - one.start().max(other.start())).minutes().max(0)
}

/// Returns the minutes in which planned work, all of whose starts and ends are whole steps from now, can use units of
/// what is priced.
fn capacity(problem: &Problem, price: &PricedTime) -> i64 {
    let step = step(problem);
    let base = problem.now.minutes().div_euclid(problem.grid.minutes()) * problem.grid.minutes();
    let (from, until) = (price.window.start().minutes(), price.window.end().minutes());
    assert!((from - base) % step == 0 && (until - base) % step == 0, "prices change within a step");
    let steps = (from..until).step_by(step as usize);
    steps
        .map(|start| step * (start..start + step).map(|minute| units(problem, &price.held, minute)).min().unwrap_or(0))
        .sum()
}

/// Returns the greatest span that all starts and ends of planned work are multiples of.
fn step(problem: &Problem) -> i64 {
    let divisor = |mut a: i64, mut b: i64| {
        while b != 0 {
            (a, b) = (b, a % b);
        }
        a.abs()
    };
    let grid = problem.grid.minutes();
    let base = problem.now.minutes().div_euclid(grid) * grid;
    let mut step = grid;
    for technician in problem.technicians.values() {
        for calendar in [Some(technician.calendar), technician.with_overtime].into_iter().flatten() {
            for window in problem.calendars[calendar].windows() {
                for edge in [window.start(), window.end()] {
                    if edge > problem.now && edge < problem.horizon {
                        step = divisor(step, edge.minutes() - base);
                    }
                }
            }
        }
    }
    step
}

/// Returns the units that planned work can use in a minute.
fn units(problem: &Problem, held: &Held, minute: i64) -> i64 {
    let during = |start: Time, end: Time| start.minutes() <= minute && minute < end.minutes();
    let running = problem.operations.values().filter(|operation| {
        matches!(operation.commitment, Commitment::Started { start, end, .. } if end > problem.now && during(start, end))
    });
    match held {
        Held::Person(person) => {
            let mut own = running.filter(|operation| {
                matches!(&operation.commitment, Commitment::Started { technicians, .. } if technicians.contains(person))
            });
            i64::from(own.next().is_none())
        }
        Held::Equipment(pool) => {
            let data = &problem.equipment[*pool];
            let used = running.flat_map(|operation| &operation.equipment).filter(|(own, _)| own == pool);
            let used: i64 = used.map(|(_, units)| i64::from(*units)).sum();
            let out = data.outages.iter().filter(|outage| during(outage.window.start(), outage.window.end()));
            (i64::from(data.capacity) - used - out.map(|outage| i64::from(outage.units)).sum::<i64>()).max(0)
        }
        Held::Bays(set) => set.iter().filter(|&&bay| bay_is_there(problem, bay, minute)).count() as i64,
    }
}

/// Tells whether planned work can be in `bay` in a minute: it is open, or a car that stands in it need not ask for that,
/// and no visit that is over but for what is running holds it.
fn bay_is_there(problem: &Problem, bay: BayId, minute: i64) -> bool {
    let calendar = &problem.calendars[problem.bays[bay].calendar];
    let open = calendar.windows().iter().any(|w| w.start().minutes() <= minute && minute < w.end().minutes());
    let fact = |id: &OperationId| match problem.operations[*id].commitment {
        Commitment::Started { end, .. } => Some(end),
        _ => None,
    };
    let entered = problem.visits.keys().filter(|&visit| problem.visits[visit].bay == BayChoice::Entered(bay));
    let (mut stays_on, mut held) = (false, false);
    for visit in entered {
        let own = problem.operations_in(visit);
        let last = own.iter().filter_map(fact).max();
        if own.iter().any(|id| fact(id).is_none()) {
            stays_on = true;
        } else if let Some(last) = last.filter(|&last| last > problem.now) {
            held |= minute < last.minutes();
        }
    }
    (open || stays_on) && !held
}

struct Cars<'a> {
    problem: &'a Problem,
    certificate: &'a Certificate,
    /// Price of planning nothing new.
    base: Cost,
    /// Timetables that may still be tried.
    left: u64,
    plan: Plan,
}

impl Cars<'_> {
    /// Returns by how much a car at its cheapest differs from leaving it out; never more than 0.
    fn least(&mut self, car: CarId) -> Option<i128> {
        let mut open: Vec<OperationId> = Vec::new();
        let own = self.problem.operations_of(car);
        let is_fact = |id: OperationId| matches!(self.problem.operations[id].commitment, Commitment::Started { .. });
        while open.len() < own.iter().filter(|&&id| !is_fact(id)).count() {
            let ready = |id: OperationId| {
                let mut before = self.problem.links.iter().filter(|link| link.to == id).map(|link| link.from);
                !is_fact(id) && !open.contains(&id) && before.all(|from| is_fact(from) || open.contains(&from))
            };
            open.push(own.iter().copied().find(|&id| ready(id)).expect("links have no cycle"));
        }
        let mut best = 0;
        let bays = self.problem.visits_of(car).iter().all(|&visit| !choices(self.problem, visit).is_empty());
        if !open.is_empty() && bays {
            for &visit in self.problem.visits_of(car) {
                let published = self.problem.visits[visit].published.map(|published| published.bay);
                let choices = choices(self.problem, visit);
                let bay = published.filter(|bay| choices.contains(bay)).or(choices.first().copied());
                self.plan.bays[visit] = bay;
            }
            self.try_all(car, &open, 0, &mut best)?;
            let nothing = Plan::nothing_new(self.problem);
            for &visit in self.problem.visits_of(car) {
                self.plan.bays[visit] = nothing.bays[visit];
            }
        }
        Some(best)
    }

    fn try_all(&mut self, car: CarId, open: &[OperationId], rent: i128, best: &mut i128) -> Option<()> {
        let Some((&id, rest)) = open.split_first() else {
            self.left = self.left.checked_sub(1)?;
            let price =
                i128::from(cost::cost(self.problem, &self.plan) - self.base) * i128::from(self.certificate.scale);
            let price = price + rent + self.rent_of_bays(car);
            let visits = self.problem.visits_of(car);
            if price < *best && self.finds_bays(visits) {
                *best = price;
            }
            return Some(());
        };
        for technicians in self.crews(id) {
            let first =
                self.problem.now.minutes().div_euclid(self.problem.grid.minutes()) * self.problem.grid.minutes();
            for start in (first..=self.problem.horizon.minutes()).step_by(self.problem.grid.minutes() as usize) {
                for overtime in [false, true] {
                    let Some(end) = self.end(id, start, &technicians, overtime) else { continue };
                    let assignment = Assignment {
                        start: Time::from_minutes(start),
                        end: Time::from_minutes(end),
                        technicians: technicians.clone(),
                        overtime,
                    };
                    if !self.allowed(id, &assignment) {
                        continue;
                    }
                    let more = self.rent_of(id, &assignment);
                    self.plan.operations[id] = Some(assignment);
                    self.try_all(car, rest, rent + more, best)?;
                    self.plan.operations[id] = None;
                }
            }
        }
        Some(())
    }

    fn rent_of(&self, id: OperationId, assignment: &Assignment) -> i128 {
        let window = assignment.window();
        let units = |held: &Held| match held {
            Held::Person(person) => i64::from(assignment.technicians.contains(person)),
            Held::Equipment(pool) => {
                let own = self.problem.operations[id].equipment.iter().find(|(own, _)| own == pool);
                own.map_or(0, |(_, units)| i64::from(*units))
            }
            Held::Bays(_) => 0,
        };
        let prices = self.certificate.prices.iter();
        prices
            .map(|price| i128::from(price.minute) * i128::from(units(&price.held) * overlap(price.window, window)))
            .sum()
    }

    /// Returns what the visits of a car pay for their bays.
    fn rent_of_bays(&self, car: CarId) -> i128 {
        let mut rent = 0;
        for &visit in self.problem.visits_of(car) {
            let planned = self
                .problem
                .operations_in(visit)
                .iter()
                .filter(|&&id| !matches!(self.problem.operations[id].commitment, Commitment::Started { .. }));
            let own: Vec<&Assignment> = planned.filter_map(|&id| self.plan.operations[id].as_ref()).collect();
            let (Some(start), Some(end)) = (own.iter().map(|a| a.start).min(), own.iter().map(|a| a.end).max()) else {
                continue;
            };
            let choices = choices(self.problem, visit);
            let stay = Window::new(start, end.max(start)).expect("ends no earlier than it starts");
            rent += worth(
                self.certificate,
                stay,
                |held| matches!(held, Held::Bays(set) if choices.iter().all(|bay| set.contains(bay))),
            );
        }
        rent
    }

    /// Tells whether a car can stand in some bays like this, beside what has happened to all others.
    fn finds_bays(&mut self, visits: &[VisitId]) -> bool {
        let Some((&visit, rest)) = visits.split_first() else {
            // A changeover is asked for between neighbours, and a visit in between may do without.
            return check(self.problem, &self.plan).iter().all(|violation| violation.rule == Rule::Changeover);
        };
        let choices = choices(self.problem, visit);
        let before = self.plan.bays[visit];
        let found = choices.into_iter().any(|bay| {
            self.plan.bays[visit] = Some(bay);
            self.finds_bays(rest)
        });
        self.plan.bays[visit] = before;
        found
    }

    fn crews(&self, id: OperationId) -> Vec<Vec<TechnicianId>> {
        let operation = &self.problem.operations[id];
        let mut crews: Vec<Vec<TechnicianId>> = vec![Vec::new()];
        for skill in &operation.crew {
            let longer = crews.iter().flat_map(|crew| {
                let able = self
                    .problem
                    .technicians
                    .keys()
                    .filter(|&person| !crew.contains(&person) && self.problem.efficiency(person, *skill).is_some());
                able.map(|person| crew.iter().copied().chain([person]).collect()).collect::<Vec<_>>()
            });
            crews = longer.collect();
        }
        if let Commitment::Pinned { technicians: Some(pinned), .. } = &operation.commitment {
            crews.retain(|crew| crew == pinned);
        }
        crews
    }

    /// Returns when an operation ends that starts at a minute, if it can.
    fn end(&self, id: OperationId, start: i64, people: &[TechnicianId], overtime: bool) -> Option<i64> {
        let operation = &self.problem.operations[id];
        let grid = self.problem.grid.minutes();
        let of_one = |skill, person| {
            let thousandths = i64::from(self.problem.efficiency(person, skill).expect("he is able").0);
            (operation.work.minutes() * 1000 + thousandths - 1) / thousandths
        };
        let slowest = operation.crew.iter().zip(people).map(|(&skill, &person)| of_one(skill, person)).max();
        let length = (slowest.unwrap_or(operation.work.minutes()) + grid - 1) / grid * grid;
        let calendars: Vec<_> = people
            .iter()
            .map(|&person| {
                let technician = &self.problem.technicians[person];
                let id = technician.with_overtime.filter(|_| overtime).unwrap_or(technician.calendar);
                &self.problem.calendars[id]
            })
            .collect();
        if overtime && people.iter().all(|&person| self.problem.technicians[person].with_overtime.is_none()) {
            return None;
        }
        let (mut left, mut minute) = (length, start);
        while left > 0 {
            let open = calendars.iter().all(|calendar| calendar.window_at(Time::from_minutes(minute)).is_some());
            if !open && (!operation.interruptible || minute == start) || minute >= self.problem.horizon.minutes() {
                return None;
            }
            left -= i64::from(open);
            minute += 1;
        }
        Some(minute)
    }

    fn allowed(&self, id: OperationId, assignment: &Assignment) -> bool {
        let problem = self.problem;
        let operation = &problem.operations[id];
        let pinned =
            matches!(operation.commitment, Commitment::Pinned { start: Some(start), .. } if start != assignment.start);
        let early = assignment.start < problem.now || operation.ready.iter().any(|ready| assignment.start < ready.time);
        let links = problem.links.iter().filter(|link| link.to == id).all(|link| {
            let end = self.plan.operations[link.from].as_ref().map(|before| before.end);
            end.is_some_and(|end| {
                let wait = assignment.start - end;
                wait >= link.min_wait && link.max_wait.is_none_or(|longest| wait <= longest)
            })
        });
        let same_person =
            operation.same_person.filter(|wish| wish.rule == SamePersonRule::Required).is_none_or(|wish| {
                let earlier = self.plan.operations[wish.operation].as_ref();
                earlier.is_none_or(|earlier| earlier.technicians.iter().any(|own| assignment.technicians.contains(own)))
            });
        let pools = operation.equipment.iter().all(|&(pool, units)| units <= problem.equipment[pool].capacity);
        !pinned && !early && links && same_person && pools
    }
}
