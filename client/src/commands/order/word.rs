//! Words of the command line about orders: `fender=received`, `pull=2.5`, `"2031-05-05 08:00"`.

use fitup_proto::v1;
use jiff::tz::TimeZone;
use prost_types::Timestamp;

use crate::error::Failure;
use crate::file::text;

/// When something is there.
#[derive(Debug, Clone, PartialEq)]
pub enum When {
    /// It is.
    There,
    /// Then.
    Expected(Timestamp),
}

/// Parses `received`, `granted` or an instant.
pub fn when(flag: &str, word: &str, there: &str, zone: &TimeZone) -> Result<When, Failure> {
    if word == there {
        return Ok(When::There);
    }
    match text::proto_instant(word, zone) {
        Ok(time) => Ok(When::Expected(time)),
        Err(problem) => Err(wrong(flag, format!("{problem}, and not \"{there}\""))),
    }
}

/// Parses an instant.
pub fn instant(flag: &str, word: &str, zone: &TimeZone) -> Result<Timestamp, Failure> {
    text::proto_instant(word, zone).map_err(|problem| wrong(flag, problem))
}

/// Splits `name=value`.
pub fn pair<'w>(flag: &str, word: &'w str, example: &str) -> Result<(&'w str, &'w str), Failure> {
    word.split_once('=').ok_or_else(|| wrong(flag, format!("\"{word}\" is not like {example}")))
}

/// Parses a number of hours into minutes.
pub fn hours(flag: &str, word: &str) -> Result<i64, Failure> {
    let hours: f64 = word.parse().map_err(|_| wrong(flag, format!("\"{word}\" is no number of hours")))?;
    text::whole_minutes(hours * 60.0).map_err(|problem| wrong(flag, format!("{word} h {problem}")))
}

/// Sets when a part is there.
pub fn set_part(part: &mut v1::Part, when: When) {
    (part.received, part.expected_time) = match when {
        When::There => (true, None),
        When::Expected(time) => (false, Some(time)),
    };
}

/// Sets when an approval is there.
pub fn set_approval(approval: &mut v1::Approval, when: When) {
    (approval.granted, approval.expected_time) = match when {
        When::There => (true, None),
        When::Expected(time) => (false, Some(time)),
    };
}

fn wrong(flag: &str, problem: impl AsRef<str>) -> Failure {
    Failure::usage(format!("{flag}: {}", problem.as_ref()))
}
