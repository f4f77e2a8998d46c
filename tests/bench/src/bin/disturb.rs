//! Disturbs published plans and measures the answers: `disturb --count 100`.
//!
//! A part that was to be there slips by one to three days, for an operation that is published to start within two days.
//! Least change is held against the best outcome: how many of the operations of the next two days each moves, how many of
//! these no plan could leave where they are, what each answer costs, and how long it takes. The last lines tell the
//! distribution. The disturbances are the same on every machine; prices depend on how far the searches get in their time.

#![allow(clippy::print_stdout, reason = "its output is what it is for")]

use std::error::Error;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use clap::{Parser, ValueEnum};
use fitup_bench::chance::Chance;
use fitup_bench::families;
use fitup_model::keyed::OperationId;
use fitup_model::problem::{Published, PublishedBay, Ready, ReadyReason};
use fitup_model::{Calendar, Plan, Problem, ProblemData, Span, Time, check, cost, repair};
use fitup_planner::least_change::{Must, least_change};
use fitup_planner::replan::push_right;
use fitup_planner::{Never, Options, Stop, plan};

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
    /// Steps of search for the published plan of a shop
    #[arg(long, default_value_t = 300_000)]
    publish: u64,
    /// Seconds for the best outcome; least change takes a fifth of it
    #[arg(long, default_value_t = 4.0)]
    seconds: f64,
    /// Count time of the processor in place of the clock's: where others use the machine as well
    #[arg(long)]
    processor: bool,
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

/// The time that has passed, by the clock or of the processor.
struct Watch {
    started: Instant,
    before: Duration,
    of_processor: bool,
    /// What of the processor was used when it was last asked, in microseconds of the watch: asking takes longer than a step.
    asked: AtomicU64,
    used: AtomicU64,
}

impl Watch {
    fn start(of_processor: bool) -> Watch {
        let before = if of_processor { processor_time() } else { Duration::ZERO };
        let (asked, used) = (AtomicU64::new(0), AtomicU64::new(0));
        Watch { started: Instant::now(), before, of_processor, asked, used }
    }

    fn seconds(&self) -> f64 {
        let passed = self.started.elapsed();
        if !self.of_processor {
            return passed.as_secs_f64();
        }
        let now = passed.as_micros() as u64;
        if now >= self.asked.load(Ordering::Relaxed) + 2_000 {
            self.asked.store(now, Ordering::Relaxed);
            self.used.store((processor_time() - self.before).as_micros() as u64, Ordering::Relaxed);
        }
        self.used.load(Ordering::Relaxed) as f64 / 1e6
    }

    fn millis(&self) -> f64 {
        self.asked.store(0, Ordering::Relaxed);
        self.seconds() * 1000.0
    }
}

/// Returns the processor time of this process so far, to a hundredth of a second: fields 14 and 15 of `proc_pid_stat(5)`.
fn processor_time() -> Duration {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = stat.rsplit_once(')').map_or("", |(_, rest)| rest);
    let ticks = after_name.split_whitespace().skip(11).take(2).filter_map(|field| field.parse::<u64>().ok());
    Duration::from_millis(ticks.sum::<u64>() * 10)
}

struct Deadline<'w>(&'w Watch, f64);

impl Stop for Deadline<'_> {
    fn should_stop(&self) -> bool {
        self.0.seconds() >= self.1
    }
    fn used(&self) -> f64 {
        (self.0.seconds() / self.1).min(1.0)
    }
    fn seconds_left(&self) -> Option<f64> {
        Some((self.1 - self.0.seconds()).max(0.0))
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    let family = families::ALL.into_iter().find(|family| family.name == args.family).ok_or("no such family")?;
    let mut all = Vec::new();
    println!("shop       near  must  least  best  least-over-best  push-ms  least-ms  best-ms");
    for seed in 0..args.count.div_ceil(args.each) {
        let text = serde_json::to_string(&families::shop(&family, 100 + seed))?;
        let instance = fitup_planner::format::shop::read(&text).map_err(|error| format!("{error:?}"))?;
        let problem = instance.problem;
        let options = Options { iterations: Some(args.publish), ..Options::default() };
        let found = plan(&problem, &options, &Never, &|_| ());
        let published = found.solved().ok_or("no plan")?.plan.clone();
        let mut chance = Chance::new(seed + 1);
        for _ in 0..args.each.min(args.count - seed * args.each) {
            let disturbed = disturbed(&problem, &published, args.what, &mut chance)?;
            let one = measured(&disturbed, &published, args.seconds, args.processor)?;
            println!(
                "{}-{:<4} {:5} {:5} {:6} {:5} {:15.2}% {:8.0} {:9.0} {:8.0}",
                args.family,
                100 + seed,
                one.near,
                one.must,
                one.least,
                one.best,
                one.over,
                one.push_ms,
                one.least_ms,
                one.best_ms
            );
            all.push(one);
        }
    }
    println!("\n                                      min     p50     p90     p95     max");
    tell("must move of the next two days, %", &all, |one| one.share(one.must));
    tell("moved by least change, %", &all, |one| one.share(one.least));
    tell("moved beyond what must, %", &all, |one| one.share(one.least - one.must.min(one.least)));
    tell("  of these, of cars that are hit", &all, |one| one.beyond_own as f64);
    tell("  of these, of other cars", &all, |one| one.beyond_others as f64);
    tell("moved by best outcome, %", &all, |one| one.share(one.best));
    tell("least change over best outcome, %", &all, |one| one.over);
    tell("pushing right, ms", &all, |one| one.push_ms);
    tell("least change, ms", &all, |one| one.least_ms);
    tell("best outcome, ms", &all, |one| one.best_ms);
    let count = |good: &dyn Fn(&Measured) -> bool| all.iter().filter(|one| good(one)).count();
    let few = |one: &Measured| one.share(one.least) <= 10.0;
    let near = |one: &Measured| one.over <= 5.0;
    println!("of {}: at most 10 % must move in {}", all.len(), count(&|one| one.share(one.must) <= 10.0));
    println!(
        "  moved at most 10 %: {}; nothing beyond what must: {}",
        count(&few),
        count(&|one| one.least <= one.must)
    );
    println!(
        "  at most 5 % dearer: {}; that and at most 10 % moved: {}",
        count(&near),
        count(&|one| few(one) && near(one))
    );
    Ok(())
}

/// What came of one disturbance.
struct Measured {
    /// Operations of the next two days, and how many of them move in every plan, by least change and by the best outcome.
    near: usize,
    must: usize,
    least: usize,
    best: usize,
    /// What least change moves of them that could stay, each by itself: of cars of which something must move, and of others.
    beyond_own: usize,
    beyond_others: usize,
    /// By how much least change is dearer than the best outcome, in percent.
    over: f64,
    push_ms: f64,
    least_ms: f64,
    best_ms: f64,
}

impl Measured {
    fn share(&self, moved: usize) -> f64 {
        moved as f64 / self.near.max(1) as f64 * 100.0
    }
}

fn measured(
    disturbed: &Problem,
    published: &Plan,
    seconds: f64,
    of_processor: bool,
) -> Result<Measured, Box<dyn Error>> {
    let until = disturbed.now + Span::from_minutes(TWO_DAYS);
    let near = repair::near(disturbed, published, until);
    let must = Must::new(disturbed, published, &near);
    let options = Options::default();
    let started = Instant::now();
    let (pushed, _) = push_right(disturbed, published);
    let push_ms = started.elapsed().as_secs_f64() * 1000.0;
    assert!(check(disturbed, &pushed).is_empty(), "{:?}", check(disturbed, &pushed));
    let watch = Watch::start(of_processor);
    let least = least_change(disturbed, published, &options, &Deadline(&watch, seconds / 5.0));
    let least_ms = watch.millis();
    assert!(check(disturbed, &least.plan).is_empty(), "{:?}", check(disturbed, &least.plan));
    let watch = Watch::start(of_processor);
    let with_start = Options { start: Some(&least.plan), ..options };
    let best = plan(disturbed, &with_start, &Deadline(&watch, seconds), &|_| ());
    let best_ms = watch.millis();
    let best = best.solved().ok_or("no plan")?.plan.clone();
    let price = |plan: &Plan| cost::cost(disturbed, plan) as f64;
    let moved =
        |plan: &Plan| near.iter().copied().filter(|id| !repair::stays(disturbed, published, plan, *id)).collect();
    let by_least: Vec<OperationId> = moved(&least.plan);
    let by_best: Vec<OperationId> = moved(&best);
    assert!(by_least.len() >= must.count() && by_best.len() >= must.count(), "what must move has moved");
    assert!(must.moved.iter().all(|id| by_least.contains(id) && by_best.contains(id)), "what must move has moved");
    let car = |id: &OperationId| disturbed.operations[*id].car;
    let hit = |id: &OperationId| must.moved.iter().any(|other| car(other) == car(id));
    let beyond: Vec<OperationId> = by_least.iter().copied().filter(|id| !must.moved.contains(id)).collect();
    Ok(Measured {
        near: near.len(),
        must: must.count(),
        least: by_least.len(),
        best: by_best.len(),
        beyond_own: beyond.iter().filter(|id| hit(id)).count(),
        beyond_others: beyond.iter().filter(|id| !hit(id)).count(),
        over: (price(&least.plan) / price(&best) - 1.0) * 100.0,
        push_ms,
        least_ms,
        best_ms,
    })
}

fn tell(what: &str, all: &[Measured], of: impl Fn(&Measured) -> f64) {
    let mut values: Vec<f64> = all.iter().map(of).collect();
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
    println!("{what:34} {:7.1} {:7.1} {:7.1} {:7.1} {:7.1}", at(0.0), at(0.5), at(0.9), at(0.95), at(1.0));
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
