//! From the lines of an estimate to a repair order, by a rule book that a shop can edit.
//!
//! Read in this order: [`book`] (what follows what and why, what each kind of operation needs), [`build()`] (lines and a
//! rule book make an order, and each operation says which lines and which rule made it), [`merge()`] (changed lines meet
//! an order that runs already: what is done stays done), [`safety`] (what is refused and what asks for caution, one file
//! a rule), [`cure`] and [`air`] (the waits and gates that depend on the day).
//!
//! Pure and synchronous: no I/O, no clock, no random numbers.

pub mod air;
pub mod book;
pub mod build;
pub mod cure;
mod graph;
pub mod merge;
pub mod safety;

pub use book::RuleBook;
pub use build::{Built, Origin, Share, build};
pub use merge::merge;
pub use safety::{Caution, LAST_WORD};

/// The rule book that is there before a shop has one of its own.
pub const DEFAULT_BOOK: &str = include_str!("../rules.toml");
