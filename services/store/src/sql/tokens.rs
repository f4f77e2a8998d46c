//! Bearer tokens.

use serde_json::{Value, json};
use sqlx::QueryBuilder;

use super::rows::{insert, instant, micros, optional_instant};
use super::{Connection, Db, audit};
use crate::change::Change;
use crate::difference::{Difference, Fields};
use crate::error::Error;
use crate::record::{NO_SHOP, Page};
use crate::token::{Digest, NewToken, Role, Scope, TokenRecord};
use crate::value;

/// Returns the name of a token.
pub fn name(token: &str) -> String {
    format!("tokens/{token}")
}

#[derive(sqlx::FromRow)]
struct Row {
    token_id: String,
    display_name: String,
    role: String,
    all_shops: bool,
    create_time: i64,
    expire_time: i64,
    revoke_time: Option<i64>,
}

/// Returns the token whose secret has a digest.
pub async fn find(connection: &mut Connection, digest: &Digest) -> Result<Option<TokenRecord>, Error> {
    let row: Option<Row> = sqlx::query_as(
        "select token_id, display_name, role, all_shops, create_time, expire_time, revoke_time
        from token
        where digest = $1",
    )
    .bind(digest.as_slice())
    .fetch_optional(&mut *connection)
    .await?;
    match row {
        Some(row) => Ok(Some(record(connection, row).await?)),
        None => Ok(None),
    }
}

/// Returns tokens by id, of those that are for no other shops than `within`.
pub async fn list(connection: &mut Connection, within: &Scope, page: &Page) -> Result<Vec<TokenRecord>, Error> {
    let mut query = QueryBuilder::<Db>::new(
        "select token_id, display_name, role, all_shops, create_time, expire_time, revoke_time
        from token
        where token_id > ",
    );
    query.push_bind(page.after.clone().unwrap_or_default());
    restrict(&mut query, within);
    query.push(" order by token_id limit ").push_bind(i64::from(page.limit));
    let rows: Vec<Row> = query.build_query_as().persistent(false).fetch_all(&mut *connection).await?;
    let mut tokens = Vec::new();
    for row in rows {
        tokens.push(record(connection, row).await?);
    }
    Ok(tokens)
}

/// Makes a token.
pub async fn create(connection: &mut Connection, change: &Change, token: &NewToken) -> Result<TokenRecord, Error> {
    sqlx::query(
        "insert into token (token_id, display_name, role, digest, all_shops, create_time, expire_time)
        values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(&token.id)
    .bind(&token.display_name)
    .bind(token.role.word())
    .bind(token.digest.as_slice())
    .bind(token.scope == Scope::All)
    .bind(micros(change.at))
    .bind(micros(token.expire_time))
    .execute(&mut *connection)
    .await?;
    if let Scope::Shops(shops) = &token.scope {
        let rows: Vec<&String> = shops.iter().collect();
        insert(connection, "token_shop (token_id, shop_id)", &rows, |values, shop| {
            values.push_bind(token.id.clone()).push_bind((*shop).clone());
        })
        .await?;
    }
    let made = get(connection, &token.id, &Scope::All).await?;
    append(connection, change, &made, "create", &Difference::between(Fields::new(), fields(&made))).await?;
    Ok(made)
}

/// Lets nobody in with a token from now on. One that was revoked before is left as it is.
pub async fn revoke(
    connection: &mut Connection,
    change: &Change,
    token: &str,
    within: &Scope,
) -> Result<TokenRecord, Error> {
    let found = get(connection, token, within).await?;
    if found.revoke_time.is_some() {
        return Ok(found);
    }
    sqlx::query("update token set revoke_time = $2 where token_id = $1 and revoke_time is null")
        .bind(token)
        .bind(micros(change.at))
        .execute(&mut *connection)
        .await?;
    let revoked = get(connection, token, within).await?;
    let difference = Difference::between(fields(&found), fields(&revoked));
    append(connection, change, &revoked, "update", &difference).await?;
    Ok(revoked)
}

async fn get(connection: &mut Connection, token: &str, within: &Scope) -> Result<TokenRecord, Error> {
    let mut query = QueryBuilder::<Db>::new(
        "select token_id, display_name, role, all_shops, create_time, expire_time, revoke_time
        from token
        where token_id = ",
    );
    query.push_bind(token.to_owned());
    restrict(&mut query, within);
    let row: Option<Row> = query.build_query_as().persistent(false).fetch_optional(&mut *connection).await?;
    record(connection, row.ok_or_else(|| Error::NotFound { name: name(token) })?).await
}

/// Leaves out tokens for shops outside of `within`.
fn restrict(query: &mut QueryBuilder<Db>, within: &Scope) {
    let Scope::Shops(shops) = within else { return };
    query
        .push(" and not all_shops and not exists (select 1 from token_shop where token_shop.token_id = token.token_id");
    if !shops.is_empty() {
        query.push(" and shop_id not in (");
        let mut list = query.separated(", ");
        for shop in shops {
            list.push_bind(shop.clone());
        }
        query.push(")");
    }
    query.push(")");
}

async fn record(connection: &mut Connection, row: Row) -> Result<TokenRecord, Error> {
    let scope = if row.all_shops {
        Scope::All
    } else {
        let shops: Vec<(String,)> = sqlx::query_as("select shop_id from token_shop where token_id = $1")
            .bind(&row.token_id)
            .fetch_all(connection)
            .await?;
        Scope::Shops(shops.into_iter().map(|(shop,)| shop).collect())
    };
    let role = Role::of(&row.role).ok_or_else(|| Error::Corrupt(format!("word {:?} is not known", row.role)))?;
    Ok(TokenRecord {
        id: row.token_id,
        display_name: row.display_name,
        role,
        scope,
        create_time: instant(row.create_time)?,
        expire_time: instant(row.expire_time)?,
        revoke_time: optional_instant(row.revoke_time)?,
    })
}

fn fields(token: &TokenRecord) -> Fields {
    let mut fields = Fields::new();
    fields.insert("display_name".into(), json!(token.display_name));
    fields.insert("role".into(), json!(token.role.word()));
    let shops = match &token.scope {
        Scope::All => json!("all"),
        Scope::Shops(shops) => json!(shops),
    };
    fields.insert("shops".into(), shops);
    fields.insert("expire_time".into(), value::time(token.expire_time));
    fields.insert("revoke_time".into(), token.revoke_time.map_or(Value::Null, value::time));
    fields
}

/// Appends to the trail of each shop of the token; of one for all shops to that of no shop.
async fn append(
    connection: &mut Connection,
    change: &Change,
    token: &TokenRecord,
    action: &'static str,
    difference: &Difference,
) -> Result<(), Error> {
    let shops = match &token.scope {
        Scope::All => vec![NO_SHOP.to_owned()],
        Scope::Shops(shops) => shops.iter().cloned().collect(),
    };
    for shop in &shops {
        let (resource, difference) = (name(&token.id), difference.clone());
        let event = audit::Event { shop, resource, action, revisions: (0, 0), difference };
        audit::append(connection, change, event).await?;
    }
    Ok(())
}
