//! Responses that are kept for repeats of their requests.

use jiff::Timestamp;

use super::Connection;
use super::rows::micros;
use crate::change::Change;
use crate::error::Error;

/// Returns the response to the request of `change`, if it was answered before.
pub async fn find(connection: &mut Connection, change: &Change) -> Result<Option<Vec<u8>>, Error> {
    let Some(request) = &change.request else { return Ok(None) };
    let kept: Option<(String, Vec<u8>, Vec<u8>)> = sqlx::query_as(
        "select method, fingerprint, response
        from request
        where actor = $1
            and request_id = $2",
    )
    .bind(&change.actor)
    .bind(request.id.to_string())
    .fetch_optional(connection)
    .await?;
    match kept {
        None => Ok(None),
        Some((method, fingerprint, response)) if method == request.method && fingerprint == request.fingerprint => {
            Ok(Some(response))
        }
        Some(_) => Err(Error::RequestIdReused { id: request.id }),
    }
}

/// Keeps the response to the request of `change`, if it has one.
pub async fn keep(
    connection: &mut Connection,
    change: &Change,
    response: impl FnOnce() -> Vec<u8> + Send,
) -> Result<(), Error> {
    let Some(request) = &change.request else { return Ok(()) };
    let response = response();
    sqlx::query(
        "insert into request (actor, request_id, method, fingerprint, response, create_time)
        values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(&change.actor)
    .bind(request.id.to_string())
    .bind(&request.method)
    .bind(request.fingerprint.as_slice())
    .bind(response)
    .bind(micros(change.at))
    .execute(connection)
    .await?;
    Ok(())
}

/// Forgets responses from before `before` and returns how many.
pub async fn purge(connection: &mut Connection, before: Timestamp) -> Result<u64, Error> {
    let done =
        sqlx::query("delete from request where create_time < $1").bind(micros(before)).execute(connection).await?;
    Ok(done.rows_affected())
}

/// Reads something.
pub async fn ping(connection: &mut Connection) -> Result<(), Error> {
    sqlx::query("select count(*) from request where request_id = ''").fetch_one(connection).await?;
    Ok(())
}
