//! Project networks with shortest and longest lags from start to start, `.sch`: the form of ProGen/max, Schwindt (1998),
//! "Generation of resource-constrained project scheduling problems subject to temporal constraints", report WIOR-543,
//! University of Karlsruhe. Instances: Franck, Neumann and Schwindt, OR Spektrum 23 (2001).
//!
//! `activities resources 0 0`; for each activity, source and sink included, `id modes successors`, the successors, and
//! their lags in brackets; then `id mode duration` and demands; then capacities. A lag `d` from `i` to `j` reads
//! `start(j) >= start(i) + d`. Durations are fixed, so this is a shortest wait from the end of `i` to `j`, perhaps a
//! negative one, or a longest wait from the end of `j` to `i`. Links make no cycle: all activities are put into one order,
//! and each lag becomes the one of the two that goes forward in it.

use super::network::Builder;
use super::{FormatError, Instance, LARGEST, MOST, Numbers, at};

/// A lag from start to start.
struct Lag {
    from: usize,
    to: usize,
    lag: i64,
}

/// Reads a project with maximum lags; the makespan is what counts.
///
/// # Errors
/// The first number that is missing, unreadable or out of range.
pub fn read(name: &str, text: &str) -> Result<Instance, FormatError> {
    let text = text.replace(['[', ']'], " ");
    let mut numbers = Numbers::new(&text);
    let count = numbers.next("number of activities", 1..=MOST)? + 2;
    let resources = numbers.next("number of resources", 0..=MOST)?;
    for what in ["number of resources that are used up", "number of resources of both kinds"] {
        numbers.next(what, 0..=0)?;
    }
    let mut lags = Vec::new();
    for activity in 0..count {
        numbers.next("activity", activity..=activity)?;
        numbers.next("number of modes", 1..=1)?;
        let mut successors = Vec::new();
        for _ in 0..numbers.next("number of successors", 0..=count)? {
            successors.push(numbers.next("successor", 0..=count - 1)?);
        }
        for to in successors {
            let lag = numbers.next("lag", -LARGEST..=LARGEST)?;
            lags.push(Lag { from: activity as usize, to: to as usize, lag });
        }
    }
    let (mut durations, mut demands) = (Vec::new(), Vec::new());
    for activity in 0..count {
        numbers.next("activity", activity..=activity)?;
        numbers.next("mode", 1..=1)?;
        durations.push(numbers.next("duration", 0..=LARGEST)?);
        let mut own = Vec::new();
        for _ in 0..resources {
            own.push(numbers.next("demand", 0..=LARGEST)?);
        }
        demands.push(own);
    }
    let mut builder = Builder::new();
    let mut pools = Vec::new();
    for number in 1..=resources {
        let capacity = numbers.next("capacity", 0..=LARGEST)?;
        pools.push(builder.pool(&format!("R{number}"), capacity as u32));
    }
    let car = builder.car("project");
    let mut ids = Vec::new();
    for (activity, (&duration, demands)) in durations.iter().zip(&demands).enumerate() {
        let needs = pools.iter().zip(demands).filter(|(_, demand)| **demand > 0);
        let needs = needs.map(|(&pool, &demand)| (pool, demand as u32)).collect();
        ids.push(builder.operation(car, &activity.to_string(), duration, Vec::new(), needs));
    }
    let position = positions(count as usize, &lags);
    for &Lag { from, to, lag } in &lags {
        if from == to {
            if lag > 0 {
                return Err(at(format!("activity {from}"), "it has a lag to itself"));
            }
        } else if position[from] < position[to] {
            builder.link(ids[from], ids[to], lag - durations[from], None);
        } else {
            let longest = -lag - durations[to];
            builder.link(ids[to], ids[from], longest.min(-LARGEST), Some(longest));
        }
    }
    builder.finish(name)
}

/// Returns the position of each activity in an order that lags that are not negative agree with, as far as they can.
fn positions(count: usize, lags: &[Lag]) -> Vec<usize> {
    let mut before = vec![0usize; count];
    let mut after = vec![Vec::new(); count];
    for lag in lags.iter().filter(|lag| lag.lag >= 0 && lag.from != lag.to) {
        before[lag.to] += 1;
        after[lag.from].push(lag.to);
    }
    let mut position = vec![usize::MAX; count];
    let mut ready: Vec<usize> = (0..count).rev().filter(|&activity| before[activity] == 0).collect();
    let mut next = 0;
    // What a cycle keeps from being ready comes in the order of numbers.
    let mut rest = 0..count;
    while next < count {
        let Some(activity) = ready.pop().or_else(|| rest.next()) else { break };
        if position[activity] < usize::MAX {
            continue;
        }
        position[activity] = next;
        next += 1;
        for &other in &after[activity] {
            before[other] -= 1;
            if before[other] == 0 {
                ready.push(other);
            }
        }
    }
    position
}

#[cfg(test)]
mod tests {
    use fitup_model::Span;

    use super::*;

    #[test]
    fn lags_become_waits_after_the_end() {
        let text = "2 1 0 0\n0 1 1 1 [0]\n1 1 2 2 3 [5] [3]\n2 1 2 3 1 [4] [-7]\n3 1 0\n\
                    0 1 0 0\n1 1 3 1\n2 1 4 1\n3 1 0 0\n1\n";
        let problem = read("lags", text).expect("a project").problem;
        let span = Span::from_minutes;
        let waits: Vec<_> = problem.links.iter().map(|link| (link.min_wait, link.max_wait)).collect();
        // Activity 2 starts 5 after activity 1 at the earliest, 2 after its end, and 7 after it at the latest.
        let open = span(-LARGEST);
        assert_eq!(waits, [(span(0), None), (span(2), None), (span(0), None), (span(0), None), (open, Some(span(4)))]);
    }

    /// A lag of 2 both ways: no start keeps both, and the links say so without a cycle.
    #[test]
    fn lags_in_a_circle_are_read() {
        let text = "2 0 0 0\n0 1 0\n1 1 1 2 [2]\n2 1 1 1 [2]\n3 1 0\n0 1 0\n1 1 3\n2 1 4\n3 1 0\n";
        let problem = read("circle", text).expect("a project").problem;
        let outcome = crate::plan(&problem, &crate::Options::default(), &crate::Never, &|_| ());
        assert!(matches!(&outcome, crate::Outcome::Optimal(solved) if solved.left_out.len() == 1), "{outcome:?}");
    }

    #[test]
    fn what_is_wrong_is_named_with_its_line() {
        let error = read("lags", "1 0 0 0\n0 1 1 1 [x]\n").expect_err("no lag");
        assert_eq!(error.to_string(), "line 2: lag is no number: \"x\"");
        let error = read("lags", "1 0 2 0\n").expect_err("resources that are used up");
        assert!(error.to_string().contains("line 1: number of resources that are used up"), "{error}");
    }
}
