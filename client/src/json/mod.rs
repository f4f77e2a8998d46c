//! What `--json` prints: types of our own, apart from the contract, so that scripts do not break when it grows.
//!
//! Rules: one object a line; keys are added, never renamed or removed; instants are RFC 3339 in UTC; times are whole
//! minutes and say so; ids stand alone, without the resource names of the contract; what is not known is `null`.

mod chances;
mod explain;
mod floor;
mod history;
mod hold;
mod order;
mod outline;
mod plan;
mod quote;
mod rehearsal;
mod shop;
mod take_in;
mod token;

use serde::Serialize;

pub use self::chances::Chance;
pub use self::explain::{LoadRow, Week, Why};
pub use self::floor::{Answer, FloorRecord, Impact, PlanDiff, lanes};
pub use self::history::Entry;
pub use self::hold::Hold;
pub use self::order::{Order, OrderLine};
pub use self::outline::Outline;
pub use self::plan::{OrderPlan, Plan, PlanLine, Run};
pub use self::quote::Quote;
pub use self::rehearsal::{Gains, WayRow};
pub use self::shop::{Shop, ShopLine};
pub use self::take_in::{Caution, RuleBook, RuleBookDone, TakeIn};
pub use self::token::Token;
use crate::commands::shop::changes::Change;
use crate::names::last;
use crate::wire::from_proto;

/// Something was done to one thing.
#[derive(Debug, Serialize)]
pub struct Done {
    /// Its id.
    pub id: String,
    /// What: `entered`, `checked`, `cancelled`, `removed`, `published`, `revoked`.
    pub done: &'static str,
}

/// Answer of `shop apply`.
#[derive(Debug, Serialize)]
pub struct Applied {
    shop: String,
    created: bool,
    dry_run: bool,
    changes: Vec<Changed>,
}

#[derive(Debug, Serialize)]
struct Changed {
    thing: String,
    change: &'static str,
}

impl Applied {
    /// Returns the answer; no changes at all mean that the shop is new.
    pub fn new(id: &str, changes: Option<&[Change]>, dry_run: bool) -> Self {
        let one = |change: &Change| Changed { thing: change.thing.clone(), change: change.kind.word() };
        let created = changes.is_none();
        Self { shop: id.to_owned(), created, dry_run, changes: changes.unwrap_or_default().iter().map(one).collect() }
    }
}

/// Answer of `order change`.
#[derive(Debug, Serialize)]
pub struct OrderChanged {
    /// Id of the order.
    pub id: String,
    /// Fields that differ.
    pub fields: Vec<String>,
    /// Nothing was changed.
    pub dry_run: bool,
}

fn instant(instant: Option<&prost_types::Timestamp>) -> Option<String> {
    from_proto(instant).map(|instant| instant.to_string())
}

fn set(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| text.to_owned())
}

fn id_of(name: &str) -> Option<String> {
    set(last(name))
}

/// Returns an enum's name as a word: `STATE_OPEN` is `open`.
fn word(name: &str, prefix: &str) -> String {
    name.trim_start_matches(prefix).to_lowercase()
}
