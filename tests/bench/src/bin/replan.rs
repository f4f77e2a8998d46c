//! Plans shops again after something has happened: `replan --family large --seeds 1-4`.

use std::error::Error;
use std::io::Write;
use std::time::Instant;

use clap::Parser;
use fitup_bench::families::{self, Family};
use fitup_model::keyed::{CarId, Key, TechnicianId};
use fitup_model::problem::{Ready, ReadyReason};
use fitup_model::{Calendar, Cost, Plan, Problem, Span};
use fitup_planner::{CancelFlag, Idea, Never, Options, Outcome, Solved, format, plan};

/// Plan shops, let something happen, and plan them again from the plan of before and from nothing
///
/// Prints for each shop and each event the milliseconds until the first checked plan, its price, and the prices after
/// the same number of iterations from the plan of before (warm) and from nothing (cold).
#[derive(Parser)]
struct Args {
    /// Families, separated by commas
    #[arg(long, value_delimiter = ',', value_parser = family, default_value = "large")]
    family: Vec<Family>,
    /// First and last seed
    #[arg(long, num_args = 2, default_values_t = [1, 4])]
    seeds: Vec<u64>,
    /// Iterations of each plan
    #[arg(long, default_value_t = 20_000)]
    iterations: u64,
}

fn family(name: &str) -> Result<Family, String> {
    let found = families::ALL.into_iter().find(|family| family.name == name);
    found.ok_or_else(|| format!("there is no family \"{name}\""))
}

/// What has happened: the problem that is left, and the plan of before in its terms.
struct Event {
    name: &'static str,
    problem: Problem,
    before: Plan,
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    let mut out = std::io::stdout();
    writeln!(
        out,
        "| shop | event | first plan, ms | its price | warm | cold |\n| --- | --- | --- | --- | --- | --- |"
    )?;
    for family in &args.family {
        for seed in args.seeds[0]..=args.seeds[1] {
            let shop = families::shop(family, seed);
            let problem = format::shop::read(&serde_json::to_string(&shop)?)?.problem;
            for event in events(&problem, &args)? {
                let options = searching(args.iterations);
                let warm = Options { start: Some(&event.before), ..options };
                let (milliseconds, first) = first_plan(&event.problem, &warm)?;
                let [warm, cold] =
                    [warm, options].map(|options| solved(&event.problem, &options).map(|solved| solved.cost));
                let (warm, cold) = (warm?, cold?);
                writeln!(out, "| {} | {} | {milliseconds:.1} | {first} | {warm} | {cold} |", shop.name, event.name)?;
            }
        }
    }
    Ok(())
}

/// Search alone: proof has nothing to do with where it begins, and takes most of the time of few iterations.
fn searching(iterations: u64) -> Options<'static> {
    let switches = [Idea::Bound, Idea::Exact, Idea::Program].into_iter().collect();
    Options { iterations: Some(iterations), switches, ..Options::default() }
}

fn solved(problem: &Problem, options: &Options) -> Result<Solved, String> {
    match plan(problem, options, &Never, &|_| ()) {
        Outcome::Optimal(solved) | Outcome::Feasible(solved) => Ok(solved),
        other => Err(format!("no plan: {other:?}")),
    }
}

/// Returns how long it takes until there is a checked plan, and its price.
fn first_plan(problem: &Problem, options: &Options) -> Result<(f64, Cost), String> {
    let enough = CancelFlag::new();
    let begin = Instant::now();
    let outcome = plan(problem, options, &enough, &|_| enough.cancel());
    let milliseconds = begin.elapsed().as_secs_f64() * 1e3;
    Ok((milliseconds, outcome.solved().ok_or("no plan at once")?.cost))
}

/// Returns what may happen to a shop that was planned before.
fn events(problem: &Problem, args: &Args) -> Result<Vec<Event>, String> {
    let options = searching(args.iterations);
    let before = solved(problem, &options)?.plan;
    let changed = |name, data| {
        let problem = Problem::new(data).map_err(|faults| format!("{name}: {faults:?}"))?;
        Ok::<Event, String>(Event { name, problem, before: before.clone() })
    };
    // The part of the first operation in the plan comes a day later.
    let mut late = problem.clone().into_data();
    let first = before.operations.iter().filter_map(|(id, assignment)| Some((assignment.as_ref()?.start, id))).min();
    let (start, id) = first.ok_or("nothing is planned")?;
    let time = start + Span::from_minutes(1440);
    late.operations[id].ready.push(Ready { time, reason: ReadyReason::Part("late".into()) });
    // The busiest technician stays away.
    let mut gone = problem.clone().into_data();
    let work = |person: TechnicianId| {
        before.operations.values().flatten().filter(|assignment| assignment.technicians.contains(&person)).count()
    };
    let busiest = problem.technicians.keys().max_by_key(|&person| work(person)).ok_or("nobody works here")?;
    gone.technicians[busiest].calendar = gone.calendars.push(Calendar::default());
    gone.technicians[busiest].with_overtime = None;
    // The last order arrives: until now there were the others.
    let last = CarId::from_index(problem.cars.len() - 1);
    let others = without(problem, last)?;
    let planned = solved(&others, &options)?.plan;
    let and_nothing = |count: usize| (0..count).map(|_| None);
    let arrived = Plan {
        operations: planned
            .operations
            .values()
            .cloned()
            .chain(and_nothing(problem.operations_of(last).len()))
            .collect(),
        bays: planned.bays.values().copied().chain((0..problem.visits_of(last).len()).map(|_| None)).collect(),
    };
    let arrives = Event { name: "an order arrives", problem: problem.clone(), before: arrived };
    Ok(vec![changed("a part slips", late)?, changed("a technician leaves", gone)?, arrives])
}

/// Returns the problem without its last car, whose operations and visits are the last ones.
fn without(problem: &Problem, last: CarId) -> Result<Problem, String> {
    let mut data = problem.clone().into_data();
    let keep = |id: &fitup_model::keyed::OperationId| problem.operations[*id].car != last;
    data.links.retain(|link| keep(&link.from));
    data.operations = problem.operations.values().filter(|operation| operation.car != last).cloned().collect();
    data.visits = problem.visits.values().filter(|visit| visit.car != last).cloned().collect();
    data.cars = problem.cars.iter().filter(|(id, _)| *id != last).map(|(_, car)| car.clone()).collect();
    Problem::new(data).map_err(|faults| format!("without the last car: {faults:?}"))
}
