//! The audit trail.

use uuid::Uuid;

use super::Connection;
use super::rows::{instant, micros};
use crate::change::Change;
use crate::difference::Difference;
use crate::error::Error;
use crate::record::AuditEntry;

/// What was done to what.
pub struct Event<'a> {
    /// Id of the shop.
    pub shop: &'a str,
    /// Name of what was changed.
    pub resource: String,
    /// What was done.
    pub action: &'static str,
    /// Revision of the shop before and after; 0 if there was none.
    pub revisions: (i64, i64),
    /// What differs.
    pub difference: Difference,
}

/// Appends an event.
pub async fn append(connection: &mut Connection, change: &Change, event: Event<'_>) -> Result<(), Error> {
    let request = change.request.as_ref();
    sqlx::query(
        "insert into audit (
            create_time, actor, method, request_id, shop_id, resource, action, revision_before, revision_after,
            difference, origin
        )
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(micros(change.at))
    .bind(&change.actor)
    .bind(request.map(|request| request.method.as_str()))
    .bind(request.map(|request| request.id.to_string()))
    .bind(event.shop)
    .bind(event.resource)
    .bind(event.action)
    .bind(event.revisions.0)
    .bind(event.revisions.1)
    .bind(event.difference.to_json())
    .bind(&change.origin)
    .execute(connection)
    .await?;
    Ok(())
}

#[derive(sqlx::FromRow)]
struct Row {
    audit_id: i64,
    create_time: i64,
    actor: String,
    actor_display_name: Option<String>,
    origin: Option<String>,
    request_id: Option<String>,
    shop_id: String,
    resource: String,
    action: String,
    revision_before: i64,
    revision_after: i64,
    difference: String,
}

/// Returns entries of a shop after a sequence number.
pub async fn list(
    connection: &mut Connection,
    shop: &str,
    after_sequence: i64,
    limit: u32,
) -> Result<Vec<AuditEntry>, Error> {
    let rows: Vec<Row> = sqlx::query_as(
        "select audit_id, audit.create_time, actor, token.display_name as actor_display_name, origin, request_id, shop_id,
            resource, action, revision_before, revision_after, difference
        from audit
        left join token on actor = 'tokens/' || token_id
        where shop_id = $1
            and audit_id > $2
        order by audit_id
        limit $3",
    )
    .bind(shop)
    .bind(after_sequence)
    .bind(i64::from(limit))
    .fetch_all(connection)
    .await?;
    rows.into_iter().map(entry).collect()
}

/// Returns entries of a shop, the last first; with a `resource` only those of it and of what is in it.
pub async fn list_latest(
    connection: &mut Connection,
    shop: &str,
    resource: Option<&str>,
    before_sequence: Option<i64>,
    limit: u32,
) -> Result<Vec<AuditEntry>, Error> {
    let rows: Vec<Row> = sqlx::query_as(
        "select audit_id, audit.create_time, actor, token.display_name as actor_display_name, origin, request_id, shop_id,
            resource, action, revision_before, revision_after, difference
        from audit
        left join token on actor = 'tokens/' || token_id
        where shop_id = $1
            and audit_id < $2
            and ($3 = '' or resource = $3 or substr(resource, 1, length($3) + 1) = $3 || '/')
        order by audit_id desc
        limit $4",
    )
    .bind(shop)
    .bind(before_sequence.unwrap_or(i64::MAX))
    .bind(resource.unwrap_or(""))
    .bind(i64::from(limit))
    .fetch_all(connection)
    .await?;
    rows.into_iter().map(entry).collect()
}

fn entry(row: Row) -> Result<AuditEntry, Error> {
    let request = row.request_id.map(|id| id.parse::<Uuid>()).transpose();
    Ok(AuditEntry {
        sequence: row.audit_id,
        at: instant(row.create_time)?,
        actor: row.actor,
        actor_display_name: row.actor_display_name,
        origin: row.origin,
        request: request.map_err(|error| Error::Corrupt(format!("request id: {error}")))?,
        shop: row.shop_id,
        resource: row.resource,
        action: row.action,
        revision_before: row.revision_before,
        revision_after: row.revision_after,
        difference: row.difference,
    })
}
