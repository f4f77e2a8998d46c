//! Times quotes: `quote [--seeds 1-4] [--futures 1000] [--threads 2] [--per-week 12]`.
//!
//! For shops of 40 cars: plans all but the last car to arrive, quotes for that one, and tells how long the parts took.
#![allow(clippy::print_stdout, reason = "its output is what it is for")]

use std::error::Error;
use std::time::Instant;

use clap::Parser;
use fitup_bench::families;
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
    /// Cars a week that come later, which the dates make room for
    #[arg(long, default_value_t = 12.0)]
    per_week: f64,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    let (first, last) = arguments.seeds.split_once('-').unwrap_or((&arguments.seeds, &arguments.seeds));
    let family = families::ALL.into_iter().find(|family| family.name == "large").ok_or("no such family")?;
    println!("shop cars operations before_seconds quote_seconds trade_seconds earliest p50 p80 p95 endangered");
    for seed in first.parse()?..=last.parse::<u64>()? {
        let text = serde_json::to_string(&families::shop(&family, seed))?;
        let problem = fitup_planner::format::shop::read(&text).map_err(|error| format!("{error:?}"))?.problem;
        let options = Options { iterations: Some(20_000), ..Options::default() };
        let found = plan(&problem, &options, &Never, &|_| ());
        let whole = found.solved().ok_or("no plan")?.plan.clone();
        let car = problem.cars.keys().max_by_key(|&car| problem.cars[car].arrival).ok_or("no car")?;
        let published = without(&problem, &whole, car);
        let policy = Policy { futures: arguments.futures, threads: arguments.threads, ..Policy::default() };
        let started = Instant::now();
        let before = before(&problem, &published, car, &policy).map_err(|error| format!("{error:?}"))?;
        let (took, started) = (started.elapsed().as_secs_f64(), Instant::now());
        let quote = quote_beside(&problem, &published, car, &policy, &before).map_err(|error| format!("{error:?}"))?;
        let (quoted, started) = (started.elapsed().as_secs_f64(), Instant::now());
        let lead = |like| problem.cars[like].promise.map(|promise| promise - problem.cars[like].arrival);
        let kinds = Kinds { problem: &problem, count: problem.cars.len(), lead: &lead };
        let trade = Trade::usual(arguments.per_week);
        let dates = trade::dates(&problem, &quote, car, quote.p80, &policy, &trade, &kinds)
            .map_err(|error| format!("{error:?}"))?;
        let day = |time: fitup_model::Time| time.minutes() as f64 / 1440.0;
        let of = |time: Option<fitup_model::Time>| time.map_or("-".into(), |time| format!("{:.2}", day(time)));
        println!(
            "large-{seed} {} {} {took:.3} {quoted:.3} {:.3} {:.2} {} {} {} {}",
            problem.cars.len(),
            problem.operations.len(),
            started.elapsed().as_secs_f64(),
            day(quote.earliest),
            of(dates[0]),
            of(dates[1]),
            of(dates[2]),
            quote.endangered.len()
        );
    }
    Ok(())
}
