//! Files that problems are read from: text to [`Problem`] and plans to text, without any I/O.
//!
//! [`shop`] is the neutral form in which shops are exchanged with other solvers. The others are the formats of published
//! benchmark sets, turned into shops: a machine is a technician who is always there, a job is a car. Projects whose activities
//! have several modes are none, and have a search of their own, [`crate::multi_mode`].

mod entries;
pub mod flexible_job_shop;
pub mod job_shop;
pub mod maximum_lag;
pub mod network;
pub mod psplib;
pub mod shop;
pub mod weighted_tardiness;

use fitup_model::Problem;

/// A problem with the names that its file uses.
#[derive(Debug, Clone)]
pub struct Instance {
    /// Name of the instance.
    pub name: String,
    /// The problem.
    pub problem: Problem,
}

/// Why a file is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FormatError {
    /// The text is no JSON of the expected form.
    #[error("{0}")]
    Json(String),
    /// Something at a place in the file is wrong.
    #[error("{path}: {message}")]
    At {
        /// Where: a path of fields, or a line.
        path: String,
        /// A lowercase phrase.
        message: String,
    },
    /// The problem is refused by the model.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))]
    Faults(Vec<fitup_model::Fault>),
}

fn at(path: impl Into<String>, message: impl Into<String>) -> FormatError {
    FormatError::At { path: path.into(), message: message.into() }
}

/// The numbers of a text, one after another, whatever is between them.
struct Numbers<'t> {
    words: Vec<(usize, &'t str)>,
    next: usize,
}

impl<'t> Numbers<'t> {
    fn new(text: &'t str) -> Numbers<'t> {
        let lines = text.lines().enumerate();
        Numbers {
            words: lines.flat_map(|(line, text)| text.split_whitespace().map(move |word| (line + 1, word))).collect(),
            next: 0,
        }
    }

    /// Returns the next number, which lies in `range`.
    fn next(&mut self, what: &str, range: std::ops::RangeInclusive<i64>) -> Result<i64, FormatError> {
        let last = self.words.last().map_or(1, |(line, _)| *line);
        let Some(&(line, word)) = self.words.get(self.next) else {
            return Err(at(format!("line {last}"), format!("{what} is missing at the end")));
        };
        self.next += 1;
        let number =
            word.parse::<i64>().map_err(|_| at(format!("line {line}"), format!("{what} is no number: \"{word}\"")))?;
        if !range.contains(&number) {
            return Err(at(
                format!("line {line}"),
                format!("{what} is {number}, outside {} to {}", range.start(), range.end()),
            ));
        }
        Ok(number)
    }
}

/// No number of a benchmark file is larger.
const LARGEST: i64 = 100_000_000;
/// No count of a benchmark file is larger.
const MOST: i64 = 100_000;
