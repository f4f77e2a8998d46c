//! What a quote learns from the shop's own past: what can happen, the trade that comes, and what became of earlier dates.

use fitup_model::keyed::CarId;
use fitup_model::order::Progress;
use fitup_model::{OrderFacts, Planning, ShopFacts, Time};
use fitup_rehearsal::Chances;
use fitup_rehearsal::calibration::{self, Said};
use fitup_rehearsal::quote::{Policy, Quote};
use fitup_rehearsal::told;
use fitup_rehearsal::trade::{self, Kinds, Trade};
use fitup_store::{OrderRecord, Snapshot, Store, ToldRecord};
use jiff::{SignedDuration, Timestamp};

use crate::chances::{Known, Recorded};
use crate::error::Error;
use crate::floor_service::forbidden;
use crate::search::planning;

/// So many of the latest dates count.
const MOST_TOLD: u32 = 500;
/// The trade is that of the last eight weeks.
const TRADE: SignedDuration = SignedDuration::from_hours(8 * 7 * 24);
/// And is known when there were so many days of it, and so many cars.
const LEAST_TRADE: (SignedDuration, usize) = (SignedDuration::from_hours(14 * 24), 4);

/// What a shop has seen by a moment.
#[derive(Debug, Clone)]
pub struct Past {
    /// What can happen, as far as it is known.
    pub chances: Chances,
    /// It was learned from records.
    pub learned: bool,
    orders: Vec<OrderFacts>,
    since: Timestamp,
    told: Vec<ToldRecord>,
}

impl Past {
    /// Reads what is known at `now`.
    ///
    /// # Errors
    /// What the store says.
    pub async fn read(store: &dyn Store, shop: &ShopFacts, now: Timestamp) -> Result<Past, Error> {
        let learns = shop.settings.learned_percent() > 0;
        let recorded = async {
            if learns {
                Recorded::read(store, &shop.id, now).await
            } else {
                Recorded::read_orders(store, &shop.id).await
            }
        };
        let told = async { Ok(store.list_told(&shop.id, MOST_TOLD).await?) };
        let (recorded, told) = tokio::try_join!(recorded, told)?;
        let known = Known::learn(shop, &recorded, now)?;
        let learned = learns && !known.seen.is_empty();
        Ok(Past { chances: known.used, learned, since: recorded.since, orders: recorded.orders, told })
    }

    /// Returns how a shop quotes that has seen this.
    ///
    /// # Errors
    /// There is nothing to plan in the shop.
    pub fn desk(&self, snapshot: &Snapshot, now: Timestamp) -> Result<Desk, Error> {
        Ok(Desk { now, trade: self.trade(snapshot, now)?, said: self.said(now) })
    }

    /// Returns what was said of orders that were not cancelled, and when each was complete.
    fn said(&self, now: Timestamp) -> Vec<(ToldRecord, Option<Timestamp>)> {
        let told = self.told.iter().filter(|told| told.quote_time <= now);
        let found = told.filter_map(|told| {
            let order = self.orders.iter().find(|order| order.id == told.order && !order.cancelled)?;
            Some((told.clone(), order.completion_time()))
        });
        found.collect()
    }

    /// Returns the trade that is expected; `None` if too little of it is known.
    fn trade(&self, snapshot: &Snapshot, now: Timestamp) -> Result<Option<(Trade, Planning)>, Error> {
        let Some((per_week, lately)) = came(&self.orders, self.since, now) else { return Ok(None) };
        // Orders like these come, and nothing of them is done then.
        let kinds = Snapshot {
            orders: lately.into_iter().map(|order| untouched(order, now)).collect(),
            holds: Vec::new(),
            published: None,
            ..snapshot.clone()
        };
        let kinds = planning(&kinds, now).map_err(|message| forbidden(&snapshot.shop.facts.id, message))?;
        let trade = Trade::usual(per_week);
        Ok((!kinds.problem.cars.is_empty()).then_some((trade, kinds)))
    }
}

/// Returns how many cars came a week lately, and which they were; `None` if there is too little to go by. The first order was
/// entered at `since`: of what came before only those are known that were still there.
fn came(orders: &[OrderFacts], since: Timestamp, now: Timestamp) -> Option<(f64, Vec<&OrderFacts>)> {
    let from = now.checked_sub(TRADE).unwrap_or(Timestamp::MIN).max(since);
    let known = now.duration_since(from);
    let came = |order: &&OrderFacts| order.arrived && !order.cancelled && (from..=now).contains(&order.arrival_time);
    let lately: Vec<&OrderFacts> = orders.iter().filter(came).collect();
    let enough = known >= LEAST_TRADE.0 && lately.len() >= LEAST_TRADE.1;
    enough.then(|| (lately.len() as f64 / (known.as_secs_f64() / (7.0 * 86_400.0)), lately))
}

fn untouched(order: &OrderFacts, now: Timestamp) -> OrderRecord {
    let mut facts = order.clone();
    for operation in &mut facts.operations {
        operation.progress = Progress::Waiting;
        operation.pin = None;
    }
    for visit in &mut facts.visits {
        visit.bay = None;
    }
    OrderRecord { facts, etag: String::new(), create_time: now, update_time: now }
}

/// How a shop quotes at a moment.
#[derive(Debug)]
pub struct Desk {
    now: Timestamp,
    trade: Option<(Trade, Planning)>,
    said: Vec<(ToldRecord, Option<Timestamp>)>,
}

impl Desk {
    /// Returns how many cars a week are expected; 0 if that is not known, and then quotes look at no later cars.
    pub fn per_week(&self) -> f64 {
        self.trade.as_ref().map_or(0.0, |(trade, _)| trade.per_week)
    }

    /// Returns from how many earlier quotes there is something to learn: they were complete by the moment, or a date of
    /// theirs has passed.
    pub fn heard(&self) -> usize {
        let passed = |time: &Option<Timestamp>| time.is_some_and(|time| time <= self.now);
        self.said.iter().filter(|(told, complete)| passed(complete) || told.futures.iter().any(passed)).count()
    }

    /// Returns the quote with the dates that are told, and those that the futures say: beside cars that come later, and
    /// before they learn from earlier ones.
    pub fn settle(&self, planning: &Planning, car: CarId, quote: Quote, policy: &Policy) -> (Quote, [Option<Time>; 3]) {
        let problem = &planning.problem;
        let alone = [quote.likely, quote.p80, quote.safe];
        let futures = self.trade.as_ref().and_then(|(trade, kinds)| {
            let cars = &kinds.problem.cars;
            let lead = |like: CarId| cars[like].promise.map(|promise| promise - cars[like].arrival);
            let kinds = Kinds { problem: &kinds.problem, count: cars.len(), lead: &lead };
            trade::dates(problem, &quote, car, quote.p80, policy, trade, &kinds).ok()
        });
        let futures = futures.unwrap_or(alone);
        let said = |(told, complete): &(ToldRecord, Option<Timestamp>)| Said {
            at: planning.time(told.quote_time),
            futures: told.futures.map(|date| Some(planning.time(date?))),
            complete: complete.map(|end| planning.time(end)),
        };
        let said: Vec<Said> = self.said.iter().map(said).collect();
        let [likely, p80, safe] = told::dates(problem, &said, futures, Some(calibration::STEP));
        (Quote { likely, p80, safe, ..quote }, futures)
    }
}

#[cfg(test)]
mod tests {
    use fitup_model::order::OrderOperation;

    use super::*;

    fn at(days: i64) -> Timestamp {
        Timestamp::from_second(days * 86_400).expect("a time within reach")
    }

    /// Returns an order that came on some day, and was complete on another.
    fn order(id: &str, came: i64, complete: Option<i64>) -> OrderFacts {
        let done = |end| Progress::Done { start_time: at(came), end_time: at(end), technicians: vec!["ada".into()] };
        let operation = OrderOperation {
            id: "repair".into(),
            display_name: String::new(),
            work_minutes: 60,
            low_work_minutes: None,
            high_work_minutes: None,
            crew: vec!["body".into()],
            visit: None,
            equipment: Vec::new(),
            interruptible: true,
            needs: Vec::new(),
            earliest_start_time: None,
            same_person: None,
            pin: None,
            hazards: Vec::new(),
            hold_point: None,
            progress: complete.map_or(Progress::Waiting, done),
        };
        OrderFacts {
            id: id.into(),
            vehicle: String::new(),
            note: String::new(),
            cancelled: false,
            arrival_time: at(came),
            arrived: true,
            promise_time: None,
            late_weight: None,
            flow_weight: None,
            visits: Vec::new(),
            operations: vec![operation],
            links: Vec::new(),
            parts: Vec::new(),
            approvals: Vec::new(),
        }
    }

    #[test]
    fn trade_is_that_of_the_last_eight_weeks_and_needs_two() {
        let orders: Vec<OrderFacts> = (0..100).map(|day| order(&format!("o-{day}"), day, Some(day + 3))).collect();
        let per_week = |now| came(&orders, at(0), at(now)).map(|(per_week, of)| (per_week, of.len()));
        assert_eq!(per_week(13), None, "too short");
        assert_eq!(per_week(14), Some((7.5, 15)), "a fence has one post more than fields");
        assert_eq!(per_week(99), Some((57.0 / 8.0, 57)));
        // What was there when the shop began to enter its orders tells nothing of how many come.
        assert_eq!(came(&orders, at(86), at(99)).map(|(_, of)| of.len()), None);
        assert_eq!(came(&orders, at(71), at(99)).map(|(per_week, of)| (per_week, of.len())), Some((29.0 / 4.0, 29)));
        // What is cancelled, has not come or is yet to come does not count.
        let mut few = orders[..4].to_vec();
        assert_eq!(came(&few, at(0), at(28)).map(|(per_week, _)| per_week), Some(1.0));
        few[1].cancelled = true;
        assert_eq!(came(&few, at(0), at(28)).map(|(per_week, _)| per_week), None, "too few");
        few[1].cancelled = false;
        few[2].arrived = false;
        assert_eq!(came(&few, at(0), at(28)).map(|(per_week, _)| per_week), None);
    }

    #[test]
    fn dates_teach_once_they_were_told_and_unless_the_order_was_cancelled() {
        let told =
            |id: &str, day| ToldRecord { order: id.into(), quote_time: at(day), futures: [Some(at(day + 2)); 3] };
        let mut orders = vec![order("a", 1, Some(4)), order("b", 1, None), order("c", 1, Some(2))];
        orders[2].cancelled = true;
        let told = vec![told("a", 1), told("b", 2), told("c", 2), told("gone", 3), told("a", 9)];
        let past = Past { chances: Chances::default(), learned: false, since: at(0), orders, told: told.clone() };
        let said = past.said(at(8));
        assert_eq!(said, [(told[0].clone(), Some(at(4))), (told[1].clone(), None)]);
    }
}
