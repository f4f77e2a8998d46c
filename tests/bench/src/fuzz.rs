//! Gives broken files to the readers of the planner, and plans what they take.
//!
//! Expected of a reader: it answers at once, it does not panic, and a refusal says where and why. Expected of the
//! planner: whatever a reader takes is planned without a panic, by the time it was told, and within the rules.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use fitup_planner::format::psplib::Network;
use fitup_planner::format::{self, FormatError, Instance};
use fitup_planner::multi_mode::{self, Project};
use fitup_planner::{Options, Stop};

use crate::chance::Chance;
use crate::families;
use crate::mutate::{self, Original};

/// No text is read for longer.
const PATIENCE: Duration = Duration::from_secs(2);

/// The planner is told to stop after this, and has to be back after [`PATIENCE`].
const PLANNING: Duration = Duration::from_millis(30);

/// A reader, with the files that it takes.
struct Target {
    name: &'static str,
    read: fn(&str) -> Result<Network, FormatError>,
    originals: Vec<Original>,
}

/// What happened.
#[derive(Debug, Clone, Default)]
pub struct Report {
    /// Texts given to a reader.
    pub texts: u64,
    /// Texts refused.
    pub refused: u64,
    /// Problems planned.
    pub planned: u64,
    /// Longest reading.
    pub slowest: Duration,
    /// What went wrong, with the number of the text.
    pub failures: Vec<String>,
}

/// How to fuzz.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// Number of the first text.
    pub first: u64,
    /// How many texts.
    pub count: u64,
    /// Together with the number of a text it settles the text.
    pub seed: u64,
    /// Of what the readers take, every so many is planned; 0 plans none.
    pub plan_every: u64,
}

/// Returns the text of a number, with the name of its format.
pub fn text(seed: u64, number: u64) -> (&'static str, String) {
    let targets = targets();
    let (target, text) = one(&targets, seed, number);
    (target.name, text)
}

/// Reads the texts of `settings`; panics are caught and reported.
pub fn run(settings: Settings) -> Report {
    let targets = targets();
    let mut report = Report::default();
    for number in settings.first..settings.first + settings.count {
        let (target, text) = one(&targets, settings.seed, number);
        let start = Instant::now();
        let answer = catch_unwind(AssertUnwindSafe(|| (target.read)(&text)));
        let took = start.elapsed();
        report.texts += 1;
        report.slowest = report.slowest.max(took);
        let mut fail = |what: String| report.failures.push(format!("{} text {number}: {what}", target.name));
        if took > PATIENCE {
            fail(format!("was read for {took:?}"));
        }
        match answer {
            Err(_) => fail("the reader panicked".into()),
            Ok(Err(error)) => {
                report.refused += 1;
                if !says_where_and_why(&error) {
                    fail(format!("the refusal says too little: {error}"));
                }
            }
            Ok(Ok(network)) => {
                let taken = report.texts - report.refused;
                if settings.plan_every > 0 && taken.is_multiple_of(settings.plan_every) {
                    report.planned += 1;
                    if let Err(what) = plan(&network) {
                        report.failures.push(format!("{} text {number}: {what}", target.name));
                    }
                }
            }
        }
    }
    report
}

fn one(targets: &[Target], seed: u64, number: u64) -> (&Target, String) {
    let mut chance = Chance::new(seed.wrapping_mul(0x1000_0000_01b3) ^ number);
    // Most of all shops: theirs is the format with the most to get wrong.
    let target = if chance.happens(70) { &targets[0] } else { &targets[chance.below(targets.len())] };
    let original = &target.originals[chance.below(target.originals.len())];
    (target, original.broken(&mut chance))
}

/// Tells whether a refusal names a place and a reason.
pub fn says_where_and_why(error: &FormatError) -> bool {
    match error {
        FormatError::Json(message) => message.contains("line") && message.len() > 10,
        FormatError::At { path, message } => !path.is_empty() && message.len() > 5,
        FormatError::Faults(faults) => {
            !faults.is_empty() && faults.iter().all(|fault| !fault.path.is_empty() && fault.message.len() > 5)
        }
    }
}

/// A stop after a time.
struct After(Instant);

impl Stop for After {
    fn should_stop(&self) -> bool {
        self.0.elapsed() >= PLANNING
    }

    fn used(&self) -> f64 {
        (self.0.elapsed().as_secs_f64() / PLANNING.as_secs_f64()).min(1.0)
    }
}

fn plan(network: &Network) -> Result<(), String> {
    match network {
        Network::Single(instance) => plan_shop(instance),
        Network::Multi(project) => plan_project(project),
    }
}

fn plan_project(project: &Project) -> Result<(), String> {
    let start = Instant::now();
    let found = catch_unwind(AssertUnwindSafe(|| multi_mode::solve(project, None, &After(start), &mut |_, _| {})))
        .map_err(|_| "the planner panicked".to_string())?;
    if start.elapsed() > PATIENCE {
        return Err(format!("was planned for {:?}", start.elapsed()));
    }
    let Some(plan) = &found.plan else { return Ok(()) };
    if let Some(fault) = project.fault(plan) {
        return Err(format!("the plan breaks a rule: {fault}"));
    }
    if found.bound > plan.makespan { Err("the bound is above the plan".into()) } else { Ok(()) }
}

fn plan_shop(instance: &Instance) -> Result<(), String> {
    let problem = &instance.problem;
    let start = Instant::now();
    let stop = After(start);
    let outcome = catch_unwind(AssertUnwindSafe(|| fitup_planner::plan(problem, &Options::default(), &stop, &|_| {})))
        .map_err(|_| "the planner panicked".to_string())?;
    if start.elapsed() > PATIENCE {
        return Err(format!("was planned for {:?}", start.elapsed()));
    }
    let Some(solved) = outcome.solved() else { return Ok(()) };
    let broken = fitup_model::check::check(problem, &solved.plan);
    if let Some(violation) = broken.first() {
        return Err(format!("the plan breaks a rule: {}", violation.message));
    }
    let cost = fitup_model::cost::cost(problem, &solved.plan);
    if cost != solved.cost || solved.bound > cost {
        return Err(format!("the plan costs {cost}, said were {} and a bound of {}", solved.cost, solved.bound));
    }
    Ok(())
}

const JOB_SHOP: &str = "3 2\n0 3 1 2\n1 4 0 1\n0 2 1 0\n";

const FLEXIBLE_JOB_SHOP: &str = "2 3 1.5\n2 2 1 3 2 4 1 3 5\n1 3 1 7 2 5 3 6\n";

const PATTERSON: &str = "5 2\n3 2\n0 0 0 2 2 3\n4 2 0 1 4\n3 1 2 1 5\n2 0 1 1 5\n0 0 0 0\n";

const WEIGHTED_TARDINESS: &str = "26 1 80\n24 10 60\n79 9 100\n";

const PSPLIB: &str = "\
************************************************************************
jobs (incl. supersource/sink ):  5
horizon                       :  15
RESOURCES
  - renewable                 :  2   R
  - nonrenewable              :  0   N
  - doubly constrained        :  0   D
************************************************************************
PROJECT INFORMATION:
pronr.  #jobs rel.date duedate tardcost  MPM-Time
    1      3      0       8       2        8
************************************************************************
PRECEDENCE RELATIONS:
jobnr.    #modes  #successors   successors
   1        1          2           2   3
   2        1          1           4
   3        1          1           5
   4        1          1           5
   5        1          0
************************************************************************
REQUESTS/DURATIONS:
jobnr. mode duration  R 1  R 2
------------------------------------------------------------------------
  1      1     0       0    0
  2      1     4       2    0
  3      1     3       1    2
  4      1     5       0    1
  5      1     0       0    0
************************************************************************
RESOURCEAVAILABILITIES:
  R 1  R 2
    3    2
************************************************************************
";

const MULTI_MODE: &str = "\
PRECEDENCE RELATIONS:
jobnr.    #modes  #successors   successors
   1        1          2           2   3
   2        2          1           4
   3        2          1           4
   4        1          0
************************************************************************
REQUESTS/DURATIONS:
jobnr. mode duration  R 1  N 1
------------------------------------------------------------------------
  1      1     0       0    0
  2      1     2       2    4
         2     4       1    1
  3      1     3       2    3
         2     5       1    0
  4      1     0       0    0
************************************************************************
RESOURCEAVAILABILITIES:
  R 1  N 1
    3    5
************************************************************************
";

fn single(read: Result<Instance, FormatError>) -> Result<Network, FormatError> {
    Ok(Network::Single(Box::new(read?)))
}

fn targets() -> Vec<Target> {
    let shop = |seed| serde_json::to_string(&families::shop(&families::ALL[0], seed)).expect("always JSON");
    let texts = |texts: &[String]| texts.iter().cloned().map(Original::new).collect();
    let lines = |text: &str| vec![Original::new(text.to_string())];
    vec![
        Target {
            name: "shop",
            read: |text| single(format::shop::read(text)),
            originals: texts(&[mutate::plain_shop().to_string(), shop(1), shop(2), shop(3)]),
        },
        Target { name: "job-shop", read: |text| single(format::job_shop::read("x", text)), originals: lines(JOB_SHOP) },
        Target {
            name: "flexible-job-shop",
            read: |text| single(format::flexible_job_shop::read("x", text)),
            originals: lines(FLEXIBLE_JOB_SHOP),
        },
        Target {
            name: "psplib",
            read: |text| format::psplib::read("x", text),
            originals: vec![Original::new(PSPLIB.into()), Original::new(MULTI_MODE.into())],
        },
        Target {
            name: "patterson",
            read: |text| single(format::network::read_patterson("x", text)),
            originals: lines(PATTERSON),
        },
        Target {
            name: "weighted-tardiness",
            read: |text| single(format::weighted_tardiness::read("x", text)),
            originals: lines(WEIGHTED_TARDINESS),
        },
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readers_take_the_originals() {
        for (target, text) in targets().iter().zip([
            &mutate::plain_shop().to_string(),
            JOB_SHOP,
            FLEXIBLE_JOB_SHOP,
            PSPLIB,
            PATTERSON,
            WEIGHTED_TARDINESS,
        ]) {
            if let Err(error) = (target.read)(text) {
                panic!("{}: {error}", target.name);
            }
        }
    }
}
