//! Plays a published plan forward on sampled futures: how long work really takes, parts that come late, people who stay at
//! home. What comes out are completion times with their probabilities.
//!
//! No I/O, no clock and no global random numbers. Read in this order: [`three_point`] (how long work takes), [`chances`]
//! (what else can happen), [`mod@learn`] (chances from what was recorded), [`future`] (one course of events, as a problem of
//! its own), [`mod@replay`] (a plan under many of them), [`quantile`] (what is read off), [`mod@quote`] (when a car that is
//! not in the plan would be complete), [`trade`] (if others come after it), [`calibration`] (dates held against what became
//! of them), [`told`] (what the customer hears of that), [`weeks`] (whole weeks, with every decision on the way).

pub mod calibration;
pub mod chances;
pub mod future;
pub mod learn;
pub mod quantile;
pub mod quote;
pub mod replay;
pub mod three_point;
pub mod told;
pub mod trade;
pub mod weeks;

pub use chances::Chances;
pub use future::Futures;
pub use learn::learn;
pub use quote::{Policy, Quote, Unquotable, quote};
pub use replay::{History, replay};
pub use three_point::ThreePoint;
