//! Repairs a published plan: what becomes of it if nobody does anything, and the answer that changes least.

use fitup_model::keyed::{Key, OperationId};
use fitup_model::{Plan, Problem, Time, check, cost, repair};

use crate::Options;
use crate::bound::Prices;
use crate::compile::Compiled;
use crate::construct;
use crate::improve::{Budget, Pace, Search};
pub use crate::least_change::least_change;
use crate::left_out::left_out;
use crate::outcome::{LeftOut, Solved};
use crate::random::Random;
use crate::schedule::{Saved, Schedule};
use crate::stop::Stop;

/// How often the pushing may go back, over all operations.
const JUMPS: usize = 2000;

/// Returns what becomes of `published` if everything keeps its people, its bay and its turn, and only moves back as far
/// as the facts push it; and the cars that find no place then.
///
/// The plan breaks no rule of `problem`. Cars that were not published are placed last.
pub fn push_right(problem: &Problem, published: &Plan) -> (Plan, Vec<LeftOut>) {
    let regular = repair::without_new_overtime(problem, Some(published));
    let tied = repair::pushed_right(&regular, published);
    let compiled = Compiled::new(&tied);
    let mut schedule = Schedule::new(&compiled, Random::new(1, 0));
    let start = turns(&compiled, published);
    let cars =
        (0..compiled.cars.len()).filter(|&car| !schedule.planned[car] && compiled.cars[car].impossible.is_none());
    let cars = cars.filter(|&car| compiled.cars[car].operations.iter().all(|&index| start[index as usize].is_some()));
    let cars: Vec<usize> = cars.collect();
    let mut order: Vec<u32> = cars.iter().flat_map(|&car| compiled.cars[car].operations.iter().copied()).collect();
    // Visits that have begun hold their bays until they are complete, so what is left of them goes first.
    let begun = |index: u32| {
        let visit = compiled.operations[index as usize].visit;
        visit.is_some_and(|visit| compiled.visits[visit as usize].fact.is_some())
    };
    let head = |index: u32| compiled.operations[index as usize].head;
    order.sort_by_key(|&index| (start[index as usize], !begun(index), head(index), index));
    let empty = schedule.clone();
    schedule.partial = true;
    if schedule.insert(&mut order, JUMPS).is_ok() {
        for &car in &cars {
            schedule.planned[car] = true;
            schedule.price[car] = schedule.car_price(car);
        }
        schedule.partial = false;
    } else {
        schedule = empty;
        construct::repair(&mut schedule, published);
    }
    place_the_rest(&mut schedule);
    let plan = schedule.to_plan();
    if check(problem, &plan).is_empty() {
        return (plan.clone(), left_out(&schedule, &plan));
    }
    // Placing all at once went wrong somewhere: car by car keeps every rule at every step. What is tied to the overtime
    // that was published may pause in hours that the problem has open, and then counts as too long: with the problem's
    // own hours it does not.
    let (plan, out) = car_by_car(&compiled, published);
    if check(problem, &plan).is_empty() {
        return (plan, out);
    }
    car_by_car(&Compiled::new(problem), published)
}

/// Places every car as in `published` where that keeps the rules, and then the others.
fn car_by_car(compiled: &Compiled, published: &Plan) -> (Plan, Vec<LeftOut>) {
    let mut schedule = Schedule::new(compiled, Random::new(1, 0));
    construct::repair(&mut schedule, published);
    let plan = schedule.to_plan();
    let out = left_out(&schedule, &plan);
    (plan, out)
}

/// Returns when it is the turn of each operation: at its published start. One that was not published, such as rework, has
/// its turn with the last one before it; `None` if nothing of its car was published.
pub(crate) fn turns(compiled: &Compiled, published: &Plan) -> Vec<Option<Time>> {
    let of = |index: usize| published.operations[OperationId::from_index(index)].as_ref().map(|it| it.start);
    let mut turns: Vec<Option<Time>> = (0..compiled.operations.len()).map(of).collect();
    for car in &compiled.cars {
        if car.operations.iter().all(|&index| turns[index as usize].is_none()) {
            continue;
        }
        // Each stands after those that it waits for.
        for &index in &car.operations {
            let index = index as usize;
            let links = compiled.links_of(compiled.operations[index].before).iter();
            let before = links.filter_map(|link| turns[link.other as usize]).max();
            turns[index] = turns[index].or(before).or(Some(compiled.problem.now)).max(before);
        }
    }
    turns
}

pub(crate) fn place_the_rest(schedule: &mut Schedule) {
    let (mut saved, mut order) = (Saved::default(), Vec::new());
    for car in 0..schedule.planned.len() {
        if !schedule.planned[car] {
            let _ = construct::insert_car(schedule, car, &mut order, &mut saved);
        }
    }
}

/// Searches for a better plan from `start` on, without any proof: the plan depends on the problem, the start, the seed
/// and the iterations alone, if there is a limit on them and nothing stops it earlier.
pub fn improved(problem: &Problem, start: &Plan, options: &Options, stop: &dyn Stop) -> Solved {
    searched(problem, start, options, stop, 1.0)
}

/// Does what [`improved`] does until a share of the time is used.
pub(crate) fn searched(problem: &Problem, start: &Plan, options: &Options, stop: &dyn Stop, until: f64) -> Solved {
    searched_in(&Compiled::new(problem), start, options, stop, until)
}

/// Does the same in a problem that is compiled already, perhaps with other prices than its own.
pub(crate) fn searched_in(compiled: &Compiled, start: &Plan, options: &Options, stop: &dyn Stop, until: f64) -> Solved {
    priced(compiled.problem, found(compiled, start, options, stop, until))
}

/// Returns the plan of [`improved`] alone, sooner: without its price and its bound.
pub fn improved_plan(problem: &Problem, start: &Plan, options: &Options, stop: &dyn Stop) -> Plan {
    found(&Compiled::new(problem), start, options, stop, 1.0).plan
}

/// Searches; what is found has no price yet.
fn found(compiled: &Compiled, start: &Plan, options: &Options, stop: &dyn Stop, until: f64) -> Solved {
    let mut schedule = Schedule::new(compiled, Random::new(options.seed, 0));
    construct::repair(&mut schedule, start);
    place_the_rest(&mut schedule);
    let mut search = Search::new(schedule, Random::new(options.seed, 1), options.switches);
    let pace = options.iterations.map_or(Pace::Time { until }, |_| Pace::Iterations { from: 0.0, to: 1.0 });
    let budget = Budget { stop, iterations: options.iterations.unwrap_or(u64::MAX), pace };
    let iterations = search.run(&budget);
    let best = search.best.clone();
    let mut schedule = Schedule::new(compiled, Random::new(options.seed, 0));
    schedule.load(&best);
    let plan = schedule.to_plan();
    let left_out = left_out(&schedule, &plan);
    Solved { plan, cost: 0, bound: 0, left_out, iterations, prices: Prices::default() }
}

/// Gives a plan its price in `problem`, and a bound that holds there.
pub(crate) fn priced(problem: &Problem, solved: Solved) -> Solved {
    let cost = cost::cost(problem, &solved.plan);
    Solved { cost, bound: Compiled::new(problem).trivial_bound().min(cost), ..solved }
}

/// Returns a plan that has everything of `published` in its place that can stay there; what is hit goes where there is
/// room beside it. And the cars that find no place then.
pub(crate) fn kept(problem: &Problem, published: &Plan) -> (Plan, Vec<LeftOut>) {
    let pushed = push_right(problem, published);
    // What even pushing leaves in place is not hit: of cars that are, it ties the operations before the trouble.
    let held = repair::held(problem, published, 1, &|id| repair::stays(problem, published, &pushed.0, id));
    let beside = |of: &Problem| {
        let compiled = Compiled::new(of);
        let mut schedule = Schedule::new(&compiled, Random::new(1, 0));
        construct::repair(&mut schedule, published);
        place_the_rest(&mut schedule);
        let plan = schedule.to_plan();
        let out = left_out(&schedule, &plan);
        (plan, out)
    };
    // Beside the others with the ties, beside them as a whole, or all of them pushed back: the first that leaves out no
    // more cars than need be.
    let candidates = [beside(&held), beside(problem), pushed];
    let fewest = candidates.iter().map(|(_, out)| out.len()).min();
    let good = |(plan, out): &&(Plan, Vec<LeftOut>)| Some(out.len()) == fewest && check(problem, plan).is_empty();
    let found = candidates.iter().find(good).unwrap_or(&candidates[2]);
    found.clone()
}
