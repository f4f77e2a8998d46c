//! Quotes that are held: from what is asked for to a hold with a checked plan that has its place, and how a hold ends.

mod asked;

pub use asked::{Asked, Known, read, read_change};

use fitup_model::timetable::Quality;
use fitup_model::{Order, OrderFacts, Plan, Planning, Shop, ShopFacts, Timetable};
use fitup_planner::LeftOut;
use fitup_planner::replan::push_right;
use fitup_proto::v1;
use fitup_rehearsal::quote::{Policy, Unquotable, quote};
use fitup_store::{
    ChangedHold, Error as StoreError, HoldEdit, HoldEnd, HoldRecord, HoldState, NewHold, QuotedDate, QuotedDates,
    Refusal, Snapshot,
};
use jiff::Timestamp;

use crate::convert::names::{self, Collection};
use crate::convert::{self, hold};
use crate::error::Error;
use crate::floor_service::nothing_published;
use crate::left_out;
use crate::past::Past;
use crate::search::planning;

/// What a hold is quoted by.
#[derive(Debug)]
pub struct Counter {
    /// How the futures are played.
    pub policy: Policy,
    /// What the shop has seen.
    pub past: Past,
    /// Id of the plan with its place.
    pub plan: String,
    /// The moment that is quoted for.
    pub now: Timestamp,
}

/// Quotes an order and returns its hold, with a checked plan in which nobody else has moved but as far as facts push.
///
/// # Errors
/// Why there is none: it is there already, no plan is published, it finds no place, or the date is not known.
pub fn reserve(snapshot: Snapshot, asked: Asked, counter: Counter) -> Result<NewHold, Error> {
    let shop = snapshot.shop.facts.id.clone();
    let id = asked.order.id.clone();
    let name = names::child(&shop, Collection::Holds, &id);
    if snapshot.orders.iter().any(|own| own.facts.id == id) {
        return Err(StoreError::AlreadyExists { name: names::child(&shop, Collection::Orders, &id) }.into());
    }
    if snapshot.holds.iter().any(|own| own.facts.id == id && own.state_at(counter.now) == HoldState::Standing) {
        return Err(StoreError::AlreadyExists { name }.into());
    }
    quoted(snapshot, asked, counter)
}

/// Returns a hold that stands as it is to be. Where the order stays as it is, so do its place and its dates.
///
/// # Errors
/// As for [`reserve`].
pub fn alter(snapshot: Snapshot, asked: Asked, stored: &HoldRecord, counter: Counter) -> Result<ChangedHold, Error> {
    if asked.order == (OrderFacts { promise_time: None, ..stored.facts.clone() })
        && let Some(hold) = kept(snapshot.clone(), &asked, stored, &counter)?
    {
        return Ok(ChangedHold { hold, kept: true });
    }
    Ok(ChangedHold { hold: quoted(snapshot, asked, counter)?, kept: false })
}

/// Returns a hold with another expiry or promise, in its place; `None` if the published plan has none for it.
fn kept(
    mut snapshot: Snapshot,
    asked: &Asked,
    stored: &HoldRecord,
    counter: &Counter,
) -> Result<Option<NewHold>, Error> {
    let now = counter.now;
    let (shop, id) = (snapshot.shop.facts.id.clone(), &asked.order.id);
    let no = |message| refused(&shop, id, message);
    let promise_time = Some(promise(&stored.dates, asked.promised).map_err(no)?);
    let facts = OrderFacts { promise_time, ..asked.order.clone() };
    let Some(own) = snapshot.holds.iter_mut().find(|own| own.facts.id == *id) else { return Ok(None) };
    own.facts.clone_from(&facts);
    own.expire_time = asked.expire_time;
    let planning = planning(&snapshot, now).map_err(no)?;
    let problem = &planning.problem;
    let car = problem.cars.iter().find(|(_, car)| car.name == *id).map(|(car, _)| car);
    let (Some(car), Some(published)) = (car, &planning.published) else { return Ok(None) };
    if !published.includes(problem, car) {
        return Ok(None);
    }
    let (found, left_out) = push_right(problem, published);
    if !found.includes(problem, car) {
        return Ok(None);
    }
    let timetable = checked(&planning, &found, &left_out)?;
    Ok(Some(NewHold {
        facts,
        promised: asked.promised,
        dates: stored.dates,
        quote_time: now,
        futures: [None; 3],
        expire_time: asked.expire_time,
        plan: counter.plan.clone(),
        timetable,
        take_in: asked.take_in.clone(),
    }))
}

fn refused(shop: &str, id: &str, message: String) -> Error {
    StoreError::Forbidden { name: names::child(shop, Collection::Holds, id), message }.into()
}

/// Quotes an order in the place of what is held under its id, if anything.
fn quoted(
    mut snapshot: Snapshot,
    asked: Asked,
    Counter { policy, past, plan, now }: Counter,
) -> Result<NewHold, Error> {
    let shop = snapshot.shop.facts.id.clone();
    let id = asked.order.id.clone();
    let no = |message| refused(&shop, &id, message);
    let desk = past.desk(&snapshot, now)?;
    snapshot.holds.retain(|own| own.facts.id != id);
    if let Some(published) = &mut snapshot.published {
        // What is left of a hold of this id: it may be over.
        published.timetable = published.timetable.at(now);
        published.timetable.orders.retain(|own| own.order != id);
    }
    snapshot.holds.push(to_be(&asked, now));
    let quoted = planning(&snapshot, now).map_err(no)?;
    let car = quoted.problem.cars.iter().find(|(_, car)| car.name == id).map(|(car, _)| car);
    let Some(car) = car else {
        let misfit = quoted.misfits.iter().find(|own| own.order == id).map(|own| own.message.clone());
        return Err(no(misfit.unwrap_or_else(|| format!("order {id:?} has nothing to plan"))));
    };
    let published = quoted.published.as_ref().ok_or_else(|| nothing_published(&shop))?;
    let found = quote(&quoted.problem, published, car, &policy).map_err(|why| match why {
        Unquotable::NoRoom => no(format!(
            "order {id:?} finds no place before the plan ends; try another drop-off, or plan more days (horizon_days)"
        )),
        Unquotable::Faults(faults) => {
            let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
            no(format!("the futures of the shop cannot be played: {}", faults.join("; ")))
        }
    })?;
    let (found, futures) = desk.settle(&quoted, car, found, &policy);
    let instant = |time| quoted.instant(time);
    let dates = QuotedDates {
        earliest: instant(found.earliest),
        likely: found.likely.map(instant),
        p80: found.p80.map(instant),
        safe: found.safe.map(instant),
    };
    let date = promise(&dates, asked.promised).map_err(no)?;
    let facts = OrderFacts { promise_time: Some(date), ..asked.order.clone() };
    snapshot.holds.last_mut().expect("it was put there").facts = facts.clone();
    let promised = planning(&snapshot, now).map_err(no)?;
    let timetable = checked(&promised, &found.plan, &found.left_out)?;
    Ok(NewHold {
        facts,
        promised: asked.promised,
        dates,
        quote_time: now,
        futures: futures.map(|date| date.map(instant)),
        expire_time: asked.expire_time,
        plan,
        timetable,
        take_in: asked.take_in,
    })
}

/// Returns the date that is promised, or why there is none.
fn promise(dates: &QuotedDates, promised: QuotedDate) -> Result<Timestamp, String> {
    let (date, share) = match promised {
        QuotedDate::Likely => (dates.likely, 50),
        QuotedDate::P80 => (dates.p80, 80),
        QuotedDate::Safe => (dates.safe, 95),
    };
    date.ok_or_else(|| {
        format!(
            "no date before the plan ends is kept in {share} of 100 futures; promise another one, or plan more days \
             (horizon_days)"
        )
    })
}

/// Returns the hold as the snapshot will know it.
fn to_be(asked: &Asked, now: Timestamp) -> HoldRecord {
    HoldRecord {
        facts: asked.order.clone(),
        state: HoldState::Standing,
        promised: asked.promised,
        dates: QuotedDates { earliest: now, likely: None, p80: None, safe: None },
        plan: String::new(),
        take_in: asked.take_in.as_ref().map(|(facts, book)| (facts.clone(), book.revision)),
        expire_time: asked.expire_time,
        end_time: None,
        etag: String::new(),
        create_time: now,
        update_time: now,
    }
}

/// Returns the plan of a quote as it is with the promise: the same work at the same time, at another price.
fn checked(planning: &Planning, plan: &Plan, left_out: &[LeftOut]) -> Result<Timetable, Error> {
    let problem = &planning.problem;
    if let Some(violation) = fitup_model::check(problem, plan).first() {
        return Err(Error::Bug(format!("the plan of a hold breaks a rule: {}", violation.message)));
    }
    let price = fitup_model::cost::cost(problem, plan);
    let bound = fitup_planner::compile::Compiled::new(problem).trivial_bound().min(price);
    let quality = if price <= bound { Quality::Optimal } else { Quality::Feasible };
    Ok(planning.timetable(plan, quality, bound, left_out::describe(problem, left_out)))
}

/// Writes what a hold that is only looked at would be.
pub fn write_draft(shop: &str, new: &NewHold, now: Timestamp) -> v1::Hold {
    let asked = Asked {
        order: new.facts.clone(),
        take_in: new.take_in.clone(),
        promised: new.promised,
        expire_time: new.expire_time,
    };
    let record = HoldRecord { dates: new.dates, ..to_be(&asked, now) };
    let written = hold::write(shop, &record, now);
    let place = new.timetable.orders.iter().find(|own| own.order == new.facts.id);
    let place = place.map(|own| convert::plan::to_order(shop, own));
    v1::Hold { plan: String::new(), create_time: None, update_time: None, place, ..written }
}

/// Tells why a hold does not stand at a moment, if it does not.
///
/// # Errors
/// That, for people, and what to do.
pub fn standing(record: &HoldRecord, shop: &ShopFacts, at: Timestamp) -> Result<(), String> {
    let id = &record.facts.id;
    let again = "its place is free for others; quote it again with `fitup quote --file FILE --hold`";
    match record.state_at(at) {
        HoldState::Standing => Ok(()),
        HoldState::Expired => Err(format!("hold {id:?} has expired on {}: {again}", told(shop, record.expire_time))),
        HoldState::Released => Err(format!("hold {id:?} was released: {again}")),
        HoldState::Accepted => {
            Err(format!("hold {id:?} was accepted, and is order {id:?}: see `fitup order show {id}`"))
        }
    }
}

/// Accepts a hold that stands at `at`, if its order still fits the shop.
pub fn accept(at: Timestamp) -> HoldEdit {
    Box::new(move |record, shop| {
        let id = &record.facts.id;
        standing(record, shop, at).map_err(Refusal::Forbidden)?;
        let fits = Shop::new(shop.clone()).and_then(|shop| Order::new(record.facts.clone(), &shop));
        match fits {
            Ok(_) => Ok(Some(HoldEnd::Accepted)),
            Err(faults) => {
                let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
                Err(Refusal::Forbidden(format!(
                    "the shop has changed, and hold {id:?} no longer fits it ({}); release it, and quote it again",
                    faults.join("; ")
                )))
            }
        }
    })
}

/// Releases a hold; one that is over stays so.
pub fn release(at: Timestamp) -> HoldEdit {
    Box::new(move |record, _| match record.state_at(at) {
        HoldState::Standing => Ok(Some(HoldEnd::Released)),
        HoldState::Expired | HoldState::Released => Ok(None),
        HoldState::Accepted => {
            let id = &record.facts.id;
            let message = format!("hold {id:?} was accepted; cancel its order with `fitup order cancel {id}`");
            Err(Refusal::Forbidden(message))
        }
    })
}

fn told(shop: &ShopFacts, time: Timestamp) -> String {
    match jiff::tz::TimeZone::get(&shop.time_zone) {
        Ok(zone) => zone.to_datetime(time).strftime("%a %-d %b %H:%M").to_string(),
        Err(_) => time.to_string(),
    }
}
