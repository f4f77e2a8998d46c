//! The statements, in the words that all dialects share. Included by the module of each database, which says what they
//! are compiled for; placeholders are `$1`, numbers are 64 bits wide.

mod audit;
mod floor;
mod holds;
mod order_children;
mod order_rows;
mod orders;
mod plan_rows;
mod plans;
mod requests;
mod rows;
mod run_rows;
mod runs;
mod shop_children;
mod shop_rows;
mod shops;
mod store;
mod take_ins;
mod tokens;

use super::{Connection, Db, EXPIRED_RUNS, Handle, NEXT_RUN};
