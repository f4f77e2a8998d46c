//! Job outlines as JSON.

use fitup_proto::v1;
use serde::Serialize;

use super::order::{Link, Visit, link, operation, visit};
use crate::outline;

/// A line of `outline list`, and answer of `outline show`.
#[derive(Debug, Serialize)]
pub struct Outline {
    id: String,
    title: String,
    description: String,
    caution: String,
    operations: Vec<OutlineOperation>,
    visits: Vec<Visit>,
    links: Vec<Link>,
    parts: Vec<String>,
    approvals: Vec<String>,
}

#[derive(Debug, Serialize)]
struct OutlineOperation {
    id: String,
    name: String,
    /// `null` if the writer has to say; 0 if it is left out unless the writer says.
    work_minutes: Option<i64>,
    usual_minutes: Option<(i64, i64)>,
    crew: Vec<String>,
    visit: Option<String>,
    hazards: Vec<String>,
}

impl From<&outline::Outline> for Outline {
    fn from(outline: &outline::Outline) -> Self {
        let order = &outline.skeleton;
        let one = |one: &v1::Operation| {
            let all = operation(one);
            OutlineOperation {
                usual_minutes: outline.usual.get(&one.id).copied(),
                id: all.id,
                name: all.name,
                work_minutes: all.work_minutes,
                crew: all.crew,
                visit: all.visit,
                hazards: all.hazards,
            }
        };
        Self {
            id: outline.id.clone(),
            title: outline.title.clone(),
            description: outline.description.clone(),
            caution: outline.caution.clone(),
            operations: order.operations.iter().map(one).collect(),
            visits: order.visits.iter().map(visit).collect(),
            links: order.links.iter().map(link).collect(),
            parts: order.parts.iter().map(|part| part.id.clone()).collect(),
            approvals: order.approvals.iter().map(|approval| approval.id.clone()).collect(),
        }
    }
}
