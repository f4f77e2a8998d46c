//! Holds.

use fitup_proto::v1;
use serde::Serialize;

use super::{id_of, instant, word};
use crate::names::last;

/// A line of `hold list`, and the answer of the other verbs.
#[derive(Debug, Serialize)]
pub struct Hold {
    id: String,
    vehicle: String,
    state: String,
    arrival: Option<String>,
    earliest: Option<String>,
    p50: Option<String>,
    p80: Option<String>,
    p95: Option<String>,
    promised: String,
    promise: Option<String>,
    plan: Option<String>,
    lines: Vec<String>,
    rule_book_revision: Option<i64>,
    expires: Option<String>,
    ended: Option<String>,
    created: Option<String>,
    etag: String,
}

impl From<&v1::Hold> for Hold {
    fn from(hold: &v1::Hold) -> Self {
        let order = hold.order.clone().unwrap_or_default();
        Self {
            id: last(&hold.name).to_owned(),
            vehicle: order.vehicle,
            state: word(hold.state().as_str_name(), "STATE_"),
            arrival: instant(order.arrival_time.as_ref()),
            earliest: instant(hold.earliest_time.as_ref()),
            p50: instant(hold.likely_time.as_ref()),
            p80: instant(hold.p80_time.as_ref()),
            p95: instant(hold.safe_time.as_ref()),
            promised: word(hold.promised().as_str_name(), "DATE_"),
            promise: instant(order.promise_time.as_ref()),
            plan: id_of(&hold.plan),
            lines: hold.take_in.iter().flat_map(|made| &made.lines).map(|line| line.id.clone()).collect(),
            rule_book_revision: hold.take_in.as_ref().map(|made| made.rule_book_revision),
            expires: instant(hold.expire_time.as_ref()),
            ended: instant(hold.end_time.as_ref()),
            created: instant(hold.create_time.as_ref()),
            etag: hold.etag.clone(),
        }
    }
}
