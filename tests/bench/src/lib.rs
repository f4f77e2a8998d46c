//! What the planner is measured with, apart from `run`, which compares it with CP-SAT.
//!
//! * [`shop_file`]: a shop in the form of `FORMAT.md`.
//! * [`outlines`]: the steps of eight kinds of repair; [`families`] makes shops full of them, by chance.
//! * [`mutate`]: breaks such files; [`fuzz`] gives them to the reader of the planner.
//!
//! A crate of its own, because measuring needs the planner and not the server: it builds in seconds.

pub mod chance;
pub mod families;
pub mod fuzz;
pub mod mutate;
pub mod outlines;
pub mod shop_file;
