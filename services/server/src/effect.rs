//! What a changed order would do to the promises of its shop: the shop with it, planned for a moment, against the plan
//! that the floor works by.

use std::collections::BTreeMap;

use fitup_model::{OrderFacts, Timetable};
use fitup_planner::Stop;
use fitup_store::{RunLimits, Snapshot};
use jiff::{SignedDuration, Timestamp};

use crate::error::Error;
use crate::place::Places;
use crate::search::{Found, search_in};

/// So long each of the two searches takes at most.
const TIME_LIMIT: SignedDuration = SignedDuration::from_millis(1500);

/// The promise of one order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Effect {
    /// Id of the order.
    pub order: String,
    /// What was promised.
    pub promise: Option<Timestamp>,
    /// When it is complete by the plan of now.
    pub before: Option<Timestamp>,
    /// When it would be.
    pub after: Option<Timestamp>,
}

/// Plans effects, one at a time: it is a search, and a search takes a core.
#[derive(Debug, Clone)]
pub struct Effects {
    places: Places,
}

impl Default for Effects {
    fn default() -> Effects {
        Effects { places: Places::new(1) }
    }
}

impl Effects {
    /// Returns what `changed` would do, its own promise first; orders whose completion stays are left out.
    ///
    /// # Errors
    /// If no plan of the shop can be made.
    pub async fn of(&self, snapshot: Snapshot, changed: OrderFacts, as_of: Timestamp) -> Result<Vec<Effect>, Error> {
        self.places.take().await?.work(move |hangup| effects(snapshot, changed, as_of, hangup)).await?
    }
}

fn effects(
    mut snapshot: Snapshot,
    changed: OrderFacts,
    as_of: Timestamp,
    hangup: &dyn Stop,
) -> Result<Vec<Effect>, Error> {
    // Without a plan that the floor works by, the one that would be made now stands in for it.
    let before = match snapshot.published.as_ref().filter(|plan| !plan.stale) {
        Some(plan) => completions(&plan.timetable),
        None => completions(&planned(&snapshot, as_of, &changed.id, hangup)?),
    };
    for order in snapshot.orders.iter_mut().filter(|order| order.facts.id == changed.id) {
        order.facts = changed.clone();
    }
    let after = completions(&planned(&snapshot, as_of, &changed.id, hangup)?);
    let mut effects: Vec<Effect> = snapshot
        .orders
        .iter()
        .map(|order| Effect {
            order: order.facts.id.clone(),
            promise: order.facts.promise_time,
            before: before.get(&order.facts.id).copied(),
            after: after.get(&order.facts.id).copied(),
        })
        .filter(|effect| effect.order == changed.id || effect.before != effect.after)
        .collect();
    effects.sort_by_key(|effect| (effect.order != changed.id, effect.order.clone()));
    Ok(effects)
}

fn planned(snapshot: &Snapshot, as_of: Timestamp, order: &str, hangup: &dyn Stop) -> Result<Timetable, Error> {
    let limits = RunLimits {
        time_limit: Some(TIME_LIMIT),
        iteration_limit: None,
        seed: 1,
        gap_limit: 0.0,
        as_of_time: Some(as_of),
    };
    let forbidden = |message: String| {
        let name =
            crate::convert::names::child(&snapshot.shop.facts.id, crate::convert::names::Collection::Orders, order);
        Error::from(fitup_store::Error::Forbidden { name, message })
    };
    match search_in(snapshot, as_of, &limits, 1, hangup, &|_| {}) {
        Found::Plan(timetable) => Ok(*timetable),
        Found::Nothing => Err(forbidden("no plan of the shop was found in time".into())),
        Found::Failure(failure) => Err(forbidden(failure)),
    }
}

fn completions(timetable: &Timetable) -> BTreeMap<String, Timestamp> {
    timetable.orders.iter().map(|order| (order.order.clone(), order.completion_time)).collect()
}
