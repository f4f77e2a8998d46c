//! Flexible job shops: `jobs machines` and perhaps the mean flexibility on the first line, then for each job the number
//! of operations, and for each operation the number of alternatives and as many pairs `machine duration`.
//!
//! Machines count from 0 or from 1; a file that never names 0 counts from 1. The form of the instances of Brandimarte
//! (1993), doi:10.1007/BF02023073.
//!
//! Durations differ freely from machine to machine, and a technician has one efficiency a skill, in thousandths. So each
//! operation is a skill of its own; its booked work is chosen such that every duration comes out by some efficiency.

use fitup_model::Span;
use fitup_model::problem::Efficiency;

use super::{FormatError, Instance, LARGEST, MOST, Numbers, at};
use crate::format::network::Builder;

/// Reads a flexible job shop; the makespan is what counts.
///
/// # Errors
/// The first number that is missing, unreadable or out of range, or an operation whose durations no efficiencies express.
pub fn read(name: &str, text: &str) -> Result<Instance, FormatError> {
    // The mean flexibility may be a decimal and is of no use.
    let mut lines = text.splitn(2, '\n');
    let first: String = lines.next().unwrap_or("").split_whitespace().take(2).collect::<Vec<_>>().join(" ");
    let text = format!("{first}\n{}", lines.next().unwrap_or(""));
    let mut numbers = Numbers::new(&text);
    let (jobs, machines) = (numbers.next("number of jobs", 1..=MOST)?, numbers.next("number of machines", 1..=MOST)?);
    let mut read: Vec<Vec<Vec<(i64, i64)>>> = Vec::new();
    for _ in 0..jobs {
        let mut job = Vec::new();
        for _ in 0..numbers.next("number of operations", 1..=MOST)? {
            let mut ways = Vec::new();
            for _ in 0..numbers.next("number of alternatives", 1..=machines)? {
                ways.push((numbers.next("machine", 0..=machines)?, numbers.next("duration", 1..=LARGEST)?));
            }
            job.push(ways);
        }
        read.push(job);
    }
    let all = || read.iter().flatten().flatten();
    let base = i64::from(all().all(|(machine, _)| *machine > 0));
    if let Some((machine, _)) = all().find(|(machine, _)| machine - base >= machines) {
        return Err(at("machines", format!("machine {machine} is more than there are")));
    }
    let mut builder = Builder::new();
    let people: Vec<_> = (0..machines).map(|machine| builder.technician(&format!("m{machine}"))).collect();
    for (job, operations) in read.iter().enumerate() {
        let car = builder.car(&format!("j{job}"));
        let mut before = None;
        for (step, ways) in operations.iter().enumerate() {
            let label = format!("j{job}.{step}");
            let durations: Vec<i64> = ways.iter().map(|(_, duration)| *duration).collect();
            let (work, efficiencies) = express(&durations)
                .ok_or_else(|| at(&label, "no booked work and efficiencies give these durations"))?;
            let skill = builder.skill(&label);
            for ((machine, _), efficiency) in ways.iter().zip(efficiencies) {
                builder.teach(people[(machine - base) as usize], skill, efficiency);
            }
            let operation = builder.operation(car, &label, work, vec![skill], Vec::new());
            if let Some(before) = before.replace(operation) {
                builder.link(before, operation, 0, None);
            }
        }
    }
    builder.finish(name)
}

/// Returns a work and for each duration an efficiency that makes it of this work.
fn express(durations: &[i64]) -> Option<(i64, Vec<Efficiency>)> {
    let longest = *durations.iter().max()?;
    let one = Span::from_minutes(1);
    (1..=8).map(|factor| longest * factor).find_map(|work| {
        let efficiencies: Option<Vec<Efficiency>> = durations
            .iter()
            .map(|&duration| {
                let near = work * 1000 / duration;
                (near - 1..=near + 2).filter_map(|thousandths| u32::try_from(thousandths).ok()).map(Efficiency).find(
                    |own| {
                        (1..=1_000_000).contains(&own.0)
                            && own.time_for(Span::from_minutes(work), one).minutes() == duration
                    },
                )
            })
            .collect();
        Some((work, efficiencies?))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_come_out_exactly() {
        for durations in [vec![3, 7, 11], vec![99, 98, 1], vec![1, 300], vec![17]] {
            let (work, efficiencies) = express(&durations).expect("small durations can be expressed");
            for (duration, efficiency) in durations.iter().zip(efficiencies) {
                assert_eq!(efficiency.time_for(Span::from_minutes(work), Span::from_minutes(1)).minutes(), *duration);
            }
        }
    }
}
