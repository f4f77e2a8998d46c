//! What can happen in a shop, and how often: by its settings, and as learned from what was recorded.

use fitup_model::evidence::{self, Growth, Records};
use fitup_model::floor::FloorNote;
use fitup_model::shop::PlanningSettings;
use fitup_model::{Evidence, OrderFacts, Shop, ShopFacts};
use fitup_proto::v1;
use fitup_proto::v1::chances::Chance;
use fitup_rehearsal::Chances;
use fitup_rehearsal::learn::{PRIOR, learn};
use fitup_store::{OrderFilter, Page, Store};
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;

use crate::convert::names;
use crate::error::Error;

/// Records are read so many at a time, and at most so many of each kind, the latest ones.
const PAGE: u32 = 2000;
const MOST: usize = 50_000;

/// What is known of the chances of a shop.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// As set.
    pub set: Chances,
    /// What was recorded.
    pub seen: Evidence,
    /// What is used.
    pub used: Chances,
    learned_percent: u32,
}

/// Returns what can happen, by the settings of the shop.
pub fn chances(settings: &PlanningSettings) -> Chances {
    let share = |percent: u32| f64::from(percent) / 100.0;
    Chances {
        low: share(settings.work_low_percent()),
        high: share(settings.work_high_percent()),
        late_part: share(settings.late_part_percent()),
        late_days: settings.late_part_days(),
        late_approval: share(settings.late_approval_percent()),
        hidden_damage: share(settings.hidden_damage_percent()),
        hidden_work: share(settings.hidden_work_percent()),
        failed_check: share(settings.failed_check_percent()),
        rework: share(settings.rework_percent()),
        absence: share(settings.absence_percent()),
    }
}

/// What was recorded that chances are learned from.
#[derive(Debug, Clone)]
pub struct Recorded {
    /// All orders that were ever entered.
    pub orders: Vec<OrderFacts>,
    /// When the first of them was entered.
    pub since: Timestamp,
    notes: Vec<FloorNote>,
    growths: Vec<Growth>,
}

impl Recorded {
    /// Reads what is known at `now`.
    ///
    /// # Errors
    /// What the store says.
    pub async fn read(store: &dyn Store, shop: &str, now: Timestamp) -> Result<Recorded, Error> {
        let from = now.checked_sub(SignedDuration::from_hours(24 * i64::from(evidence::DAYS))).unwrap_or(now);
        let floor = async {
            let notes = notes(store, shop, from, now).await?;
            let growths = if notes.is_empty() { Vec::new() } else { growths(store, shop, from, now).await? };
            Ok((notes, growths))
        };
        // The one while the other: whoever waits for a quote stands at the counter.
        let ((orders, since), (notes, growths)) = tokio::try_join!(orders(store, shop), floor)?;
        Ok(Recorded { orders, since, notes, growths })
    }

    /// Reads the orders alone: nothing else is of use to a shop that goes by what is set.
    ///
    /// # Errors
    /// What the store says.
    pub async fn read_orders(store: &dyn Store, shop: &str) -> Result<Recorded, Error> {
        let (orders, since) = orders(store, shop).await?;
        Ok(Recorded { orders, since, notes: Vec::new(), growths: Vec::new() })
    }
}

impl Known {
    /// Learns from what was recorded by `now`.
    ///
    /// # Errors
    /// The shop no longer holds together, or times are out of reach.
    pub fn learn(shop: &ShopFacts, recorded: &Recorded, now: Timestamp) -> Result<Known, Error> {
        let checked = Shop::new(shop.clone())?;
        let Recorded { orders, notes, growths, .. } = recorded;
        let records = Records { shop: &checked, orders, notes, growths, now };
        let seen =
            evidence::evidence(&records).map_err(|error| Error::Bug(format!("records out of reach: {error}")))?;
        let (set, learned_percent) = (chances(&shop.settings), shop.settings.learned_percent());
        let used = learn(&set, &seen, f64::from(learned_percent) / 100.0);
        Ok(Known { set, seen, used, learned_percent })
    }

    /// Writes all of it.
    pub fn write(&self) -> v1::Chances {
        let (set, seen, used) = (&self.set, &self.seen, &self.used);
        let row = |setting: &str, set_value: f64, used_value: f64, seen_count: Option<u32>, hit_count: Option<u32>| {
            let count = |count: Option<u32>| count.map(|count| i32::try_from(count).unwrap_or(i32::MAX));
            let (hit_count, seen_count) = (count(hit_count), count(seen_count));
            Chance { setting: setting.to_owned(), set_value, hit_count, seen_count, used_value }
        };
        let amount = |setting, of: f64, used: f64, seen: Option<usize>| {
            row(setting, 100.0 * of, 100.0 * used, seen.and_then(|seen| u32::try_from(seen).ok()), None)
        };
        let share = |setting, of: f64, used: f64, seen: evidence::Count| {
            row(setting, 100.0 * of, 100.0 * used, Some(seen.of), Some(seen.hits))
        };
        let work = Some(seen.work.len());
        v1::Chances {
            chances: vec![
                amount("work_low_percent", set.low, used.low, work),
                amount("work_high_percent", set.high, used.high, work),
                share("late_part_percent", set.late_part, used.late_part, seen.late_parts),
                row("late_part_days", set.late_days.into(), used.late_days.into(), None, None),
                amount("late_approval_percent", set.late_approval, used.late_approval, None),
                share("hidden_damage_percent", set.hidden_damage, used.hidden_damage, seen.hidden_damage),
                amount("hidden_work_percent", set.hidden_work, used.hidden_work, Some(seen.hidden_work.len())),
                share("failed_check_percent", set.failed_check, used.failed_check, seen.failed_checks),
                amount("rework_percent", set.rework, used.rework, None),
                share("absence_percent", set.absence, used.absence, seen.absences),
            ],
            learned_percent: i32::try_from(self.learned_percent).unwrap_or(i32::MAX),
            prior_count: PRIOR as i32,
            day_count: i32::try_from(evidence::DAYS).unwrap_or(i32::MAX),
        }
    }
}

/// Returns what was recorded on the floor and happened from `from` on, in the order of the records; what was told only
/// after `now` was not known then.
async fn notes(store: &dyn Store, shop: &str, from: Timestamp, now: Timestamp) -> Result<Vec<FloorNote>, Error> {
    let (mut notes, mut after) = (Vec::new(), None);
    loop {
        let read = store.list_floor(shop, None, Page { after, limit: PAGE }).await?;
        let is_last = read.len() < PAGE as usize || read.iter().all(|record| record.create_time < from);
        after = read.last().map(|record| record.id.to_string());
        let known = read.into_iter().filter(|record| record.create_time <= now);
        notes.extend(known.map(|record| record.note).filter(|note| from <= note.event_time));
        if is_last || notes.len() >= MOST {
            notes.reverse();
            return Ok(notes);
        }
    }
}

/// Returns all orders, and when the first of them was entered; the end of times if there is none.
async fn orders(store: &dyn Store, shop: &str) -> Result<(Vec<OrderFacts>, Timestamp), Error> {
    let mut orders: Vec<OrderFacts> = Vec::new();
    let mut since = Timestamp::MAX;
    loop {
        let page = Page { after: orders.last().map(|order| order.id.clone()), limit: PAGE };
        let read = store.list_orders(shop, OrderFilter::default(), page).await?;
        let is_last = read.len() < PAGE as usize;
        since = read.iter().map(|record| record.create_time).fold(since, Timestamp::min);
        orders.extend(read.into_iter().map(|record| record.facts));
        if is_last || orders.len() >= MOST {
            return Ok((orders, since));
        }
    }
}

/// Returns what was booked on orders after they were entered, from the audit trail.
async fn growths(store: &dyn Store, shop: &str, from: Timestamp, now: Timestamp) -> Result<Vec<Growth>, Error> {
    let (mut growths, mut before, mut count) = (Vec::new(), None, 0);
    let orders = format!("{}/orders", names::shop(shop));
    loop {
        let read = store.list_latest_audit(shop, Some(&orders), before, PAGE).await?;
        let is_last = read.len() < PAGE as usize || read.last().is_some_and(|entry| entry.at < from);
        before = read.last().map(|entry| entry.sequence);
        count += read.len();
        for entry in read.iter().filter(|entry| entry.action == "update" && from <= entry.at && entry.at <= now) {
            let order = entry.resource.strip_prefix(&orders).and_then(|rest| rest.strip_prefix('/'));
            let Some(order) = order.filter(|order| !order.contains('/')) else { continue };
            growths.extend(grown(&entry.difference).into_iter().map(|(operation, minutes)| Growth {
                order: order.to_owned(),
                at: entry.at,
                operation,
                minutes,
            }));
        }
        if is_last || count >= MOST {
            return Ok(growths);
        }
    }
}

/// Returns the operations of a difference that came or of which more was booked, each with by how many minutes.
fn grown(difference: &str) -> Vec<(String, u32)> {
    let Ok(Value::Object(fields)) = serde_json::from_str(difference) else { return Vec::new() };
    let grown = fields.iter().filter_map(|(path, values)| {
        let operation = path.strip_prefix("operations[")?.strip_suffix("].work_minutes")?;
        let minutes = |index: usize| values.get(index).and_then(Value::as_u64).unwrap_or(0);
        let more = u32::try_from(minutes(1).saturating_sub(minutes(0))).ok().filter(|more| *more > 0)?;
        Some((operation.to_owned(), more))
    });
    grown.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shop_that_says_nothing_has_the_usual_chances() {
        assert_eq!(chances(&PlanningSettings::default()), Chances::default());
    }

    #[test]
    fn more_work_is_read_from_a_difference() {
        let difference = r#"{"note":["","x"],"operations[fit].work_minutes":[60,90],"operations[weld].crew":[null,["body"]],
            "operations[weld].work_minutes":[null,45],"operations[wash].work_minutes":[30,20]}"#;
        assert_eq!(grown(difference), [("fit".to_owned(), 30), ("weld".to_owned(), 45)]);
        assert_eq!(grown("no JSON"), []);
    }
}
