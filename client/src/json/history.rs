//! History.

use fitup_proto::v1;
use serde::Serialize;
use serde_json::Value;

use super::{instant, set};
use crate::names::last;

/// Somebody changed something.
#[derive(Debug, Serialize)]
pub struct Entry {
    sequence: String,
    time: Option<String>,
    actor: String,
    actor_name: Option<String>,
    /// The address that the call came from.
    origin: Option<String>,
    resource: String,
    action: String,
    revision_before: i64,
    revision_after: i64,
    changes: Vec<Change>,
    request: Option<String>,
}

#[derive(Debug, Serialize)]
struct Change {
    field: String,
    before: Value,
    after: Value,
}

impl From<&v1::HistoryEntry> for Entry {
    fn from(entry: &v1::HistoryEntry) -> Self {
        let value = |json: &str| serde_json::from_str(json).unwrap_or(Value::Null);
        let change = |change: &v1::history_entry::Change| Change {
            field: change.field.clone(),
            before: value(&change.before_json),
            after: value(&change.after_json),
        };
        Self {
            sequence: last(&entry.name).to_owned(),
            time: instant(entry.create_time.as_ref()),
            actor: entry.actor.clone(),
            actor_name: set(&entry.actor_display_name),
            origin: set(&entry.origin),
            resource: entry.resource.clone(),
            action: entry.action.clone(),
            revision_before: entry.revision_before,
            revision_after: entry.revision_after,
            changes: entry.changes.iter().map(change).collect(),
            request: set(&entry.request_id),
        }
    }
}
