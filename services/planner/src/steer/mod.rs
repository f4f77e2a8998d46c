//! What would bring a car forward: changes of the shop, each tried by planning the shop with it.
//!
//! All searches are warm, short and counted in iterations, so that an answer depends on the shop and the plan alone. What
//! more search would have found anyhow is no merit of a change: the shop is first planned as it is until a search finds
//! nothing more, and gains are measured against that.

mod levers;

use fitup_model::delays::delays;
use fitup_model::keyed::{BayClassId, CarId, EquipmentId, Key, OperationId, SkillId, TechnicianId};
use fitup_model::{Cost, Plan, Problem, Span, Time, Window, check, cost};

use crate::{Idea, Options, Stop, Switches};

/// Iterations of each of the searches.
pub const ITERATIONS: u64 = 2_000;
/// So often the shop is planned as it is, at most, before a change is tried.
const ROUNDS: u32 = 6;
/// So many levers are tried at most.
const TRIED: usize = 14;
/// So many are told.
const TOLD: usize = 3;
/// A car that goes before the others counts so many times as much.
const FIRST: i64 = 20;

/// Something that could be changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Lever {
    /// The part of this name comes a day earlier.
    Part(String),
    /// The approval of this name comes a day earlier.
    Approval(String),
    /// The car goes before the others.
    First,
    /// These people work in this window too, as overtime.
    Overtime(Vec<TechnicianId>, Window),
    /// One more piece.
    Equipment(EquipmentId),
    /// One more bay of the class.
    Bay(BayClassId),
    /// One more technician with the skill, who works when this one does.
    Technician(SkillId, TechnicianId),
}

impl Lever {
    /// Returns how dear a lever is beside others: first what costs a call, then what costs other cars time, then what
    /// has a price in the plan, then what has to be bought or hired.
    fn rank(&self) -> u8 {
        match self {
            Lever::Part(_) | Lever::Approval(_) => 0,
            Lever::First => 1,
            Lever::Overtime(..) => 2,
            Lever::Equipment(_) | Lever::Bay(_) | Lever::Technician(..) => 3,
        }
    }
}

/// A lever and what it does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tried {
    /// What is changed.
    pub lever: Lever,
    /// When the car is complete then.
    pub completion: Time,
    /// How much earlier that is.
    pub gain: Span,
    /// What the plan costs more, overtime included.
    pub price_change: Cost,
}

/// What would bring a car forward.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Steered {
    /// When it is complete without any change.
    pub base: Time,
    /// The levers that bring it forward, the cheapest first.
    pub levers: Vec<Tried>,
    /// How many were tried.
    pub tried: usize,
}

/// Tries what could bring `car` forward, by the chain that decides its completion; `None` if it has no place in any plan found
/// or `stop` came first.
pub fn steer(problem: &Problem, start: &Plan, car: CarId, stop: &dyn Stop) -> Option<Steered> {
    let base = settled(problem, start, stop)?;
    let base = anew(problem, &base, car, stop)?;
    let (completion, price) = (base.completion(problem, car)?, cost::cost(problem, &base));
    let levers = levers::levers(problem, &base, car, &delays(problem, &base, car));
    let mut found = Vec::new();
    let mut tried = 0;
    for lever in levers.into_iter().take(TRIED) {
        if stop.should_stop() {
            return None;
        }
        let Some(changed) = levers::with(problem, car, &lever) else { continue };
        tried += 1;
        let Some(plan) = anew(&changed, &base, car, stop) else { continue };
        // The weights of a car that goes first are only for the search.
        let own = cost::cost(if lever == Lever::First { problem } else { &changed }, &plan);
        let dearer = cost::cost(&changed, &plan) > cost::cost(&changed, &base);
        let Some(then) = plan.completion(&changed, car).filter(|then| *then < completion && !dearer) else { continue };
        let (gain, price_change) = (completion - then, own - price);
        found.push(Tried { lever, completion: then, gain, price_change });
    }
    found.sort_by_key(|tried| (tried.lever.rank(), -tried.gain.minutes(), tried.price_change));
    found.truncate(TOLD);
    Some(Steered { base: completion, levers: found, tried })
}

/// Returns the cheaper of two plans after short searches: from `start`, and from `start` with `car` planned anew.
fn anew(problem: &Problem, start: &Plan, car: CarId, stop: &dyn Stop) -> Option<Plan> {
    let (mut without, nothing) = (start.clone(), Plan::nothing_new(problem));
    for &id in problem.operations_of(car) {
        without.operations[id] = nothing.operations[id].clone();
    }
    for &id in problem.visits_of(car) {
        without.bays[id] = nothing.bays[id];
    }
    let plans = [start, &without].into_iter().filter_map(|start| solve(problem, start, stop));
    plans.min_by_key(|plan| cost::cost(problem, plan))
}

/// Returns a checked plan from which another short search finds no cheaper one: what a search of the same length finds
/// with something changed is then to the credit of the change.
pub(crate) fn settled(problem: &Problem, start: &Plan, stop: &dyn Stop) -> Option<Plan> {
    let mut plan = solve(problem, start, stop)?;
    for _ in 1..ROUNDS {
        let next = solve(problem, &plan, stop)?;
        if cost::cost(problem, &next) >= cost::cost(problem, &plan) {
            break;
        }
        plan = next;
    }
    Some(plan)
}

/// Returns a checked plan after a short search from `start`, which may be one for the same cars in another shop.
pub(crate) fn solve(problem: &Problem, start: &Plan, stop: &dyn Stop) -> Option<Plan> {
    let switches: Switches = [Idea::Bound, Idea::Exact, Idea::Program].into_iter().collect();
    let options = Options { iterations: Some(ITERATIONS), start: Some(start), switches, ..Options::default() };
    let outcome = crate::plan(problem, &options, stop, &|_| {});
    let plan = &outcome.solved()?.plan;
    check(problem, plan).is_empty().then(|| plan.clone())
}

/// Returns the operation's technician in the place of its crew that asks for a skill, and the skill.
fn skill_of(problem: &Problem, plan: &Plan, id: OperationId, who: TechnicianId) -> Option<SkillId> {
    let place = plan.operations[id].as_ref()?.technicians.iter().position(|person| *person == who)?;
    problem.operations[id].crew.get(place).copied()
}

/// Returns keys in their order without repeats.
fn distinct<K: Key>(mut keys: Vec<K>) -> Vec<K> {
    keys.sort_unstable();
    keys.dedup();
    keys
}
