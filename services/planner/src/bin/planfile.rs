//! Plans the problem in a file: `planfile INSTANCE --seconds S`, for comparison with other solvers.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Parser, ValueEnum};
use fitup_model::problem::Objective;
use fitup_model::{Problem, Time};
use fitup_planner::conflict::conflict;
use fitup_planner::format::psplib::Network;
use fitup_planner::format::{self, FormatError, Instance};
use fitup_planner::multi_mode::{self, Project};
use fitup_planner::{Idea, Options, Outcome, Progress, Solved, Stop, plan};

/// Plan the problem in a file and print `name price bound status seconds`
#[derive(Parser)]
struct Args {
    /// The file
    instance: PathBuf,
    /// Form of the file; by its extension if not given: .json shop, .sm and .mm PSPLIB, .rcp Patterson, .sch lags
    #[arg(long, value_enum)]
    format: Option<Format>,
    /// Seconds for the whole process, reading included
    #[arg(long, default_value_t = 10.0)]
    seconds: f64,
    /// Threads to search with
    #[arg(long, default_value_t = 2)]
    threads: usize,
    /// Start of the random numbers
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Search iterations in all; then the plan does not depend on the clock
    #[arg(long)]
    iterations: Option<u64>,
    /// Stop when the plan is at most this share dearer than need be
    #[arg(long, default_value_t = 0.0)]
    gap: f64,
    /// Leave these parts of the planner out, to see what they are worth
    #[arg(long, value_name = "PART", value_delimiter = ',', value_parser = idea())]
    without: Vec<Idea>,
    /// Say for each car that is left out which rules cannot be kept together, a line each; takes a fifth of the seconds
    #[arg(long)]
    explain: bool,
    /// Write the plan to this file, as JSON
    #[arg(long)]
    out: Option<PathBuf>,
    /// Write `seconds,price,bound` to this file at every improvement
    #[arg(long)]
    progress: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// A shop, as JSON
    Shop,
    /// Job shop
    JobShop,
    /// Flexible job shop
    FlexibleJobShop,
    /// Project network of PSPLIB, one mode an activity or several
    Psplib,
    /// Project network in Patterson's form
    Patterson,
    /// Project network with shortest and longest lags
    MaximumLag,
    /// Weighted tardiness on one machine
    WeightedTardiness,
}

fn idea() -> impl TypedValueParser<Value = Idea> {
    PossibleValuesParser::new(Idea::ALL.map(Idea::name)).try_map(|name| Idea::named(&name).ok_or("no such part"))
}

/// Share of the time in which left out cars are explained.
const EXPLAINING: f64 = 0.2;

/// Time that reading and writing a plan may take after the search was told to stop.
const RESERVE: Duration = Duration::from_millis(12);

struct Deadline {
    start: Instant,
    budget: Duration,
}

impl Stop for Deadline {
    fn should_stop(&self) -> bool {
        self.start.elapsed() >= self.budget
    }
    fn used(&self) -> f64 {
        (self.start.elapsed().as_secs_f64() / self.budget.as_secs_f64().max(1e-6)).min(1.0)
    }
    fn seconds_left(&self) -> Option<f64> {
        Some(self.budget.saturating_sub(self.start.elapsed()).as_secs_f64())
    }
}

fn main() -> ExitCode {
    let start = Instant::now();
    match run(&Args::parse(), start) {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            let _ = writeln!(io::stderr(), "error: {message}");
            ExitCode::from(2)
        }
    }
}

fn run(args: &Args, start: Instant) -> Result<(), String> {
    if !(0.0..=1e6).contains(&args.seconds) {
        return Err(format!("--seconds is 0 to 1000000, not {}", args.seconds));
    }
    let text = fs::read_to_string(&args.instance).map_err(|error| format!("{}: {error}", args.instance.display()))?;
    let task = read(args, &text).map_err(|error| format!("{}: {error}", args.instance.display()))?;
    let budget = Duration::from_secs_f64(args.seconds).saturating_sub(RESERVE);
    let instance = match task {
        Task::Shop(instance) => instance,
        Task::Project(project) => return plan_project(args, &project, &Deadline { start, budget }),
    };
    let searching = if args.explain { budget.mul_f64(1.0 - EXPLAINING) } else { budget };
    let deadline = Deadline { start, budget: searching };
    let options = Options {
        seed: args.seed,
        threads: args.threads.clamp(1, 64),
        iterations: args.iterations,
        gap: args.gap,
        switches: args.without.iter().copied().collect(),
        ..Options::default()
    };
    let lines = Mutex::new(String::from("seconds,price,bound\n"));
    let on_progress = |progress: &Progress| {
        if args.progress.is_some()
            && let Ok(mut lines) = lines.lock()
        {
            let price = progress.price.map_or(String::new(), |price| price.to_string());
            lines.push_str(&format!("{:.4},{price},{}\n", start.elapsed().as_secs_f64(), progress.bound));
        }
    };
    let outcome = plan(&instance.problem, &options, &deadline, &on_progress);
    if let (Some(path), Ok(lines)) = (&args.progress, lines.into_inner()) {
        fs::write(path, lines).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    let makespan = instance.problem.objective == Objective::Makespan;
    let status = match &outcome {
        Outcome::Infeasible(_) => "infeasible",
        // Jobs and projects of the public files are not left out: no plan is better than none of them.
        Outcome::Optimal(solved) if makespan && !solved.left_out.is_empty() => "infeasible",
        Outcome::Unknown { .. } => "unknown",
        Outcome::Optimal(solved) | Outcome::Feasible(solved) if !solved.left_out.is_empty() => "incomplete",
        Outcome::Optimal(_) => "optimal",
        Outcome::Feasible(_) => "feasible",
    };
    let (price, bound) = match &outcome {
        _ if status == "infeasible" => ("-".into(), "-".into()),
        Outcome::Optimal(solved) | Outcome::Feasible(solved) => (solved.cost.to_string(), solved.bound.to_string()),
        Outcome::Unknown { bound } => ("-".into(), bound.to_string()),
        Outcome::Infeasible(_) => ("-".into(), "-".into()),
    };
    if let (Some(path), Some(solved)) = (&args.out, outcome.solved()) {
        let text = format::shop::write_plan(&instance, &solved.plan);
        fs::write(path, text).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    let seconds = start.elapsed().as_secs_f64();
    let mut lines = format!("{} {price} {bound} {status} {seconds:.3}\n", instance.name);
    if let Some(solved) = outcome.solved().filter(|_| args.explain) {
        explain(&instance.problem, solved, &Deadline { start, budget }, &mut lines);
    }
    write!(io::stdout(), "{lines}").map_err(|error| error.to_string())
}

/// Adds a line for each car that is left out: the rules that keep it out.
fn explain(problem: &Problem, solved: &Solved, stop: &dyn Stop, lines: &mut String) {
    for left_out in &solved.left_out {
        let name = &problem.cars[left_out.car].name;
        let Some(found) = conflict(problem, &solved.plan, left_out.car, stop) else {
            lines.push_str(&format!("{name}: no conflict is proven\n"));
            continue;
        };
        let minutes = |time: Time| time.minutes().to_string();
        let rules: Vec<String> = found.rules.iter().map(|rule| rule.describe(problem, &minutes)).collect();
        let proof = if found.minimal { "" } else { " (some may be spared)" };
        lines.push_str(&format!("{name}: these cannot be kept together{proof}: {}\n", rules.join("; ")));
    }
}

/// What is planned.
enum Task {
    Shop(Box<Instance>),
    Project(Project),
}

fn read(args: &Args, text: &str) -> Result<Task, FormatError> {
    let by_extension = match args.instance.extension().and_then(|extension| extension.to_str()) {
        Some("sm" | "mm") => Format::Psplib,
        Some("rcp") => Format::Patterson,
        Some("sch") => Format::MaximumLag,
        _ => Format::Shop,
    };
    let name = args.instance.file_stem().map_or("problem".into(), |stem| Path::new(stem).display().to_string());
    let instance = match args.format.unwrap_or(by_extension) {
        Format::Shop => format::shop::read(text),
        Format::JobShop => format::job_shop::read(&name, text),
        Format::FlexibleJobShop => format::flexible_job_shop::read(&name, text),
        Format::Psplib => match format::psplib::read(&name, text)? {
            Network::Multi(project) => return Ok(Task::Project(project)),
            Network::Single(instance) => return Ok(Task::Shop(instance)),
        },
        Format::Patterson => format::network::read_patterson(&name, text),
        Format::MaximumLag => format::maximum_lag::read(&name, text),
        Format::WeightedTardiness => format::weighted_tardiness::read(&name, text),
    };
    Ok(Task::Shop(Box::new(instance?)))
}

/// Plans a project with modes; `--iterations` counts nodes, and the other options mean nothing here.
fn plan_project(args: &Args, project: &Project, stop: &Deadline) -> Result<(), String> {
    let mut curve = String::from("seconds,price,bound\n");
    let found = multi_mode::solve(project, args.iterations, stop, &mut |makespan, bound| {
        curve.push_str(&format!("{:.4},{makespan},{bound}\n", stop.start.elapsed().as_secs_f64()));
    });
    if let Some(path) = &args.progress {
        fs::write(path, curve).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    if let Some(fault) = found.plan.as_ref().and_then(|plan| project.fault(plan)) {
        return Err(format!("the planner broke a rule: {fault}"));
    }
    let (price, bound, status) = match (&found.plan, found.finished) {
        (Some(plan), true) => (plan.makespan.to_string(), found.bound.to_string(), "optimal"),
        (Some(plan), false) => (plan.makespan.to_string(), found.bound.to_string(), "feasible"),
        (None, true) => ("-".into(), "-".into(), "infeasible"),
        (None, false) => ("-".into(), found.bound.to_string(), "unknown"),
    };
    if let (Some(path), Some(plan)) = (&args.out, &found.plan) {
        let text = format::psplib::write_plan(project, plan);
        fs::write(path, text).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    let seconds = stop.start.elapsed().as_secs_f64();
    writeln!(io::stdout(), "{} {price} {bound} {status} {seconds:.3}", project.name())
        .map_err(|error| error.to_string())
}
