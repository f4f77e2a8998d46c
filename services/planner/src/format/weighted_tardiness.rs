//! Weighted tardiness on one machine: columns processing time, weight and due date, a line a job.
//!
//! The instances of Crauwels, Potts and Van Wassenhove (1998), doi:10.1287/ijoc.10.3.341, one to a file.

use super::{FormatError, Instance, LARGEST, Numbers};
use crate::format::network::Builder;

/// Reads jobs for one machine; the weighted tardiness is what counts.
///
/// # Errors
/// The first number that is missing, unreadable or out of range.
pub fn read(name: &str, text: &str) -> Result<Instance, FormatError> {
    let mut numbers = Numbers::new(text);
    let mut builder = Builder::new();
    builder.price_lateness();
    let skill = builder.machine("machine");
    let mut job = 0;
    while numbers.next < numbers.words.len() {
        let time = numbers.next("processing time", 1..=LARGEST)?;
        let weight = numbers.next("weight", 0..=LARGEST)?;
        let due = numbers.next("due date", 0..=LARGEST)?;
        let car = builder.late_car(&format!("j{job}"), Some(due), weight);
        builder.operation(car, &format!("j{job}.0"), time, vec![skill], Vec::new());
        job += 1;
    }
    builder.finish(name)
}
