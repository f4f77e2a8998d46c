//! Disturbs published plans and measures the answers: `disturb --count 100`.
//!
//! A part that was to be there slips by one to three days, for an operation that is published to start within two days.
//! Least change is held against the best outcome: how many of the operations of the next two days each moves, what each
//! costs, and how long each takes. The last lines tell the distribution.

#![allow(clippy::print_stdout, reason = "its output is what it is for")]

use std::error::Error;
use std::time::{Duration, Instant};

use clap::{Parser, ValueEnum};
use fitup_bench::chance::Chance;
use fitup_bench::families;
use fitup_model::keyed::OperationId;
use fitup_model::problem::{Published, PublishedBay, Ready, ReadyReason};
use fitup_model::{Calendar, Plan, Problem, ProblemData, Span, Time, check, cost, repair};
use fitup_planner::replan::{least_change, push_right};
use fitup_planner::{Options, Stop, plan};

/// Disturb published plans and measure the answers
#[derive(Parser)]
struct Args {
    /// Disturbances
    #[arg(long, default_value_t = 100)]
    count: u64,
    /// Disturbances of each shop
    #[arg(long, default_value_t = 10)]
    each: u64,
    /// Family of the shops
    #[arg(long, default_value = "large")]
    family: String,
    /// Seconds for the published plan of a shop
    #[arg(long, default_value_t = 20.0)]
    publish: f64,
    /// Seconds for the best outcome; least change takes a sixth of it
    #[arg(long, default_value_t = 4.0)]
    seconds: f64,
    /// What happens
    #[arg(long, default_value = "part")]
    what: What,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum What {
    /// A part slips
    Part,
    /// A technician is out for the first day
    Out,
}

const TWO_DAYS: i64 = 2 * 1440;

struct Deadline(Instant, f64);

impl Stop for Deadline {
    fn should_stop(&self) -> bool {
        self.0.elapsed().as_secs_f64() >= self.1
    }
    fn used(&self) -> f64 {
        (self.0.elapsed().as_secs_f64() / self.1).min(1.0)
    }
    fn seconds_left(&self) -> Option<f64> {
        Some((self.1 - self.0.elapsed().as_secs_f64()).max(0.0))
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    let family = families::ALL.into_iter().find(|family| family.name == args.family).ok_or("no such family")?;
    let (mut moved, mut dearer, mut times, mut best_times) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let mut push_times = Vec::new();
    println!("shop       near  moved-by-least  moved-by-best  least-over-best  push-ms  least-ms  best-ms");
    for seed in 0..args.count.div_ceil(args.each) {
        let text = serde_json::to_string(&families::shop(&family, 100 + seed))?;
        let instance = fitup_planner::format::shop::read(&text).map_err(|error| format!("{error:?}"))?;
        let problem = instance.problem;
        let options = Options::default();
        let found = plan(&problem, &options, &Deadline(Instant::now(), args.publish), &|_| ());
        let published = found.solved().ok_or("no plan")?.plan.clone();
        let mut chance = Chance::new(seed + 1);
        for _ in 0..args.each.min(args.count - seed * args.each) {
            let disturbed = disturbed(&problem, &published, args.what, &mut chance)?;
            let near = disturbed.now + Span::from_minutes(TWO_DAYS);
            let started = Instant::now();
            let (pushed, _) = push_right(&disturbed, &published);
            let push = started.elapsed();
            assert!(check(&disturbed, &pushed).is_empty(), "{:?}", check(&disturbed, &pushed));
            let started = Instant::now();
            let limit = args.seconds / 6.0;
            let least = least_change(&disturbed, &published, &options, &Deadline(Instant::now(), limit));
            let least_time = started.elapsed();
            assert!(check(&disturbed, &least.plan).is_empty(), "{:?}", check(&disturbed, &least.plan));
            let started = Instant::now();
            let with_start = Options { start: Some(&least.plan), ..options };
            let best = plan(&disturbed, &with_start, &Deadline(Instant::now(), args.seconds), &|_| ());
            let best_time = started.elapsed();
            let best = best.solved().ok_or("no plan")?.plan.clone();
            let (count, by_least) = repair::moved(&disturbed, &published, &least.plan, near);
            let (_, by_best) = repair::moved(&disturbed, &published, &best, near);
            let price = |plan: &Plan| cost::cost(&disturbed, plan) as f64;
            let over = price(&least.plan) / price(&best) - 1.0;
            let share = by_least as f64 / count.max(1) as f64;
            println!(
                "{}-{:<4} {count:5} {:14.1}% {:13.1}% {:15.2}% {:8} {:9} {:8}",
                args.family,
                100 + seed,
                share * 100.0,
                by_best as f64 / count.max(1) as f64 * 100.0,
                over * 100.0,
                push.as_millis(),
                least_time.as_millis(),
                best_time.as_millis()
            );
            moved.push(share * 100.0);
            dearer.push(over * 100.0);
            times.push(millis(least_time));
            best_times.push(millis(best_time));
            push_times.push(millis(push));
        }
    }
    println!("\n                                   min     p50     p90     p95     max");
    tell("moved of the next two days, %", &mut moved);
    tell("least over best, %", &mut dearer);
    tell("pushing right, ms", &mut push_times);
    tell("least change, ms", &mut times);
    tell("best outcome, ms", &mut best_times);
    let both = moved.iter().filter(|share| **share <= 10.0).count();
    let near = dearer.iter().filter(|over| **over <= 5.0).count();
    println!("moved at most 10 %: {both} of {}; at most 5 % dearer: {near} of {}", moved.len(), dearer.len());
    Ok(())
}

fn millis(time: Duration) -> f64 {
    time.as_secs_f64() * 1000.0
}

fn tell(what: &str, values: &mut [f64]) {
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
    println!("{what:31} {:7.1} {:7.1} {:7.1} {:7.1} {:7.1}", at(0.0), at(0.5), at(0.9), at(0.95), at(1.0));
}

/// Returns the problem with `published` in it, at the shop's default prices, and with what happens.
fn disturbed(problem: &Problem, published: &Plan, what: What, chance: &mut Chance) -> Result<Problem, Box<dyn Error>> {
    let mut data = problem.clone().into_data();
    data.now = data.now.max(Time::from_minutes(7 * 60));
    let soon = data.now + Span::from_minutes(TWO_DAYS);
    let factor = |start: Time| if start < soon { 3 } else { 1 };
    let mut near: Vec<OperationId> = Vec::new();
    for (id, assignment) in published.operations.iter() {
        let Some(assignment) = assignment else { continue };
        let factor = factor(assignment.start);
        data.operations[id].published = Some(Published {
            start: assignment.start,
            technicians: assignment.technicians.clone(),
            person_price: 30 * factor,
            day_price: 60 * factor,
        });
        // Teardown waits for no part: what does has work of its car before it.
        let follows = problem.links.iter().any(|link| link.to == id);
        if assignment.start < soon && !data.operations[id].crew.is_empty() && follows {
            near.push(id);
        }
    }
    for (id, bay) in published.bays.iter() {
        let stay = published.occupation(problem, id);
        if let (Some(bay), Some(stay)) = (*bay, stay) {
            data.visits[id].published = Some(PublishedBay { bay, price: 30 * factor(stay.start()) });
        }
    }
    if near.is_empty() {
        return Err("nothing starts within two days".into());
    }
    let hit = near[chance.below(near.len())];
    let assignment = published.operations[hit].as_ref().ok_or("it is planned")?;
    match what {
        What::Part => {
            let time = assignment.start + Span::from_minutes(1440 * chance.between(1, 3));
            data.operations[hit].ready.push(Ready { time, reason: ReadyReason::Part("late".into()) });
        }
        What::Out => out(&mut data, problem, assignment.technicians[0]),
    }
    Problem::new(data).map_err(|faults| format!("{faults:?}").into())
}

fn out(data: &mut ProblemData, problem: &Problem, technician: fitup_model::keyed::TechnicianId) {
    let day = Calendar::always(data.now, data.now + Span::from_minutes(1440));
    let regular = problem.calendars[problem.technicians[technician].calendar].minus(&day);
    data.technicians[technician].calendar = data.calendars.push(regular);
    if let Some(all) = problem.technicians[technician].with_overtime {
        let all = problem.calendars[all].minus(&day);
        data.technicians[technician].with_overtime = Some(data.calendars.push(all));
    }
}
