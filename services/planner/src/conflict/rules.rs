//! The rules that can be given up for a car, and their names.

use fitup_model::keyed::{BayClassId, CarId, EquipmentId, OperationId, SkillId, VisitId};
use fitup_model::problem::{BayChoice, Commitment, ReadyReason, SamePersonRule};
use fitup_model::{Plan, Problem, Time};

/// A rule that keeps a car out, and what it means to give it up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Rule {
    /// All ends by the horizon. Given up: the plan goes on after it, with everything open.
    Horizon,
    /// The people with a skill and their hours. Given up: one more crew of it, always there.
    People(SkillId),
    /// The bays of a class and their hours. Given up: one more bay of it, always open.
    Bays(BayClassId),
    /// The pieces of a pool. Given up: as many more as one operation asks for, and none out of service.
    Equipment(EquipmentId),
    /// Operations are not ready before a time, for this reason. Given up: they are.
    Ready(ReadyReason),
    /// The start of an operation is settled.
    PinnedStart(OperationId),
    /// The crew of an operation is settled.
    PinnedCrew(OperationId),
    /// The bay of a visit is settled.
    PinnedBay(VisitId),
    /// The shortest wait between two operations. Given up: the second may start whenever it likes.
    ShortestWait(OperationId, OperationId),
    /// The longest wait between two operations.
    LongestWait(OperationId, OperationId),
    /// An operation is done at one go. Given up: it may be interrupted.
    AtOneGo(OperationId),
    /// An operation must see somebody of an earlier crew again.
    SamePerson(OperationId),
    /// Changeovers between visits.
    Changeovers,
    /// Another car stands where it is planned. Given up: it is not there.
    Car(CarId),
}

impl Rule {
    /// Returns the rule in words; `show` writes an instant.
    pub fn describe(&self, problem: &Problem, show: &dyn Fn(Time) -> String) -> String {
        let operation = |id: OperationId| &problem.operations[id].name;
        match self {
            Rule::Horizon => format!("all ends by the end of the plan, {}", show(problem.horizon)),
            Rule::People(skill) => {
                let name = &problem.skills[*skill];
                let able = problem.technicians.keys().filter(|&person| problem.efficiency(person, *skill).is_some());
                match able.count() {
                    0 => format!("nobody has the skill {name:?}"),
                    1 => format!("the one technician with the skill {name:?} and his hours"),
                    count => format!("the {count} technicians with the skill {name:?} and their hours"),
                }
            }
            Rule::Bays(class) => {
                let name = &problem.bay_classes[*class];
                match problem.bays.keys().filter(|&bay| problem.bay_serves(bay, *class)).count() {
                    0 => format!("no bay serves as {name:?}"),
                    1 => format!("the one bay of class {name:?} and its hours"),
                    count => format!("the {count} bays of class {name:?} and their hours"),
                }
            }
            Rule::Equipment(pool) => {
                let pool = &problem.equipment[*pool];
                format!("there are {} of {:?}", pool.capacity, pool.name)
            }
            Rule::Ready(ReadyReason::Arrival) => "the arrival of the car".into(),
            Rule::Ready(ReadyReason::Part(part)) => format!("the part {part:?} is expected"),
            Rule::Ready(ReadyReason::Approval(approval)) => format!("the approval {approval:?} is expected"),
            Rule::Ready(ReadyReason::NotBefore) => "earliest starts set by hand".into(),
            Rule::PinnedStart(id) => format!("the settled start of {:?}", operation(*id)),
            Rule::PinnedCrew(id) => format!("the settled crew of {:?}", operation(*id)),
            Rule::PinnedBay(id) => format!("the settled bay of {:?}", problem.visits[*id].name),
            Rule::ShortestWait(from, to) => {
                format!("{:?} comes after {:?}, with the shortest wait between them", operation(*to), operation(*from))
            }
            Rule::LongestWait(from, to) => {
                format!("the longest wait between {:?} and {:?}", operation(*from), operation(*to))
            }
            Rule::AtOneGo(id) => format!("{:?} is done at one go", operation(*id)),
            Rule::SamePerson(id) => format!("{:?} needs somebody of an earlier crew", operation(*id)),
            Rule::Changeovers => "changeovers between visits".into(),
            Rule::Car(car) => format!("{} is planned as it is", problem.cars[*car].name),
        }
    }
}

/// Returns every rule that could be given up for `car` beside the other cars of `plan`, those one would rather hear of
/// first.
pub fn rules(problem: &Problem, plan: &Plan, car: CarId) -> Vec<Rule> {
    let own = problem.operations_of(car);
    let open = || own.iter().copied().filter(|&id| !is_fact(problem, id));
    let mut rules = vec![Rule::Horizon];
    let mut add = |rule: Rule| {
        if !rules.contains(&rule) {
            rules.push(rule);
        }
    };
    for id in open() {
        let operation = &problem.operations[id];
        operation.crew.iter().for_each(|&skill| add(Rule::People(skill)));
        if let Some(visit) = operation.visit {
            match problem.visits[visit].bay {
                BayChoice::Free => add(Rule::Bays(problem.visits[visit].class)),
                BayChoice::Pinned(_) => {
                    add(Rule::Bays(problem.visits[visit].class));
                    add(Rule::PinnedBay(visit));
                }
                BayChoice::Entered(_) => {}
            }
        }
        operation.equipment.iter().for_each(|&(pool, _)| add(Rule::Equipment(pool)));
        operation.ready.iter().for_each(|ready| add(Rule::Ready(ready.reason.clone())));
        if let Commitment::Pinned { technicians, start } = &operation.commitment {
            if start.is_some() {
                add(Rule::PinnedStart(id));
            }
            if technicians.is_some() {
                add(Rule::PinnedCrew(id));
            }
        }
        if !operation.crew.is_empty() && !operation.interruptible {
            add(Rule::AtOneGo(id));
        }
        if operation.same_person.is_some_and(|wish| wish.rule == SamePersonRule::Required) {
            add(Rule::SamePerson(id));
        }
    }
    for link in problem.links.iter().filter(|link| own.contains(&link.to) && !is_fact(problem, link.to)) {
        add(Rule::ShortestWait(link.from, link.to));
        if link.max_wait.is_some() {
            add(Rule::LongestWait(link.from, link.to));
        }
    }
    if !problem.changeovers.is_empty() {
        add(Rule::Changeovers);
    }
    for other in problem.cars.keys().filter(|&other| other != car && holds_something(problem, plan, other)) {
        add(Rule::Car(other));
    }
    rules
}

fn is_fact(problem: &Problem, id: OperationId) -> bool {
    matches!(problem.operations[id].commitment, Commitment::Started { .. })
}

/// Tells whether a car is in the plan, or in the shop.
fn holds_something(problem: &Problem, plan: &Plan, car: CarId) -> bool {
    problem.operations_of(car).iter().any(|&id| plan.operations.get(id).is_some_and(Option::is_some))
}
