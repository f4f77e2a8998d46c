//! What a request for a hold asks for: an order by hand or from lines, which date is promised, until when it stands.

use fitup_model::order::Progress;
use fitup_model::{Fault, OrderFacts, Shop, ShopFacts, TakeInFacts};
use fitup_proto::v1;
use fitup_store::{HoldRecord, QuotedDate, Refusal, RuleBookRecord, TakeInStored};
use jiff::{SignedDuration, Timestamp};

use crate::convert::names;
use crate::convert::{self, hold};
use crate::take_in::{self, too_many};

/// A hold stands so long, unless the request says otherwise or the car is dropped off before.
const STANDS: SignedDuration = SignedDuration::from_hours(3 * 24);
/// And no longer than this.
const LONGEST: SignedDuration = SignedDuration::from_hours(60 * 24);

/// What an order was made from, and by which rule book.
pub type FromLines = (TakeInFacts, RuleBookRecord);

/// A hold that is asked for, read.
#[derive(Debug, Clone)]
pub struct Asked {
    /// The order, arriving as asked for; without a promise.
    pub order: OrderFacts,
    /// What it is made from; `None` if no line made it.
    pub take_in: Option<FromLines>,
    /// Which date is promised.
    pub promised: QuotedDate,
    /// Until when it stands.
    pub expire_time: Timestamp,
}

/// What a request for a hold meets.
#[derive(Debug, Clone, Copy)]
pub struct Known<'k> {
    /// The shop.
    pub shop: &'k ShopFacts,
    /// Its rule book.
    pub book: &'k RuleBookRecord,
    /// By the clock.
    pub clock: Timestamp,
    /// The moment that is quoted for.
    pub now: Timestamp,
}

/// Reads a hold that is asked for.
///
/// # Errors
/// All that is wrong with it; or that the rule book is broken.
pub fn read(request: &v1::HoldQuoteRequest, known: &Known) -> Result<Asked, Refusal> {
    let mut faults: Vec<Fault> = names::check_id(&request.order_id, "order_id").err().into_iter().collect();
    let (_, found) = convert::instant_field(request.arrival_time.as_ref(), "arrival_time");
    faults.extend(found);
    let promised = hold::read_promised(request.promised).map_err(|fault| faults.push(fault));
    let order = match &request.order {
        Some(order) => {
            let mut order = order.clone();
            order.arrival_time = request.arrival_time.or(order.arrival_time);
            match &request.estimate {
                Some(estimate) => from_lines(&request.order_id, order, estimate, None, known),
                None => by_hand(&request.order_id, order, known).map(|order| (order, None)),
            }
        }
        None => Err(one("order", "is required".into())),
    };
    let order = faulty(order, &mut faults)?;
    let expire_time = expiry(request.expire_time.as_ref(), order.as_ref().map(|(order, _)| order), known);
    whole(order, promised, expire_time, faults)
}

/// Reads a change of a hold; what it does not say stays as it is stored.
///
/// # Errors
/// All that is wrong with it; or that the rule book is broken.
pub fn read_change(request: &v1::ChangeHoldRequest, stored: &HoldRecord, known: &Known) -> Result<Asked, Refusal> {
    let (arrival, mut faults) = convert::instant_field(request.arrival_time.as_ref(), "arrival_time");
    let promised = match v1::hold::Date::try_from(request.promised) {
        Ok(v1::hold::Date::Unspecified) => Ok(stored.promised),
        _ => hold::read_promised(request.promised).map_err(|fault| faults.push(fault)),
    };
    let facts = &stored.facts;
    let arriving = |order: v1::Order| {
        let until_now = Some(convert::to_instant(facts.arrival_time));
        v1::Order { arrival_time: request.arrival_time.or(order.arrival_time).or(until_now), ..order }
    };
    let order = match (&request.order, &request.estimate) {
        (order, Some(estimate)) => {
            let until_now = stored.take_in.as_ref().map(|(facts, _)| facts);
            if estimate.lines.is_empty() && until_now.is_none() {
                Err(one("estimate.lines", "are required: no line made what is held".into()))
            } else {
                let head = order.clone().unwrap_or_else(|| head(&known.shop.id, facts));
                from_lines(&facts.id, arriving(head), estimate, until_now, known)
            }
        }
        (Some(order), None) => by_hand(&facts.id, arriving(order.clone()), known).map(|order| (order, None)),
        (None, None) => {
            let arrival_time = arrival.unwrap_or(facts.arrival_time);
            let arrived = facts.arrived && arrival_time <= known.now;
            let made_by = |revision| RuleBookRecord { revision, ..known.book.clone() };
            let take_in = stored.take_in.as_ref().map(|(facts, revision)| (facts.clone(), made_by(*revision)));
            Ok((OrderFacts { promise_time: None, arrival_time, arrived, ..facts.clone() }, take_in))
        }
    };
    let order = faulty(order, &mut faults)?;
    let until_now = convert::to_instant(stored.expire_time);
    let expire_time = expiry(request.expire_time.as_ref().or(Some(&until_now)), None, known);
    whole(order, promised, expire_time, faults)
}

/// Returns what was read, or all that is wrong with it.
fn whole(
    order: Option<(OrderFacts, Option<FromLines>)>,
    promised: Result<QuotedDate, ()>,
    expire_time: Result<Timestamp, Vec<Fault>>,
    mut faults: Vec<Fault>,
) -> Result<Asked, Refusal> {
    let expire_time = expire_time.map_err(|found| faults.extend(found));
    match (order, promised, expire_time) {
        (Some((order, take_in)), Ok(promised), Ok(expire_time)) if faults.is_empty() => {
            Ok(Asked { order, take_in, promised, expire_time })
        }
        _ => Err(Refusal::Faults(faults)),
    }
}

/// Returns an order without what lines make of it.
fn head(shop: &str, facts: &OrderFacts) -> v1::Order {
    v1::Order {
        visits: Vec::new(),
        operations: Vec::new(),
        links: Vec::new(),
        parts: Vec::new(),
        ..convert::order::write(shop, facts)
    }
}

/// Returns what was read, or notes its faults.
fn faulty<T>(read: Result<T, Refusal>, faults: &mut Vec<Fault>) -> Result<Option<T>, Refusal> {
    match read {
        Ok(read) => Ok(Some(read)),
        Err(Refusal::Faults(found)) => {
            faults.extend(found);
            Ok(None)
        }
        Err(refusal) => Err(refusal),
    }
}

fn one(path: &str, message: String) -> Refusal {
    Refusal::Faults(vec![Fault { path: path.into(), message }])
}

/// Reads an order that no line makes.
fn by_hand(id: &str, mut order: v1::Order, known: &Known) -> Result<OrderFacts, Refusal> {
    order.promise_time = None;
    let read = Shop::new(known.shop.clone()).and_then(|shop| convert::order::read(id, &order, &shop));
    let under = |fault: Fault| Fault { path: format!("order.{}", fault.path), message: fault.message };
    let read = read.map_err(|found| Refusal::Faults(found.into_iter().map(under).collect()))?;
    waiting(read.into_facts(), known)
}

/// Makes an order of lines, besides what it was made from until now.
fn from_lines(
    id: &str,
    head: v1::Order,
    estimate: &v1::Estimate,
    until_now: Option<&TakeInFacts>,
    known: &Known,
) -> Result<(OrderFacts, Option<FromLines>), Refusal> {
    let request = v1::TakeInOrderRequest {
        order_id: id.to_owned(),
        mode: v1::take_in_order_request::Mode::New.into(),
        order: Some(v1::Order { promise_time: None, ..head }),
        lines: match until_now {
            Some(facts) if estimate.lines.is_empty() => convert::intake::write_facts(facts, 0).lines,
            _ => estimate.lines.clone(),
        },
        overrides: estimate.overrides.clone(),
        forget: estimate.forget.clone(),
        features: estimate.features.clone(),
        conditions: estimate.conditions.clone(),
        ..Default::default()
    };
    let in_estimate = |fault: Fault| {
        let of_lines = ["lines", "overrides", "forget", "features", "conditions"];
        let list = fault.path.split(['[', '.']).next().unwrap_or_default();
        if of_lines.contains(&list) { Fault { path: format!("estimate.{}", fault.path), ..fault } } else { fault }
    };
    let placed = |faults: Vec<Fault>| Refusal::Faults(faults.into_iter().map(in_estimate).collect());
    let faults = too_many(&request);
    if !faults.is_empty() {
        return Err(placed(faults));
    }
    let stored = TakeInStored {
        shop: known.shop.clone(),
        order: None,
        take_in: until_now.map(|facts| (facts.clone(), known.book.clone())),
        book: known.book.clone(),
    };
    let made = take_in::Asked::read(&request, Vec::new()).made(&stored).map_err(|refusal| match refusal {
        Refusal::Faults(faults) => placed(faults),
        refusal => refusal,
    })?;
    Ok((waiting(made.built.facts, known)?, Some((made.facts, known.book.clone()))))
}

/// Refuses an order of which something was begun.
fn waiting(mut order: OrderFacts, known: &Known) -> Result<OrderFacts, Refusal> {
    if order.operations.iter().any(|operation| operation.progress != Progress::Waiting) {
        let message = "has work that was begun; enter the order, which is in the shop already";
        return Err(one("order.operations", message.into()));
    }
    // Nobody has brought the car on a day that is to come.
    order.arrived &= order.arrival_time <= known.now;
    Ok(order)
}

/// Returns until when a hold stands.
fn expiry(
    asked: Option<&prost_types::Timestamp>,
    order: Option<&OrderFacts>,
    known: &Known,
) -> Result<Timestamp, Vec<Fault>> {
    let (expiry, mut faults) = convert::instant_field(asked, "expire_time");
    let Known { clock, now, .. } = *known;
    let drop_off = order.map_or(now, |order| order.arrival_time);
    let expire_time = expiry.unwrap_or_else(|| {
        let usual = now.saturating_add(STANDS).unwrap_or(Timestamp::MAX);
        if drop_off > now { usual.min(drop_off) } else { usual }
    });
    let last = clock.saturating_add(LONGEST).unwrap_or(Timestamp::MAX);
    let mut wrong = |message: String| faults.push(Fault { path: "expire_time".into(), message });
    if expire_time <= clock.max(now) {
        wrong("is over already; name a later time".into());
    } else if expire_time > last {
        wrong(format!("is more than {} days from now; name a sooner time", LONGEST.as_hours() / 24));
    }
    if faults.is_empty() { Ok(expire_time) } else { Err(faults) }
}
