//! Rehearses generated shops under fitup and under the habits that shops have: `rehearse --shops 20 --runs 4`.
//!
//! The same weeks for every way of dispatching. A line for each shop, then the gains over the best habit of each shop, with
//! intervals of 95 %: over the runs of a shop, and in the end over the shops.

#![allow(clippy::print_stdout, reason = "its output is what it is for")]

use std::error::Error;
use std::time::Instant;

use clap::Parser;
use fitup_bench::families;
use fitup_model::{Problem, Span};
use fitup_planner::Never;
use fitup_rehearsal::Chances;
use fitup_rehearsal::weeks::interval::{Mean, gain, mean};
use fitup_rehearsal::weeks::world::LOAD;
use fitup_rehearsal::weeks::{Habit, Manner, Measures, Setting, Way, rehearse};

/// Rehearse generated shops, side by side with habits
#[derive(Parser)]
struct Args {
    /// Shops
    #[arg(long, default_value_t = 20)]
    shops: u64,
    /// Number of the first shop
    #[arg(long, default_value_t = 1)]
    first: u64,
    /// Families, in turns
    #[arg(long, value_delimiter = ',', default_value = "medium,large")]
    families: Vec<String>,
    /// A problem file instead of generated shops
    #[arg(long)]
    file: Option<std::path::PathBuf>,
    /// Runs of each shop
    #[arg(long, default_value_t = 4)]
    runs: u64,
    /// Weeks of each run
    #[arg(long, default_value_t = 4)]
    weeks: u32,
    /// Start of the random numbers
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Cars a week; else what the shop can take
    #[arg(long)]
    per_week: Option<f64>,
    /// Share of what the shop can take that comes
    #[arg(long, default_value_t = LOAD)]
    load: f64,
    /// What a minute in the shop counts at least in a plan
    #[arg(long, default_value_t = Manner::default().flow)]
    flow: i64,
    /// Search iterations of a plan
    #[arg(long, default_value_t = Manner::default().iterations)]
    iterations: u64,
    /// Minutes between plans
    #[arg(long, default_value_t = Manner::default().every.minutes())]
    every: i64,
    /// Minutes that work may be pulled ahead
    #[arg(long, default_value_t = Manner::default().pull.minutes())]
    pull: i64,
    /// Nothing goes wrong
    #[arg(long)]
    certain: bool,
    /// Threads
    #[arg(long, default_value_t = 2)]
    threads: usize,
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    let manner = Manner {
        iterations: args.iterations,
        every: Span::from_minutes(args.every),
        pull: Span::from_minutes(args.pull),
        flow: args.flow,
        ..Manner::default()
    };
    let ways = [Way::Plan(manner)].into_iter().chain(Habit::ALL.map(Way::Habit)).collect::<Vec<_>>();
    let setting = Setting {
        weeks: args.weeks,
        per_week: args.per_week,
        load: args.load,
        chances: if args.certain { Chances::NONE } else { Chances::default() },
        seed: args.seed,
    };
    let (mut lateness, mut cycle) = (Vec::new(), Vec::new());
    println!(
        "shop         way             cars  left  on time  late h  weighted    cycle h  in use   against the rules"
    );
    for number in 0..args.shops {
        let (name, problem) = problem(&args, number)?;
        let started = Instant::now();
        let found =
            rehearse(&problem, &setting, &ways, args.runs, args.threads, &Never).map_err(|f| format!("{f:?}"))?;
        for (way, measures) in ["fitup", "first in", "promise", "booth"].iter().zip(&found) {
            tell(&name, way, measures);
            let broken: usize = measures.iter().map(|measures| measures.broken).sum();
            if broken > 0 {
                return Err(format!("{name}, {way}: {broken} rules broken").into());
            }
        }
        let of = |way: usize, what: fn(&Measures) -> f64| found[way].iter().map(what).collect::<Vec<f64>>();
        let sum = |way: usize, what| of(way, what).iter().sum::<f64>();
        let best = |what: fn(&Measures) -> f64| {
            (1..ways.len()).min_by(|a, b| sum(*a, what).total_cmp(&sum(*b, what))).unwrap_or(1)
        };
        let gain_in = |what: fn(&Measures) -> f64| gain(&of(0, what), &of(best(what), what));
        let (late, flow) = (gain_in(|m| m.weighted_lateness), gain_in(|m| m.cycle));
        println!(
            "{name:12} gain over the best habit: weighted lateness {}, cycle time {}; {:.1} s\n",
            percent(late),
            percent(flow),
            started.elapsed().as_secs_f64()
        );
        lateness.extend(late.map(|gain| gain.mean));
        cycle.extend(flow.map(|gain| gain.mean));
    }
    println!("over {} shops: weighted lateness {}", lateness.len(), percent(mean(&lateness)));
    println!("over {} shops: cycle time {}", cycle.len(), percent(mean(&cycle)));
    Ok(())
}

fn problem(args: &Args, number: u64) -> Result<(String, Problem), Box<dyn Error>> {
    let (name, text) = match &args.file {
        Some(file) => ("file".to_string(), std::fs::read_to_string(file)?),
        None => {
            let wanted = &args.families[number as usize % args.families.len()];
            let family = families::ALL.into_iter().find(|family| family.name == wanted).ok_or("no such family")?;
            let seed = args.first + number;
            (format!("{wanted}-{seed}"), serde_json::to_string(&families::shop(&family, seed))?)
        }
    };
    let read = fitup_planner::format::shop::read(&text).map_err(|error| format!("{error:?}"))?;
    Ok((name, read.problem))
}

fn tell(name: &str, way: &str, measures: &[Measures]) {
    let of = |what: fn(&Measures) -> f64| {
        let values: Vec<f64> = measures.iter().map(what).collect();
        mean(&values).map_or(f64::NAN, |mean| mean.mean)
    };
    println!(
        "{name:12} {way:12} {:7.1} {:5.1} {:7.1}% {:7.1} {:9.0} {:10.1} {:6.1}% {:6.1} stayed on, {:.1} waited, {:.1} bay",
        of(|m| m.cars as f64),
        of(|m| m.unfinished as f64),
        of(|m| m.on_time * 100.0),
        of(|m| m.lateness / 60.0),
        of(|m| m.weighted_lateness / 60.0),
        of(|m| m.cycle / 60.0),
        of(|m| m.utilisation * 100.0),
        of(|m| m.concessions.stayed_on as f64),
        of(|m| m.concessions.waited_too_long as f64),
        of(|m| m.concessions.bay_kept_open as f64),
    );
}

fn percent(gain: Option<Mean>) -> String {
    gain.map_or("-".into(), |gain| format!("{:.1} +- {:.1} %", gain.mean * 100.0, gain.half * 100.0))
}
