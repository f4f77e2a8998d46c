//! Times quotes: `quote [--seeds 1-4] [--futures 1000] [--threads 2] [--per-week 12] [--drop-offs 5]`.
//!
//! For shops of 40 cars: plans all but the last car to arrive, quotes for that one for some days of drop-off, and tells how
//! long the parts took together.
#![allow(clippy::print_stdout, reason = "its output is what it is for")]

use std::error::Error;
use std::time::Instant;

use clap::Parser;
use fitup_bench::families;
use fitup_model::keyed::CarId;
use fitup_model::problem::ReadyReason;
use fitup_model::{Problem, Span, Time};
use fitup_planner::push::without;
use fitup_planner::{Never, Options, plan};
use fitup_rehearsal::quote::{Policy, before, quote_beside};
use fitup_rehearsal::trade::{self, Kinds, Trade};

#[derive(Parser)]
struct Arguments {
    /// First and last seed of the shops
    #[arg(long, default_value = "1-4")]
    seeds: String,
    /// Futures that are played
    #[arg(long, default_value_t = 1000)]
    futures: u64,
    /// Threads
    #[arg(long, default_value_t = 2)]
    threads: usize,
    /// Cars a week that come later, which the dates make room for; 0 for none
    #[arg(long, default_value_t = 12.0)]
    per_week: f64,
    /// Days of drop-off, one after another
    #[arg(long, default_value_t = 1)]
    drop_offs: i64,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    let (first, last) = arguments.seeds.split_once('-').unwrap_or((&arguments.seeds, &arguments.seeds));
    let family = families::ALL.into_iter().find(|family| family.name == "large").ok_or("no such family")?;
    println!(
        "shop cars operations before_seconds quote_seconds trade_seconds all_seconds earliest p50 p80 p95 endangered"
    );
    for seed in first.parse()?..=last.parse::<u64>()? {
        let text = serde_json::to_string(&families::shop(&family, seed))?;
        let problem = fitup_planner::format::shop::read(&text).map_err(|error| format!("{error:?}"))?.problem;
        let options = Options { iterations: Some(20_000), ..Options::default() };
        let found = plan(&problem, &options, &Never, &|_| ());
        let whole = found.solved().ok_or("no plan")?.plan.clone();
        let car = problem.cars.keys().max_by_key(|&car| problem.cars[car].arrival).ok_or("no car")?;
        let published = without(&problem, &whole, car);
        let policy = Policy { futures: arguments.futures, threads: arguments.threads, ..Policy::default() };
        let begun = Instant::now();
        let before = before(&problem, &published, car, &policy).map_err(|error| format!("{error:?}"))?;
        let (took, mut quoted, mut traded) = (begun.elapsed().as_secs_f64(), 0.0, 0.0);
        let mut shown = Vec::new();
        for day in 0..arguments.drop_offs.max(1) {
            let problem = dropped_off(&problem, car, Span::from_minutes(1440 * day))?;
            let started = Instant::now();
            let quote = quote_beside(&problem, &published, car, &policy, &before);
            let quote = quote.map_err(|error| format!("{error:?}"))?;
            quoted += started.elapsed().as_secs_f64();
            let started = Instant::now();
            let mut dates = [quote.likely, quote.p80, quote.safe];
            if arguments.per_week > 0.0 {
                let lead = |like| problem.cars[like].promise.map(|promise| promise - problem.cars[like].arrival);
                let kinds = Kinds { problem: &problem, count: problem.cars.len(), lead: &lead };
                let trade = Trade::usual(arguments.per_week);
                dates = trade::dates(&problem, &quote, car, quote.p80, &policy, &trade, &kinds)
                    .map_err(|error| format!("{error:?}"))?;
            }
            traded += started.elapsed().as_secs_f64();
            shown.push((quote, dates));
        }
        let all = begun.elapsed().as_secs_f64();
        let (cars, operations) = (problem.cars.len(), problem.operations.len());
        let day = |time: Time| time.minutes() as f64 / 1440.0;
        let of = |time: Option<Time>| time.map_or("-".into(), |time| format!("{:.2}", day(time)));
        for (quote, dates) in &shown {
            println!(
                "large-{seed} {cars} {operations} {took:.3} {quoted:.3} {traded:.3} {all:.3} {:.2} {} {} {} {}",
                day(quote.earliest),
                of(dates[0]),
                of(dates[1]),
                of(dates[2]),
                quote.endangered.len()
            );
        }
    }
    Ok(())
}

/// Returns the problem with a car dropped off so much later.
fn dropped_off(problem: &Problem, car: CarId, later: Span) -> Result<Problem, Box<dyn Error>> {
    let mut data = problem.clone().into_data();
    data.cars[car].arrival += later;
    for &id in problem.operations_of(car) {
        for ready in data.operations[id].ready.iter_mut().filter(|ready| ready.reason == ReadyReason::Arrival) {
            ready.time += later;
        }
    }
    Problem::new(data).map_err(|faults| format!("{faults:?}").into())
}
