//! What an order was made from: the lines of its estimate, what a person settled about it, and the car and the day.
//!
//! Plain facts, kept with the order. What follows from them, by the rule book of the shop, is the business of another
//! crate.

use jiff::Timestamp;

/// What kind of part a line speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PartCondition {
    /// Never fitted before.
    New,
    /// From another car.
    Used,
}

/// A line of an estimate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EstimateLine {
    /// Unique among the lines of the order; a changed line keeps it.
    pub id: String,
    /// What is worked on, such as `front-door-left`.
    pub panel: String,
    /// What is done, in a word of the rule book.
    pub work: String,
    /// Kind of labour, in a word of the rule book; empty if it does not matter.
    pub labour: String,
    /// Booked minutes.
    pub minutes: u32,
    /// Number of the part; empty if there is none.
    pub part_number: String,
    /// What kind of part it is.
    pub condition: Option<PartCondition>,
    /// When the part is expected.
    pub part_expected_time: Option<Timestamp>,
    /// The part is there and checked.
    pub part_received: bool,
    /// Anything else; may be empty.
    pub note: String,
}

/// What a person has settled about an order that is made from lines. It stays when lines change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Override {
    /// An operation takes so many minutes.
    Work {
        /// Id of the operation.
        operation: String,
        /// Booked minutes of each person.
        minutes: u32,
    },
    /// An operation has this crew.
    Crew {
        /// Id of the operation.
        operation: String,
        /// A skill for each person.
        crew: Vec<String>,
    },
    /// One operation comes after another.
    Link {
        /// Id of the operation before.
        from: String,
        /// Id of the operation after.
        to: String,
        /// Shortest wait.
        min_wait_minutes: u32,
        /// Longest wait.
        max_wait_minutes: Option<u32>,
    },
    /// One operation need not come after another.
    Unlink {
        /// Id of the operation before.
        from: String,
        /// Id of the operation after.
        to: String,
    },
    /// An operation is left out.
    LeaveOut {
        /// Id of the operation.
        operation: String,
    },
}

impl Override {
    /// Returns the operation that it is about; the later one if it is about two.
    pub fn operation(&self) -> &str {
        match self {
            Override::Work { operation, .. } | Override::Crew { operation, .. } | Override::LeaveOut { operation } => {
                operation
            }
            Override::Link { to, .. } | Override::Unlink { to, .. } => to,
        }
    }

    /// Tells whether both settle the same thing, so that the later one takes the place of the earlier.
    pub fn replaces(&self, other: &Override) -> bool {
        let kind = |settled: &Override| match settled {
            Override::Work { .. } => 0,
            Override::Crew { .. } => 1,
            Override::Link { .. } | Override::Unlink { .. } => 2,
            Override::LeaveOut { .. } => 3,
        };
        let from = |settled: &Override| match settled {
            Override::Link { from, .. } | Override::Unlink { from, .. } => Some(from.clone()),
            _ => None,
        };
        (kind(self), self.operation(), from(self)) == (kind(other), other.operation(), from(other))
    }
}

/// The air of the day and the adhesive: what a cure time depends on.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Conditions {
    /// Id of the adhesive in the rule book.
    pub adhesive: Option<String>,
    /// Temperature of the air, in degrees Celsius.
    pub temperature_celsius: Option<i32>,
    /// Relative humidity of the air, in percent.
    pub humidity_percent: Option<i32>,
    /// Temperature of the surface that is painted, in degrees Celsius; the air's if it is not known.
    pub surface_celsius: Option<i32>,
}

/// What an order was made from.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TakeInFacts {
    /// The lines, in the order in which they were given.
    pub lines: Vec<EstimateLine>,
    /// What was settled by hand.
    pub overrides: Vec<Override>,
    /// What the car has, in words of the rule book, such as `high-voltage`.
    pub features: Vec<String>,
    /// The air of the day and the adhesive.
    pub conditions: Conditions,
}
