//! Project networks of PSPLIB, Kolisch and Sprecher (1996), doi:10.1016/S0377-2217(96)00170-1: `.sm` with one mode an
//! activity and `.mm` with several, and with resources that are used up.

use serde_json::{Map, json};

use super::network::{Activity, build};
use super::{FormatError, Instance, LARGEST, at};
use crate::multi_mode::{self, Choice, Mode, Project};

/// No project has more activities.
const MOST: usize = 1000;

/// A file that was read.
#[derive(Debug, Clone)]
pub enum Network {
    /// Each activity has one mode and nothing is used up: a shop without bays.
    Single(Box<Instance>),
    /// Modes are to be chosen.
    Multi(Project),
}

/// Reads a PSPLIB file; the makespan is what counts.
///
/// # Errors
/// The first section that is missing or line that is wrong.
pub fn read(name: &str, text: &str) -> Result<Network, FormatError> {
    let file = File { lines: text.lines().collect() };
    let title = file.lines.get(file.section("RESOURCEAVAILABILITIES")? + 1).copied().unwrap_or("");
    let kinds: Vec<&str> = title.split_whitespace().filter(|word| word.starts_with(char::is_alphabetic)).collect();
    if let Some(other) = kinds.iter().find(|kind| **kind != "R" && **kind != "N") {
        return Err(at("RESOURCEAVAILABILITIES", format!("a resource is R or N, not \"{other}\"")));
    }
    let amounts_line = file.section("RESOURCEAVAILABILITIES")? + 2;
    let amounts = file.numbers(amounts_line)?;
    if amounts.len() != kinds.len() {
        let message = format!("there are {} amounts of {} resources", amounts.len(), kinds.len());
        return Err(at(format!("line {}", amounts_line + 1), message));
    }
    let split = |all: &[i64]| -> (Vec<i64>, Vec<i64>) {
        let (held, used): (Vec<_>, Vec<_>) = all.iter().zip(&kinds).partition(|(_, kind)| **kind == "R");
        let only = |pairs: Vec<(&i64, &&str)>| pairs.into_iter().map(|(amount, _)| *amount).collect();
        (only(held), only(used))
    };
    let (activities, counts) = file.precedence()?;
    let modes = file.modes(&counts, kinds.len())?;
    if modes.iter().all(|modes| modes.len() == 1) && kinds.iter().all(|kind| *kind == "R") {
        let of = |(successors, modes): (Vec<usize>, Vec<(i64, Vec<i64>)>)| {
            let (duration, demands) = modes.into_iter().next().expect("each has one");
            Activity { duration, demands, successors }
        };
        let single: Vec<Activity> = activities.into_iter().zip(modes).map(of).collect();
        return Ok(Network::Single(Box::new(build(name, &amounts, &single)?)));
    }
    let (held, used) = split(&amounts);
    let of = |(successors, modes): (Vec<usize>, Vec<(i64, Vec<i64>)>)| multi_mode::Activity {
        modes: (modes.into_iter())
            .map(|(duration, demands)| {
                let (held, used) = split(&demands);
                Mode { duration, held, used }
            })
            .collect(),
        successors,
    };
    let activities = activities.into_iter().zip(modes).map(of).collect();
    let project = Project::new(name, activities, held, used).map_err(|message| at("file", message))?;
    Ok(Network::Multi(project))
}

/// Reads one in which each activity has one mode and nothing is used up.
///
/// # Errors
/// As [`read`], and if it is another one.
pub fn read_single(name: &str, text: &str) -> Result<Instance, FormatError> {
    match read(name, text)? {
        Network::Single(instance) => Ok(*instance),
        Network::Multi(_) => Err(at("file", "activities have several modes, or use resources up: that is no shop")),
    }
}

/// Writes a choice of modes and starts as a plan file: `mode` counts from 0 in the order of the file.
pub fn write_plan(project: &Project, choice: &Choice) -> String {
    let mut ops = Map::new();
    for (index, (&start, &mode)) in choice.start.iter().zip(&choice.mode).enumerate() {
        let end = start + project.activities()[index].modes[mode].duration;
        ops.insert(format!("{}", index + 1), json!({ "start": start, "end": end, "mode": mode }));
    }
    json!({ "name": project.name(), "ops": ops, "visits": {} }).to_string()
}

struct File<'t> {
    lines: Vec<&'t str>,
}

impl File<'_> {
    fn section(&self, title: &str) -> Result<usize, FormatError> {
        let found = self.lines.iter().position(|line| line.trim_start().starts_with(title));
        found.ok_or_else(|| at("file", format!("there is no section \"{title}\"")))
    }

    fn numbers(&self, line: usize) -> Result<Vec<i64>, FormatError> {
        let text = self.lines.get(line).copied().unwrap_or("");
        let parse = |word: &str| match word.parse::<i64>() {
            Ok(number) if (0..=LARGEST).contains(&number) => Ok(number),
            _ => Err(at(format!("line {}", line + 1), format!("\"{word}\" is no number from 0 to {LARGEST}"))),
        };
        text.split_whitespace().map(parse).collect()
    }

    fn is_data(&self, line: usize) -> bool {
        self.lines.get(line).is_some_and(|text| text.trim_start().starts_with(|first: char| first.is_ascii_digit()))
    }

    /// Returns the successors of each activity, from 0 on, and how many modes it has.
    fn precedence(&self) -> Result<(Vec<Vec<usize>>, Vec<usize>), FormatError> {
        let (mut successors, mut counts) = (Vec::new(), Vec::new());
        let mut line = self.section("PRECEDENCE RELATIONS")? + 2;
        while self.is_data(line) {
            let row = self.numbers(line)?;
            let wrong = |message: String| at(format!("line {}", line + 1), message);
            if row.len() < 3 || row[0] as usize != successors.len() + 1 || row.len() != 3 + row[2] as usize {
                return Err(wrong("an activity has its number, its modes, and as many successors as it says".into()));
            }
            if row[1] < 1 || row[1] > 1000 {
                return Err(wrong(format!("an activity has 1 to 1000 modes, not {}", row[1])));
            }
            if successors.len() == MOST {
                return Err(wrong(format!("a project has at most {MOST} activities")));
            }
            let first = |&other: &i64| {
                let before = usize::try_from(other).ok().and_then(|other| other.checked_sub(1));
                before.ok_or_else(|| wrong(format!("there is no successor {other}")))
            };
            successors.push(row[3..].iter().map(first).collect::<Result<Vec<_>, _>>()?);
            counts.push(row[1] as usize);
            line += 1;
        }
        let count = successors.len();
        for (index, own) in successors.iter().enumerate() {
            if let Some(other) = own.iter().find(|other| **other >= count) {
                return Err(at(format!("activity {}", index + 1), format!("there is no successor {}", other + 1)));
            }
        }
        Ok((successors, counts))
    }

    /// Returns duration and requests of each mode of each activity.
    #[allow(clippy::type_complexity, reason = "a table of modes by activity, seen here only")]
    fn modes(&self, counts: &[usize], resources: usize) -> Result<Vec<Vec<(i64, Vec<i64>)>>, FormatError> {
        let mut line = self.section("REQUESTS/DURATIONS")? + 3;
        let mut all = Vec::with_capacity(counts.len());
        for (index, &count) in counts.iter().enumerate() {
            let mut modes = Vec::with_capacity(count);
            for mode in 1..=count {
                let row = self.numbers(line)?;
                // The first line of an activity has its number, too.
                let own = if mode == 1 && row.first() == Some(&(index as i64 + 1)) { &row[1..] } else { &row[..] };
                if own.len() != 2 + resources || own[0] != mode as i64 {
                    let message = format!(
                        "mode {mode} of activity {} has its number, its duration and {resources} requests",
                        index + 1
                    );
                    return Err(at(format!("line {}", line + 1), message));
                }
                modes.push((own[1], own[2..].to_vec()));
                line += 1;
            }
            all.push(modes);
        }
        Ok(all)
    }
}
