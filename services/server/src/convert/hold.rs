//! Holds: what is asked for, and from the store to the contract.

use fitup_model::Fault;
use fitup_proto::v1;
use fitup_store::{HoldRecord, HoldState, QuotedDate};
use jiff::Timestamp;

use super::names::{self, Collection};
use super::{intake, order, to_instant};

/// Reads which date is promised.
pub fn read_promised(value: i32) -> Result<QuotedDate, Fault> {
    match v1::hold::Date::try_from(value) {
        Ok(v1::hold::Date::Likely) => Ok(QuotedDate::Likely),
        Ok(v1::hold::Date::P80 | v1::hold::Date::Unspecified) => Ok(QuotedDate::P80),
        Ok(v1::hold::Date::Safe) => Ok(QuotedDate::Safe),
        Err(_) => Err(Fault { path: "promised".into(), message: format!("{value} is no date of a quote") }),
    }
}

/// Writes a hold as it is at a moment.
pub fn write(shop: &str, record: &HoldRecord, at: Timestamp) -> v1::Hold {
    let id = &record.facts.id;
    let state = match record.state_at(at) {
        HoldState::Standing => v1::hold::State::Standing,
        HoldState::Expired => v1::hold::State::Expired,
        HoldState::Accepted => v1::hold::State::Accepted,
        HoldState::Released => v1::hold::State::Released,
    };
    let promised = match record.promised {
        QuotedDate::Likely => v1::hold::Date::Likely,
        QuotedDate::P80 => v1::hold::Date::P80,
        QuotedDate::Safe => v1::hold::Date::Safe,
    };
    let mut order = order::write(shop, &record.facts);
    let mut take_in = record.take_in.as_ref().map(|(facts, revision)| intake::write_facts(facts, *revision));
    if record.state != HoldState::Accepted {
        order.name.clear();
    } else if let Some(take_in) = &mut take_in {
        take_in.name = intake::name(shop, id);
    }
    v1::Hold {
        name: names::child(shop, Collection::Holds, id),
        state: state.into(),
        order: Some(order),
        promised: promised.into(),
        earliest_time: Some(to_instant(record.dates.earliest)),
        likely_time: record.dates.likely.map(to_instant),
        p80_time: record.dates.p80.map(to_instant),
        safe_time: record.dates.safe.map(to_instant),
        plan: names::child(shop, Collection::Plans, &record.plan),
        expire_time: Some(to_instant(record.expire_time)),
        end_time: record.end_time.map(to_instant),
        etag: record.etag.clone(),
        create_time: Some(to_instant(record.create_time)),
        update_time: Some(to_instant(record.update_time)),
        take_in,
        place: None,
    }
}
