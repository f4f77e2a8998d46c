//! Keeps shops, repair orders, plans and plan runs in a database.
//!
//! Read in this order: [`record`] (what is kept), [`change`] (who changes it, and how a repeat is answered), [`store`]
//! (what can be done), [`token`] (who may), [`error`] (what can go wrong), [`notice`] (what is told of changes). One implementation of
//! [`Store`] for each database; [`open()`] picks it by the address.
//!
//! The store reads no clock and draws no random numbers: times and ids come in as arguments.

#![allow(clippy::duplicate_mod, reason = "the statements are compiled for each database")]

pub mod change;
mod difference;
pub mod error;
mod meaning;
pub mod notice;
mod open;
pub mod postgres;
pub mod record;
pub mod sqlite;
pub mod store;
pub mod token;
mod value;

pub use change::{Answer, Change, Encode, Refusal, Request};
pub use error::{Error, OpenError};
pub use notice::{Notice, Notices};
pub use open::open;
pub use postgres::PostgresStore;
pub use record::{
    AuditEntry, ChangedHold, ClaimedRun, Connections, FloorOutcome, FloorRecord, HoldEnd, HoldRecord, HoldState,
    NO_SHOP, NewHold, NewPlan, NewPlanRun, OrderFilter, OrderRecord, Page, Phase, PlanRecord, PlanRunRecord, PlanState,
    QuotedDate, QuotedDates, RuleBookRecord, RunCounts, RunEnd, RunLimits, RunProgress, RunState, ShopRecord, Snapshot,
    TakeInRecord, ToldRecord,
};
pub use sqlite::SqliteStore;
pub use store::{FloorEdit, HoldEdit, OrderDraft, OrderEdit, ShopEdit, Store, TakeInEdit, TakeInStored};
pub use token::{Digest, NewToken, Role, Scope, TokenRecord};
