//! The domain of fitup, pure and synchronous: a collision-repair shop, its cars, and what a plan for them means.
//!
//! Read in this order: [`time`] and [`keyed`] (quantities and keys), [`problem`] (what is to be planned),
//! [`plan`] (an answer), [`cost`] (what it costs), [`mod@check`] (whether it keeps the rules).

pub mod calendar;
pub mod check;
pub mod cost;
mod crew_time;
pub mod delays;
pub mod diff;
pub mod dispatch;
pub mod evidence;
pub mod fault;
pub mod floor;
pub mod impact;
pub mod keyed;
pub mod measures;
pub mod order;
mod order_check;
pub mod plan;
pub mod problem;
mod problem_check;
pub mod repair;
pub mod shop;
mod shop_check;
pub mod snapshot;
pub mod spread;
pub mod take_in;
pub mod time;
pub mod timetable;
pub mod week;

pub use calendar::Calendar;
pub use check::{Rule, Violation, check};
pub use cost::{Cost, Price};
pub use evidence::{Count, Evidence};
pub use fault::{Fault, Faults};
pub use order::{Order, OrderFacts, OrderState};
pub use plan::{Assignment, Plan};
pub use problem::{Problem, ProblemData};
pub use shop::{Shop, ShopFacts};
pub use snapshot::{Held, Planning, Snapshot};
pub use spread::Spread;
pub use take_in::TakeInFacts;
pub use time::{Span, Time, Window};
pub use timetable::Timetable;
