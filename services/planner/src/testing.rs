//! Small nasty problems for tests: every feature of the model turns up, most of them in each other's way.

use fitup_model::keyed::{
    BayClassId, BayId, CalendarId, CarId, EquipmentId, FamilyId, Key, OperationId, SkillId, TechnicianId, VisitId,
};
use fitup_model::problem::{
    Bay, BayChoice, Car, Changeover, Commitment, Efficiency, Equipment, Link, Objective, Operation, Outage, Outside,
    Published, PublishedBay, Ready, ReadyReason, SamePerson, SamePersonRule, Technician, Visit,
};
use fitup_model::{Calendar, Problem, ProblemData, Span, Time, Window};

use crate::random::Random;

/// Returns the problem that belongs to `seed`.
pub fn problem(seed: u64) -> Problem {
    let data = Generator { random: Random::new(seed, 99), data: ProblemData::empty(span(15), time(3000)) }.generate();
    Problem::new(data).unwrap_or_else(|faults| panic!("seed {seed}: {faults:?}"))
}

fn span(minutes: i64) -> Span {
    Span::from_minutes(minutes)
}

fn time(minutes: i64) -> Time {
    Time::from_minutes(minutes)
}

struct Generator {
    random: Random,
    data: ProblemData,
}

impl Generator {
    fn chance(&mut self, percent: usize) -> bool {
        self.random.below(100) < percent
    }

    fn between(&mut self, from: i64, to: i64) -> i64 {
        from + self.random.below((to - from + 1) as usize) as i64
    }

    fn any<K: Key>(&mut self, count: usize) -> K {
        K::from_index(self.random.below(count))
    }

    fn generate(mut self) -> ProblemData {
        let days = [time(0), time(1000), time(2000)];
        self.data.days = days.to_vec();
        self.data.now = time([0, 0, 120, 127, 1000][self.random.below(5)]);
        self.data.objective = if self.chance(15) { Objective::Makespan } else { Objective::Price };
        self.data.overtime_weight = self.between(0, 3);
        self.data.left_out_price = 1_000_000;
        if self.chance(20) {
            self.data.outside = Some(Outside { limit: self.between(0, 2) as u32, weight: self.between(1, 3) });
        }
        self.add_resources();
        for _ in 0..self.between(1, 4) {
            self.add_car();
        }
        self.data
    }

    /// Adds a calendar that is open for a part of each day, sometimes off the grid.
    fn calendar(&mut self, widest: i64) -> CalendarId {
        let odd = if self.chance(15) { self.between(1, 14) } else { 0 };
        let from = self.between(0, 20) * 15 + odd;
        let length = self.between(widest / 30, widest / 15) * 15;
        let windows = (0..3).filter_map(|day| {
            let start = day * 1000 + from;
            Window::new(time(start), time((start + length).min(day * 1000 + 1000)))
        });
        let calendar = Calendar::new(windows.collect());
        self.data.calendars.push(calendar)
    }

    fn add_resources(&mut self) {
        let always = self.data.calendars.push(Calendar::always(time(0), time(3000)));
        for class in ["body", "paint"] {
            self.data.bay_classes.push(class.into());
        }
        for bay in 0..self.between(1, 3) {
            let mut classes = vec![BayClassId::from_index(bay as usize % 2)];
            if self.chance(30) {
                classes.push(BayClassId::from_index((bay as usize + 1) % 2));
            }
            let calendar = if self.chance(30) { self.calendar(900) } else { always };
            self.data.bays.push(Bay { name: format!("bay-{bay}"), classes, calendar });
        }
        for pool in 0..self.between(0, 2) {
            let capacity = self.between(1, 2) as u32;
            let mut outages = Vec::new();
            if self.chance(30) {
                let start = self.between(0, 1500);
                let window = Window::new(time(start), time(start + self.between(1, 500))).expect("ends later");
                outages.push(Outage { window, units: 1 });
            }
            self.data.equipment.push(Equipment { name: format!("pool-{pool}"), capacity, outages });
        }
        for skill in ["metal", "paint", "glass"] {
            self.data.skills.push(skill.into());
        }
        for person in 0..self.between(1, 4) {
            let calendar = self.calendar(700);
            let with_overtime = self.chance(30).then(|| {
                let longer = self.calendar(900);
                let both = self.data.calendars[calendar].union(&self.data.calendars[longer]);
                self.data.calendars.push(both)
            });
            let mut skills = Vec::new();
            for skill in 0..3 {
                if self.chance(65) {
                    skills
                        .push((SkillId::from_index(skill), Efficiency([800, 1000, 1250, 1333][self.random.below(4)])));
                }
            }
            self.data.technicians.push(Technician { name: format!("tech-{person}"), calendar, with_overtime, skills });
        }
        for family in ["water", "solvent"] {
            self.data.families.push(family.into());
        }
        if self.chance(40) {
            for (from, to) in [(0, 1), (1, 0)] {
                let span = span(self.between(0, 90));
                let (from, to) = (FamilyId::from_index(from), FamilyId::from_index(to));
                self.data.changeovers.push(Changeover { from, to, span });
            }
        }
    }

    fn add_car(&mut self) {
        let arrival = self.between(0, 600);
        let promise = self.chance(80).then(|| time(arrival + self.between(0, 1500)));
        let (late_weight, flow_weight) = (self.between(0, 5), self.between(0, 2));
        let name = format!("car-{}", self.data.cars.len());
        let car =
            self.data.cars.push(Car { name: name.clone(), arrival: time(arrival), promise, late_weight, flow_weight });
        let count = self.between(1, 6) as usize;
        let first = self.data.operations.len();
        let mut visits: Vec<VisitId> = Vec::new();
        let mut open: Option<VisitId> = None;
        for number in 0..count {
            if self.chance(50) || open.is_none() {
                open = self.chance(70).then(|| self.add_visit(car, visits.len()));
                visits.extend(open);
            }
            self.add_operation(car, open, &format!("{name}/{number}"), time(arrival));
        }
        for to in first + 1..first + count {
            for from in first..to {
                if self.chance(if from + 1 == to { 70 } else { 15 }) {
                    let min_wait = if self.chance(20) { span(self.between(-30, 60)) } else { Span::ZERO };
                    let max_wait = self.chance(25).then(|| min_wait + span(self.between(0, 400)));
                    let (from, to) = (OperationId::from_index(from), OperationId::from_index(to));
                    self.data.links.push(Link { from, to, min_wait, max_wait });
                    if self.chance(15) {
                        let price = self.between(1, 300);
                        let rule =
                            if self.chance(50) { SamePersonRule::Required } else { SamePersonRule::Preferred(price) };
                        self.data.operations[to].same_person = Some(SamePerson { operation: from, rule });
                    }
                }
            }
        }
        if self.chance(25) && self.data.now > time(0) {
            self.start(first, count);
        }
    }

    fn add_visit(&mut self, car: CarId, number: usize) -> VisitId {
        let bays = self.data.bays.len();
        let class = BayClassId::from_index(self.random.below(2));
        let serving = |data: &ProblemData, bay: BayId| data.bays[bay].classes.contains(&class);
        let pinned: BayId = self.any(bays);
        let bay =
            if self.chance(10) && serving(&self.data, pinned) { BayChoice::Pinned(pinned) } else { BayChoice::Free };
        let published = self.chance(20).then(|| PublishedBay { bay: self.any(bays), price: self.between(0, 500) });
        let name = format!("{}/{number}", self.data.cars[car].name);
        let family = self.chance(60).then(|| self.any(2));
        let on_vehicle = self.chance(75);
        self.data.visits.push(Visit { name, car, class, on_vehicle, family, bay, published })
    }

    fn add_operation(&mut self, car: CarId, visit: Option<VisitId>, name: &str, arrival: Time) {
        let attended = self.chance(75);
        let people = self.data.technicians.len();
        let crew: Vec<SkillId> = match attended {
            true => (0..if self.chance(20) { 2 } else { 1 }).map(|_| self.any(3)).collect(),
            false => Vec::new(),
        };
        let milestone = !attended && visit.is_none() && self.chance(20);
        let work = if milestone { 0 } else { self.between(1, 200) };
        let mut equipment: Vec<(EquipmentId, u32)> = Vec::new();
        if !self.data.equipment.is_empty() && self.chance(25) {
            equipment.push((self.any(self.data.equipment.len()), 1));
        }
        let mut ready = vec![Ready { time: arrival, reason: ReadyReason::Arrival }];
        if self.chance(15) {
            ready.push(Ready { time: time(self.between(0, 1500)), reason: ReadyReason::Part("panel".into()) });
        }
        let commitment = match self.random.below(12) {
            0 => Commitment::Pinned { technicians: None, start: Some(time(self.between(0, 120) * 15)) },
            1 if people >= crew.len() && !crew.is_empty() => {
                let technicians = crew.iter().map(|_| self.any(people)).collect();
                Commitment::Pinned { technicians: Some(technicians), start: None }
            }
            _ => Commitment::Free,
        };
        let published = self.chance(20).then(|| Published {
            start: time(self.between(0, 2500)),
            technicians: vec![self.any(people)],
            person_price: self.between(0, 200),
            day_price: self.between(0, 200),
        });
        let interruptible = !crew.is_empty() && self.chance(60);
        self.data.operations.push(Operation {
            name: name.into(),
            car,
            visit,
            work: span(work),
            spread: None,
            interruptible,
            crew,
            equipment,
            ready,
            commitment,
            same_person: None,
            published,
        });
    }

    /// Says that the first operations of a car have started.
    fn start(&mut self, first: usize, count: usize) {
        let people = self.data.technicians.len();
        let now = self.data.now.minutes();
        for index in first..first + 1 + self.random.below(count) {
            let id = OperationId::from_index(index);
            let start = time(now - self.between(0, 100));
            let end = time(start.minutes() + self.between(0, 200));
            let technicians: Vec<TechnicianId> = if self.chance(80) { vec![self.any(people)] } else { Vec::new() };
            self.data.operations[id].commitment = Commitment::Started { start, end, technicians };
            if let Some(visit) = self.data.operations[id].visit {
                let bay = self.any(self.data.bays.len());
                if !matches!(self.data.visits[visit].bay, BayChoice::Entered(_)) {
                    self.data.visits[visit].bay = BayChoice::Entered(bay);
                }
            }
        }
    }
}
