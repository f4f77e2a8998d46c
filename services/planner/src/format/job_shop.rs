//! Job shops: `jobs machines`, then a line a job with pairs `machine duration`, machines counted from 0.
//!
//! The form of the instances of Fisher and Thompson (1963) and Lawrence (1984) as they are passed around.

use super::{FormatError, Instance, LARGEST, MOST, Numbers};
use crate::format::network::Builder;

/// Reads a job shop; the makespan is what counts.
///
/// # Errors
/// The first number that is missing, unreadable or out of range.
pub fn read(name: &str, text: &str) -> Result<Instance, FormatError> {
    let mut numbers = Numbers::new(text);
    let (jobs, machines) = (numbers.next("number of jobs", 1..=MOST)?, numbers.next("number of machines", 1..=MOST)?);
    let mut builder = Builder::new();
    let skills: Vec<_> = (0..machines).map(|machine| builder.machine(&format!("m{machine}"))).collect();
    for job in 0..jobs {
        let car = builder.car(&format!("j{job}"));
        let mut before = None;
        for step in 0..machines {
            let machine = numbers.next("machine", 0..=machines - 1)?;
            let duration = numbers.next("duration", 0..=LARGEST)?;
            let crew = if duration == 0 { Vec::new() } else { vec![skills[machine as usize]] };
            let operation = builder.operation(car, &format!("j{job}.{step}"), duration, crew, Vec::new());
            if let Some(before) = before.replace(operation) {
                builder.link(before, operation, 0, None);
            }
        }
    }
    builder.finish(name)
}
