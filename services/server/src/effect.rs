//! What a changed order would do to the promises of its shop: the shop with it, planned for a moment, against the plan
//! that the floor works by.

use std::collections::BTreeMap;
use std::sync::Arc;

use fitup_model::{OrderFacts, Timetable};
use fitup_planner::Never;
use fitup_store::{RunLimits, Snapshot};
use jiff::{SignedDuration, Timestamp};
use tokio::sync::Semaphore;

use crate::error::Error;
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
    place: Arc<Semaphore>,
}

impl Default for Effects {
    fn default() -> Effects {
        Effects { place: Arc::new(Semaphore::new(1)) }
    }
}

impl Effects {
    /// Returns what `changed` would do, its own promise first; orders whose completion stays are left out.
    ///
    /// # Errors
    /// If no plan of the shop can be made.
    pub async fn of(&self, snapshot: Snapshot, changed: OrderFacts, as_of: Timestamp) -> Result<Vec<Effect>, Error> {
        let place = Arc::clone(&self.place).acquire_owned().await;
        let place = place.map_err(|_| Error::ShuttingDown)?;
        let work = move || {
            let _place = place;
            effects(snapshot, changed, as_of)
        };
        tokio::task::spawn_blocking(work).await.map_err(|error| Error::Bug(format!("an effect: {error}")))?
    }
}

fn effects(mut snapshot: Snapshot, changed: OrderFacts, as_of: Timestamp) -> Result<Vec<Effect>, Error> {
    // Without a plan that the floor works by, the one that would be made now stands in for it.
    let before = match snapshot.published.as_ref().filter(|plan| !plan.stale) {
        Some(plan) => completions(&plan.timetable),
        None => completions(&planned(&snapshot, as_of, &changed.id)?),
    };
    for order in snapshot.orders.iter_mut().filter(|order| order.facts.id == changed.id) {
        order.facts = changed.clone();
    }
    let after = completions(&planned(&snapshot, as_of, &changed.id)?);
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

fn planned(snapshot: &Snapshot, as_of: Timestamp, order: &str) -> Result<Timetable, Error> {
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
    match search_in(snapshot, as_of, &limits, 1, &Never, &|_| {}) {
        Found::Plan(timetable) => Ok(*timetable),
        Found::Nothing => Err(forbidden("no plan of the shop was found in time".into())),
        Found::Failure(failure) => Err(forbidden(failure)),
    }
}

fn completions(timetable: &Timetable) -> BTreeMap<String, Timestamp> {
    timetable.orders.iter().map(|order| (order.order.clone(), order.completion_time)).collect()
}
