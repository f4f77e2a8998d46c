//! How plans differ: from the model to the contract only.

use fitup_model::diff::{OperationChange, PlanDiff, PromiseChange, Reason, Slot};
use fitup_proto::v1;
use fitup_proto::v1::change_reason::Kind;
use jiff::Timestamp;

use super::fields::{to_count, to_instant};
use super::names::{self, Collection};

/// Writes how the plans `before` and `after` of `shop` differ.
pub fn write(shop: &str, before: &str, after: &str, diff: &PlanDiff) -> v1::PlanDiff {
    v1::PlanDiff {
        before: names::child(shop, Collection::Plans, before),
        after: names::child(shop, Collection::Plans, after),
        operations: diff.operations.iter().map(|change| to_operation(shop, change)).collect(),
        promises: diff.promises.iter().map(|change| to_promise(shop, change)).collect(),
        compared_count: u32::try_from(diff.compared).map_or(i32::MAX, to_count),
    }
}

fn to_operation(shop: &str, change: &OperationChange) -> v1::OperationChange {
    v1::OperationChange {
        order: names::child(shop, Collection::Orders, &change.order),
        operation: change.operation.clone(),
        display_name: change.display_name.clone(),
        before: change.before.as_ref().map(to_slot),
        after: change.after.as_ref().map(to_slot),
        reason: change.reason.as_ref().map(to_reason),
    }
}

fn to_slot(slot: &Slot) -> v1::Slot {
    v1::Slot {
        start_time: Some(to_instant(slot.start_time)),
        end_time: Some(to_instant(slot.end_time)),
        bay: slot.bay.clone().unwrap_or_default(),
        technicians: slot.technicians.clone(),
    }
}

fn to_promise(shop: &str, change: &PromiseChange) -> v1::PromiseChange {
    v1::PromiseChange {
        order: names::child(shop, Collection::Orders, &change.order),
        promise_time: change.promise_time.map(to_instant),
        before_time: change.before_time.map(to_instant),
        after_time: change.after_time.map(to_instant),
    }
}

fn to_reason(reason: &Reason) -> v1::ChangeReason {
    let message = |kind: Kind, subject: &str, holder: &str, until: Option<Timestamp>| v1::ChangeReason {
        kind: kind.into(),
        subject: subject.to_owned(),
        holder: holder.to_owned(),
        until_time: until.map(to_instant),
    };
    match reason {
        Reason::Part(id, until) => message(Kind::Part, id, "", Some(*until)),
        Reason::Approval(id, until) => message(Kind::Approval, id, "", Some(*until)),
        Reason::Out(id, until) => message(Kind::Out, id, "", Some(*until)),
        Reason::Down(id, until) => message(Kind::Down, id, "", Some(*until)),
        Reason::Short(id, until) => message(Kind::Short, id, "", Some(*until)),
        Reason::Settled => message(Kind::Settled, "", "", None),
        Reason::After(id, until) => message(Kind::After, id, "", Some(*until)),
        Reason::Busy(id, holder, until) => message(Kind::Busy, id, holder, Some(*until)),
        Reason::Taken(id, holder, until) => message(Kind::Taken, id, holder, Some(*until)),
    }
}
