//! The server of fitup: shops, repair orders and plans over gRPC, kept in a database, planned on threads of its own.
//!
//! Read in this order: [`serve()`] (the whole), [`config`] (its settings), [`access`] (who may what), `shop_service`,
//! `order_service`, `plan_service`, `floor_service`, `replan_service`, `intake_service`, `explain_service`, `quote_service`, `token_service` and `history_service` (one method each for what can be asked),
//! [`convert`] (contract ↔ model), [`plan_runs`] and [`search`]
//! (how plans are made), [`place`] (how much is worked on at once), [`effect`] (what a changed order would do to promises), [`request`] and [`page`] (repeats and pages), [`error`] (every refusal), [`layer`] (what stands
//! before all of it), [`metrics`] and [`monitor`] (what is told about it).

pub mod access;
pub mod chances;
pub mod clock;
pub mod config;
pub mod convert;
pub mod effect;
pub mod error;
pub mod explain_service;
pub mod first_token;
pub mod floor_service;
pub mod history_service;
pub mod holds;
pub mod intake_service;
pub mod layer;
pub mod left_out;
pub mod metrics;
pub mod monitor;
pub mod order_service;
pub mod page;
pub mod past;
pub mod place;
pub mod plan_runs;
pub mod plan_service;
pub mod port_file;
pub mod quote_service;
pub mod rehearsal_service;
pub mod replan;
pub mod replan_service;
pub mod request;
pub mod safe;
mod search;
pub mod serve;
pub mod shop_service;
mod take_in;
pub mod token_service;

pub use config::Config;
pub use serve::{ServeError, serve};
