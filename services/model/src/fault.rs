//! Faults found by the constructors of the model: all of them at once, each with its field path.

use std::fmt;

/// One thing that is wrong with a fact, where it stands, and what would be right.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fault {
    /// Path of the field, in the names of the contract: `bays[2].classes[0]`.
    pub path: String,
    /// A lowercase phrase without a final period: `bay class "rak" is offered by no bay`.
    pub message: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.path, self.message)
    }
}

/// So many faults are kept of a list: each names what there is to choose from, and who sends more is not helped by them.
pub const MOST_FAULTS: usize = 1000;

/// A list of faults under construction.
#[derive(Debug, Default)]
pub struct Faults(Vec<Fault>);

impl Faults {
    /// Returns an empty list.
    pub fn new() -> Faults {
        Faults::default()
    }

    /// Notes that the field at `path` is wrong; beyond [`MOST_FAULTS`] nothing is noted any more.
    pub fn add(&mut self, path: impl Into<String>, message: impl Into<String>) {
        if self.0.len() >= MOST_FAULTS {
            return;
        }
        self.0.push(Fault { path: path.into(), message: message.into() });
    }

    /// Notes all faults of a part, with `prefix` before their paths.
    pub fn add_all(&mut self, prefix: &str, faults: Vec<Fault>) {
        let room = MOST_FAULTS.saturating_sub(self.0.len());
        self.0.extend(
            faults.into_iter().take(room).map(|fault| Fault { path: format!("{prefix}{}", fault.path), ..fault }),
        );
    }

    /// Tells whether nothing is wrong so far.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Returns `value` if nothing was noted.
    ///
    /// # Errors
    /// All faults noted, in the order in which they were found.
    pub fn into_result<T>(self, value: T) -> Result<T, Vec<Fault>> {
        if self.0.is_empty() { Ok(value) } else { Err(self.0) }
    }
}
