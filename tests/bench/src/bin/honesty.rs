//! Measures how often quoted dates are met: `honesty --cars 2000`.
//!
//! Generated shops are played week by week by plan. Each car that comes is quoted by what is known then, promised its 80 %
//! date, and played on until it is complete. Prints tables in Markdown; the seeds are fixed, so that it prints the same again.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "its output is what it is for")]

use std::collections::BTreeMap;
use std::error::Error;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;
use std::time::Instant;

use clap::{Parser, ValueEnum};
use fitup_bench::{families, outlines};
use fitup_model::keyed::CarId;
use fitup_model::problem::ReadyReason;
use fitup_model::{Problem, Span};
use fitup_planner::Never;
use fitup_rehearsal::trade::Trade;
use fitup_rehearsal::weeks::honesty::{kept, quoted};
use fitup_rehearsal::weeks::interval::{mean, wilson};
use fitup_rehearsal::weeks::world::rate;
use fitup_rehearsal::weeks::{Level, Manner, Quoting, Setting, Told, World};
use fitup_rehearsal::{Chances, calibration, quote};

/// Cars go on coming so many weeks after those that are counted.
const AFTER: u32 = 4;

/// No more shops than this, however few cars come.
const MOST: u64 = 1000;

/// Measure how often quoted dates are met
#[derive(Parser)]
struct Args {
    /// Shops are played until so many cars are quoted
    #[arg(long, default_value_t = 2000)]
    cars: usize,
    /// Number of the first shop
    #[arg(long, default_value_t = 101)]
    first: u64,
    /// Size of the shops
    #[arg(long, default_value = "medium")]
    family: String,
    /// Weeks of each shop in which cars are counted
    #[arg(long, default_value_t = 16)]
    weeks: u32,
    /// Shares of what the scarcest skill or bay class can take that come, by shop in turns
    #[arg(long, value_delimiter = ',', default_value = "0.3,0.45,0.6")]
    loads: Vec<f64>,
    /// What can happen
    #[arg(long, value_enum, default_value = "all")]
    chances: What,
    /// Work takes so many times what the quotes think
    #[arg(long, default_value_t = 1.0)]
    slower: f64,
    /// Futures of a quote
    #[arg(long, default_value_t = 160)]
    futures: u64,
    /// Courses of later trade that a quote looks at; 0 quotes as if no other car came
    #[arg(long, default_value_t = 4)]
    courses: u64,
    /// Iterations of the search for the place of a quoted car, which may move others; 0 leaves them where they are
    #[arg(long, default_value_t = 500)]
    search: u64,
    /// Minutes that work is begun ahead of the plan at most in the futures of a quote; negative: as early as it can be
    #[arg(long, default_value_t = -1, allow_negative_numbers = true)]
    pull: i64,
    /// How much dates learn from an outcome; 0 learns nothing
    #[arg(long, default_value_t = calibration::STEP)]
    step: f64,
    /// Search iterations of a plan of the shop
    #[arg(long, default_value_t = 500)]
    iterations: u64,
    /// Threads; they change nothing of the answer
    #[arg(long, default_value_t = 2)]
    threads: usize,
    /// The tables replace what stands in this page between its two marks
    #[arg(long)]
    page: Option<std::path::PathBuf>,
}

/// Which chances the world has, and the quotes know.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum What {
    All,
    None,
    Work,
    Parts,
    Damage,
    Failed,
    Absence,
}

impl What {
    fn chances(self) -> Chances {
        let all = Chances::default();
        match self {
            What::All => all,
            What::None => Chances::NONE,
            What::Work => Chances { low: all.low, high: all.high, ..Chances::NONE },
            What::Parts => Chances { late_part: all.late_part, late_days: all.late_days, ..Chances::NONE },
            What::Damage => Chances { hidden_damage: all.hidden_damage, hidden_work: all.hidden_work, ..Chances::NONE },
            What::Failed => Chances { failed_check: all.failed_check, rework: all.rework, ..Chances::NONE },
            What::Absence => Chances { absence: all.absence, ..Chances::NONE },
        }
    }
}

/// A quoted car with what the tables sort by.
struct Row {
    shop: u64,
    load: String,
    kind: &'static str,
    late_half: bool,
    told: Told,
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    let started = Instant::now();
    let rows = played(&args)?;
    eprintln!("{:.0} s", started.elapsed().as_secs_f64());
    let tables = tables(&rows);
    println!("{tables}");
    if let Some(page) = &args.page {
        let old = std::fs::read_to_string(page)?;
        let (before, rest) = old.split_once(BEGIN).ok_or("the page has no mark where the tables begin")?;
        let (_, after) = rest.split_once(END).ok_or("the page has no mark where the tables end")?;
        std::fs::write(page, format!("{before}{BEGIN}\n\n{tables}\n{END}{after}"))?;
    }
    Ok(())
}

const BEGIN: &str = "<!-- measured -->";
const END: &str = "<!-- end -->";

/// Plays shops until the first of them together have quoted enough cars.
fn played(args: &Args) -> Result<Vec<Row>, String> {
    let next = AtomicU64::new(0);
    let done: Mutex<BTreeMap<u64, Result<Vec<Row>, String>>> = Mutex::new(BTreeMap::new());
    // Shops from the first on that are done and together enough; the same whoever was faster.
    let enough = |done: &BTreeMap<u64, Result<Vec<Row>, String>>| -> Option<u64> {
        let mut cars = 0;
        for number in 0..MOST {
            cars += done.get(&number)?.as_ref().map_or(args.cars, Vec::len);
            if cars >= args.cars {
                return Some(number);
            }
        }
        Some(MOST)
    };
    thread::scope(|scope| {
        for _ in 0..args.threads.max(1) {
            scope.spawn(|| {
                loop {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    if number >= MOST || enough(&done.lock().expect("no thread panics")).is_some() {
                        break;
                    }
                    let found = shop(args, number);
                    done.lock().expect("no thread panics").insert(number, found);
                }
            });
        }
    });
    let done = done.into_inner().expect("no thread panics");
    let last = enough(&done).unwrap_or(MOST);
    let shops = done.into_iter().take_while(|(number, _)| *number <= last).map(|(_, found)| found);
    Ok(shops.collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect())
}

fn shop(args: &Args, number: u64) -> Result<Vec<Row>, String> {
    let family = families::ALL.into_iter().find(|family| family.name == args.family).ok_or("no such family")?;
    let text =
        serde_json::to_string(&families::shop(&family, args.first + number)).map_err(|error| error.to_string())?;
    let problem = fitup_planner::format::shop::read(&text).map_err(|error| format!("{error:?}"))?.problem;
    let problem = with_parts(problem);
    let load = *args.loads.get(number as usize % args.loads.len().max(1)).ok_or("no loads")?;
    let chances = args.chances.chances();
    let per_week = rate(&problem) * load;
    let setting =
        Setting { weeks: args.weeks + AFTER, per_week: Some(per_week), load, chances, seed: args.first + number };
    let world = World::new(&problem, &setting, 0).map_err(|faults| format!("{faults:?}"))?;
    let world =
        if args.slower == 1.0 { world } else { world.slower(args.slower).map_err(|faults| format!("{faults:?}"))? };
    let manner = Manner { iterations: args.iterations, first: 3 * args.iterations, ..Manner::default() };
    let policy = quote::Policy {
        chances,
        futures: args.futures,
        threads: 1,
        // Far from the seeds of the worlds: quotes know their chances and not their luck.
        seed: 0xD1CE_0000_0000 + number * 1_000_000,
        trials: 20,
        disturb: (args.search > 0).then_some(args.search),
        pull: if args.pull < 0 { problem.horizon - problem.now } else { Span::from_minutes(args.pull) },
    };
    let trade = Trade { per_week, courses: args.courses, iterations: args.search, flow: manner.flow };
    let quoting = Quoting {
        policy,
        promised: Level::P80,
        trade: (args.courses > 0).then_some(trade),
        learn: (args.step > 0.0).then_some(args.step),
    };
    let run = quoted(&world, manner, quoting, args.weeks, &Never).map_err(|faults| format!("{faults:?}"))?;
    if run.broken > 0 {
        return Err(format!("shop {number}: {} rules broken", run.broken));
    }
    let half = run.told.len() / 2;
    let row = |(index, told): (usize, &Told)| Row {
        shop: number,
        load: format!("{:.0} % of capacity", load * 100.0),
        kind: kind(world.booked(), told.car),
        late_half: index >= half,
        told: *told,
    };
    Ok(run.told.iter().enumerate().map(row).collect())
}

/// Returns the shop with what its cars wait for beside their own coming as parts: those can be late.
fn with_parts(problem: Problem) -> Problem {
    let mut data = problem.clone().into_data();
    for (id, operation) in problem.operations.iter() {
        let arrival = problem.cars[operation.car].arrival;
        for ready in &mut data.operations[id].ready {
            if ready.reason == ReadyReason::NotBefore && ready.time > arrival {
                ready.reason = ReadyReason::Part("refit".into());
            }
        }
    }
    Problem::new(data).expect("reasons have changed, no times")
}

/// Returns the outline that a car follows.
fn kind(problem: &Problem, car: CarId) -> &'static str {
    let named = [
        ("structure", outlines::STRUCTURE),
        ("panels", outlines::PANEL),
        ("door", outlines::DOOR),
        ("bumper cover", outlines::BUMPER),
        ("glass", outlines::GLASS),
        ("dents", outlines::DENTS),
        ("suspension", outlines::SUSPENSION),
        ("high voltage", outlines::HIGH_VOLTAGE),
    ];
    let own = problem.operations_of(car).iter().map(|&id| problem.operations[id].name.rsplit('.').next().unwrap_or(""));
    let own: Vec<&str> = own.collect();
    let follows = |outline: &str| {
        let steps = outlines::steps(outline);
        own.iter().all(|name| steps.iter().any(|step| step.name == *name))
            && steps.iter().filter(|step| step.percent == 100).all(|step| own.contains(&step.name))
    };
    named.into_iter().find(|(_, outline)| follows(outline)).map_or("other", |(name, _)| name)
}

fn tables(rows: &[Row]) -> String {
    let shops = rows.iter().map(|row| row.shop).max().map_or(0, |last| last + 1);
    let hours = |of: &dyn Fn(&Told) -> Option<Span>| {
        let values: Vec<f64> = rows.iter().filter_map(|row| Some(of(&row.told)?.minutes() as f64 / 60.0)).collect();
        mean(&values).map_or(f64::NAN, |mean| mean.mean)
    };
    let mut text = format!(
        "{} cars quoted in {shops} shops, {} without a date, {} not complete in the end.\n\n",
        rows.len(),
        rows.iter().filter(|row| row.told.dates.contains(&None)).count(),
        rows.iter().filter(|row| row.told.complete.is_none()).count(),
    );
    text += "| date | quoted | met | share | aimed at | Wilson, 95 % | mean of shops, 95 % | hours ahead |\n";
    text += "| --- | --- | --- | --- | --- | --- | --- | --- |\n";
    for level in Level::ALL {
        let all = kept(rows.iter().map(|row| &row.told), level);
        let (low, high) = wilson(all.met, all.told);
        let by_shop: Vec<f64> = (0..shops)
            .map(|shop| kept(rows.iter().filter(|row| row.shop == shop).map(|row| &row.told), level))
            .filter(|kept| kept.told > 0)
            .map(|kept| kept.share())
            .collect();
        let over =
            mean(&by_shop).map_or("-".into(), |mean| format!("{} +- {:.1}", percent(mean.mean), mean.half * 100.0));
        text += &format!(
            "| {} | {} | {} | **{}** | {:.0} | {} to {} | {over} | {:.0} |\n",
            name(level),
            all.told,
            all.met,
            percent(all.share()),
            level.share() * 100.0,
            percent(low),
            percent(high),
            hours(&|told| Some(told.dates[level as usize]? - told.at)),
        );
    }
    text += &format!(
        "\nA car took {:.0} hours on average, nights and weekends included.\n\n",
        hours(&|told| Some(told.complete? - told.at))
    );
    text += "| cars | quoted | P50 met | P80 met | P95 met |\n| --- | --- | --- | --- | --- |\n";
    let mut line = |name: &str, told: &dyn Fn(&Row) -> Option<Told>| {
        let told: Vec<Told> = rows.iter().filter_map(told).collect();
        let shares = Level::ALL.map(|level| percent(kept(&told, level).share()));
        text += &format!("| {name} | {} | {} |\n", told.len(), shares.join(" | "));
    };
    line("all", &|row| Some(row.told));
    line("all, by the futures alone, before what was learned", &|row| {
        Some(Told { dates: row.told.futures, ..row.told })
    });
    line("first half of each shop", &|row| (!row.late_half).then_some(row.told));
    line("second half", &|row| row.late_half.then_some(row.told));
    for load in sorted(rows.iter().map(|row| row.load.as_str())) {
        line(load, &|row| (row.load == load).then_some(row.told));
    }
    for (name, from, until) in
        [("0 to 2 cars open", 0, 3), ("3 to 5", 3, 6), ("6 to 9", 6, 10), ("10 and more", 10, usize::MAX)]
    {
        line(name, &|row| (from..until).contains(&row.told.open).then_some(row.told));
    }
    for kind in sorted(rows.iter().map(|row| row.kind)) {
        line(kind, &|row| (row.kind == kind).then_some(row.told));
    }
    text
}

fn sorted<'r>(of: impl Iterator<Item = &'r str>) -> Vec<&'r str> {
    let mut all: Vec<&str> = of.collect();
    all.sort_unstable();
    all.dedup();
    all
}

fn name(level: Level) -> &'static str {
    match level {
        Level::Likely => "P50",
        Level::P80 => "P80",
        Level::Safe => "P95",
    }
}

fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}
