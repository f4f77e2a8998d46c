//! Weeks ahead with everything that can happen, dispatched by fitup and by the habits that shops have.
//!
//! Read in this order: [`world`] (what will be), [`floor`] (what has happened, and what is known of it), [`policy`] (what
//! goes first, by habit), [`known`] and [`planned`] (by fitup), [`record`] (what became of it), [`compare`] and
//! [`interval`] (all ways side by side), [`quoting`] and [`honesty`] (cars are quoted when they come, and how often what they were
//! told comes true).

pub mod compare;
pub mod floor;
pub mod honesty;
pub mod interval;
pub mod known;
pub mod planned;
pub mod policy;
pub mod quoting;
pub mod record;
pub mod world;

pub use compare::{Way, rehearse, rehearse_once};
pub use floor::Floor;
pub use planned::{ByPlan, Manner};
pub use policy::{ByHabit, Habit, Policy};
pub use quoting::{Level, Quoting, Told};
pub use record::{Concessions, Measures};
pub use world::{Setting, World};
