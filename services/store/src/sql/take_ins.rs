//! What orders were made from, and the rule books by which.

use fitup_model::take_in::{Conditions, EstimateLine, Override, PartCondition, TakeInFacts};

use super::rows::{insert, instant, micros, number, optional_instant, optional_number, positions, words};
use super::{Connection, audit, orders, shops};
use crate::change::Change;
use crate::difference::{Difference, Fields, take_in_fields};
use crate::error::Error;
use crate::record::{RuleBookRecord, TakeInRecord};
use crate::store::{TakeInEdit, TakeInStored};

words!(PartCondition, condition_word, condition, {
    PartCondition::New = "new",
    PartCondition::Used = "used",
});

/// Returns the name of a rule book.
pub fn book_name(shop: &str) -> String {
    format!("shops/{shop}/ruleBook")
}

/// Returns the name of what an order was made from.
pub fn name(shop: &str, order: &str) -> String {
    format!("shops/{shop}/orders/{order}/takeIn")
}

/// Returns a revision of the rule book of a shop, the latest without one; `None` if it has none of its own.
pub async fn book(
    connection: &mut Connection,
    shop: &str,
    revision: Option<i64>,
) -> Result<Option<RuleBookRecord>, Error> {
    let found: Option<(i64, String, i64)> = sqlx::query_as(
        "select revision, text, create_time
        from rule_book
        where shop_id = $1
            and revision between $2 and $3
        order by revision desc
        limit 1",
    )
    .bind(shop)
    .bind(revision.unwrap_or(0))
    .bind(revision.unwrap_or(i64::MAX))
    .fetch_optional(connection)
    .await?;
    let record = |(revision, text, time)| Ok(RuleBookRecord { revision, text, create_time: instant(time)? });
    found.map(record).transpose()
}

/// Returns the latest rule book of a shop that must be there.
pub async fn latest_book(connection: &mut Connection, shop: &str) -> Result<Option<RuleBookRecord>, Error> {
    shops::revision(connection, shop).await?;
    book(connection, shop, None).await
}

/// Gives a shop a rule book; with a `revision` only if it is the shop's, 0 for none.
pub async fn put_book(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    revision: Option<i64>,
    text: &str,
) -> Result<RuleBookRecord, Error> {
    let of_shop = shops::revision(connection, shop).await?;
    let stored = book(connection, shop, None).await?;
    let current = stored.as_ref().map_or(0, |stored| stored.revision);
    if revision.is_some_and(|expected| expected != current) {
        return Err(Error::EtagMismatch { name: book_name(shop) });
    }
    if let Some(stored) = stored.filter(|stored| stored.text == text) {
        return Ok(stored);
    }
    sqlx::query("insert into rule_book (shop_id, revision, text, create_time) values ($1, $2, $3, $4)")
        .bind(shop)
        .bind(current + 1)
        .bind(text)
        .bind(micros(change.at))
        .execute(&mut *connection)
        .await?;
    let event = audit::Event {
        shop,
        resource: book_name(shop),
        action: if current == 0 { "create" } else { "update" },
        // Plans do not depend on it.
        revisions: (of_shop, of_shop),
        difference: Difference::of("revision", current, current + 1),
    };
    audit::append(connection, change, event).await?;
    let put = book(connection, shop, None).await?;
    put.ok_or_else(|| Error::Corrupt(format!("{} was just written", book_name(shop))))
}

/// Returns what an order was made from.
pub async fn get(connection: &mut Connection, shop: &str, order: &str) -> Result<TakeInRecord, Error> {
    let stored = orders::get(connection, shop, order).await?;
    match facts(connection, shop, order).await? {
        Some((facts, book)) => Ok(TakeInRecord { order: stored, facts, book }),
        None => Err(Error::NotFound { name: name(shop, order) }),
    }
}

/// Returns what the open orders of a shop were made from, by id; those that were not made from lines are not among them.
pub async fn open(connection: &mut Connection, shop: &str) -> Result<Vec<TakeInRecord>, Error> {
    shops::revision(connection, shop).await?;
    let mut records = Vec::new();
    for order in orders::open(connection, shop).await? {
        if let Some((facts, book)) = facts(connection, shop, &order.facts.id).await? {
            records.push(TakeInRecord { order, facts, book });
        }
    }
    Ok(records)
}

/// Enters or changes an order with what it is made from; with an `etag` only if it is the order's. A shop without a rule
/// book of its own gets `first_book`.
pub async fn put(
    connection: &mut Connection,
    change: &Change,
    (shop, order): (&str, &str),
    etag: Option<&str>,
    first_book: &str,
    edit: TakeInEdit,
) -> Result<TakeInRecord, Error> {
    let of_shop = shops::get(connection, shop).await?;
    let stored = match orders::get(connection, shop, order).await {
        Ok(stored) => Some(stored),
        Err(Error::NotFound { .. }) => None,
        Err(error) => return Err(error),
    };
    if etag.is_some() && stored.is_none() {
        return Err(Error::NotFound { name: orders::name(shop, order) });
    }
    // What is held under this id is no order, and its lines are its own.
    let before = if stored.is_some() { facts(connection, shop, order).await? } else { None };
    let book = first_or_latest(connection, change, shop, first_book).await?;
    let known = TakeInStored {
        shop: of_shop.facts,
        order: stored.as_ref().map(|stored| stored.facts.clone()),
        take_in: before.clone(),
        book: book.clone(),
    };
    let (order_facts, take_in) = edit(&known).map_err(|refusal| Error::refused(orders::name(shop, order), refusal))?;
    if stored.is_some() {
        let edit = Box::new(move |_: &_, _: &_| Ok(order_facts));
        orders::update(connection, change, shop, order, etag, edit).await?;
    } else {
        orders::create(connection, change, shop, Box::new(move |_| Ok(order_facts))).await?;
    }
    let old = before.as_ref().map(|(facts, book)| (facts, book.revision));
    if old != Some((&take_in, book.revision)) {
        forget(connection, shop, order).await?;
        add(connection, (shop, order), &take_in, book.revision).await?;
        note(connection, change, (shop, order), old, (&take_in, book.revision)).await?;
    }
    get(connection, shop, order).await
}

/// Returns the latest rule book of a shop; one without gets `first_book`, and keeps it.
pub async fn first_or_latest(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    first_book: &str,
) -> Result<RuleBookRecord, Error> {
    match book(connection, shop, None).await? {
        Some(book) => Ok(book),
        None => put_book(connection, change, shop, Some(0), first_book).await,
    }
}

/// Appends to the audit trail what an order is made from now.
pub async fn note(
    connection: &mut Connection,
    change: &Change,
    (shop, order): (&str, &str),
    old: Option<(&TakeInFacts, i64)>,
    new: (&TakeInFacts, i64),
) -> Result<(), Error> {
    let revision = shops::revision(connection, shop).await?;
    let fields = |known: Option<(&TakeInFacts, i64)>| {
        known.map_or_else(Fields::new, |(facts, book)| take_in_fields(facts, book))
    };
    let event = audit::Event {
        shop,
        resource: name(shop, order),
        action: if old.is_some() { "update" } else { "create" },
        revisions: (revision, revision),
        difference: Difference::between(fields(old), fields(Some(new))),
    };
    audit::append(connection, change, event).await
}

/// Forgets what an order, or one that is held, was made from.
pub async fn forget(connection: &mut Connection, shop: &str, order: &str) -> Result<(), Error> {
    sqlx::query("delete from take_in where shop_id = $1 and order_id = $2")
        .bind(shop)
        .bind(order)
        .execute(connection)
        .await?;
    Ok(())
}

#[derive(sqlx::FromRow)]
struct TakeInRow {
    revision: i64,
    adhesive: Option<String>,
    temperature_celsius: Option<i64>,
    humidity_percent: Option<i64>,
    surface_celsius: Option<i64>,
}

#[derive(sqlx::FromRow)]
struct LineRow {
    line_id: String,
    panel: String,
    work: String,
    labour: String,
    minutes: i64,
    part_number: String,
    condition: Option<String>,
    part_expected_time: Option<i64>,
    part_received: bool,
    note: String,
}

#[derive(sqlx::FromRow)]
struct SettledRow {
    kind: String,
    operation_id: String,
    from_operation_id: Option<String>,
    minutes: Option<i64>,
    crew: Option<String>,
    min_wait_minutes: Option<i64>,
    max_wait_minutes: Option<i64>,
}

async fn facts(
    connection: &mut Connection,
    shop: &str,
    order: &str,
) -> Result<Option<(TakeInFacts, RuleBookRecord)>, Error> {
    let Some((facts, revision)) = made_from(connection, shop, order).await? else { return Ok(None) };
    let missing = || Error::Corrupt(format!("rule book {revision} of shop {shop:?} is missing"));
    let book = book(connection, shop, Some(revision)).await?.ok_or_else(missing)?;
    Ok(Some((facts, book)))
}

/// Returns what an order, or one that is held, was made from, and the revision of the rule book that made it.
pub async fn made_from(
    connection: &mut Connection,
    shop: &str,
    order: &str,
) -> Result<Option<(TakeInFacts, i64)>, Error> {
    let row: Option<TakeInRow> = sqlx::query_as(
        "select revision, adhesive, temperature_celsius, humidity_percent, surface_celsius
        from take_in
        where shop_id = $1
            and order_id = $2",
    )
    .bind(shop)
    .bind(order)
    .fetch_optional(&mut *connection)
    .await?;
    let Some(row) = row else { return Ok(None) };
    let lines: Vec<LineRow> = sqlx::query_as(
        "select line_id, panel, work, labour, minutes, part_number, condition, part_expected_time, part_received, note
        from estimate_line
        where shop_id = $1
            and order_id = $2
        order by position",
    )
    .bind(shop)
    .bind(order)
    .fetch_all(&mut *connection)
    .await?;
    let overrides: Vec<SettledRow> = sqlx::query_as(
        "select kind, operation_id, from_operation_id, minutes, crew, min_wait_minutes, max_wait_minutes
        from settled
        where shop_id = $1
            and order_id = $2
        order by position",
    )
    .bind(shop)
    .bind(order)
    .fetch_all(&mut *connection)
    .await?;
    let features: Vec<(String,)> = sqlx::query_as(
        "select feature
        from take_in_feature
        where shop_id = $1
            and order_id = $2
        order by position",
    )
    .bind(shop)
    .bind(order)
    .fetch_all(&mut *connection)
    .await?;
    let facts = TakeInFacts {
        lines: lines.into_iter().map(line).collect::<Result<_, _>>()?,
        overrides: overrides.into_iter().map(settled).collect::<Result<_, _>>()?,
        features: features.into_iter().map(|(feature,)| feature).collect(),
        conditions: Conditions {
            adhesive: row.adhesive,
            temperature_celsius: optional_number(row.temperature_celsius)?,
            humidity_percent: optional_number(row.humidity_percent)?,
            surface_celsius: optional_number(row.surface_celsius)?,
        },
    };
    Ok(Some((facts, row.revision)))
}

fn line(row: LineRow) -> Result<EstimateLine, Error> {
    Ok(EstimateLine {
        id: row.line_id,
        panel: row.panel,
        work: row.work,
        labour: row.labour,
        minutes: number(row.minutes)?,
        part_number: row.part_number,
        condition: row.condition.as_deref().map(condition).transpose()?,
        part_expected_time: optional_instant(row.part_expected_time)?,
        part_received: row.part_received,
        note: row.note,
    })
}

fn settled(row: SettledRow) -> Result<Override, Error> {
    let missing = |what: &str| Error::Corrupt(format!("{what} of {} is missing", row.operation_id));
    let operation = row.operation_id.clone();
    let from = row.from_operation_id.clone();
    Ok(match row.kind.as_str() {
        "work" => Override::Work { operation, minutes: number(row.minutes.ok_or_else(|| missing("work"))?)? },
        "crew" => {
            let crew = row.crew.as_ref().ok_or_else(|| missing("crew"))?;
            Override::Crew { operation, crew: crew.split(' ').map(str::to_owned).collect() }
        }
        "link" => Override::Link {
            from: from.ok_or_else(|| missing("from"))?,
            to: operation,
            min_wait_minutes: number(row.min_wait_minutes.unwrap_or(0))?,
            max_wait_minutes: optional_number(row.max_wait_minutes)?,
        },
        "unlink" => Override::Unlink { from: from.ok_or_else(|| missing("from"))?, to: operation },
        "leave_out" => Override::LeaveOut { operation },
        other => return Err(Error::Corrupt(format!("word {other:?} is not known"))),
    })
}

/// Keeps what an order, or one that is held, is made from.
pub async fn add(
    connection: &mut Connection,
    (shop, order): (&str, &str),
    facts: &TakeInFacts,
    revision: i64,
) -> Result<(), Error> {
    let conditions = &facts.conditions;
    sqlx::query(
        "insert into take_in (
            shop_id, order_id, revision, adhesive, temperature_celsius, humidity_percent, surface_celsius
        )
        values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(shop)
    .bind(order)
    .bind(revision)
    .bind(&conditions.adhesive)
    .bind(conditions.temperature_celsius.map(i64::from))
    .bind(conditions.humidity_percent.map(i64::from))
    .bind(conditions.surface_celsius.map(i64::from))
    .execute(&mut *connection)
    .await?;
    let features: Vec<_> = positions(&facts.features).collect();
    insert(
        connection,
        "take_in_feature (shop_id, order_id, position, feature)",
        &features,
        |row, (position, feature)| {
            row.push_bind(shop.to_owned())
                .push_bind(order.to_owned())
                .push_bind(*position)
                .push_bind(feature.to_string());
        },
    )
    .await?;
    let lines: Vec<_> = positions(&facts.lines).collect();
    let table = "estimate_line (
        shop_id, order_id, line_id, position, panel, work, labour, minutes, part_number, condition, part_expected_time,
        part_received, note
    )";
    insert(connection, table, &lines, |row, (position, line)| {
        row.push_bind(shop.to_owned())
            .push_bind(order.to_owned())
            .push_bind(line.id.clone())
            .push_bind(*position)
            .push_bind(line.panel.clone())
            .push_bind(line.work.clone())
            .push_bind(line.labour.clone())
            .push_bind(i64::from(line.minutes))
            .push_bind(line.part_number.clone())
            .push_bind(line.condition.map(condition_word))
            .push_bind(line.part_expected_time.map(micros))
            .push_bind(line.part_received)
            .push_bind(line.note.clone());
    })
    .await?;
    let overrides: Vec<_> = positions(&facts.overrides).collect();
    let table = "settled (
        shop_id, order_id, position, kind, operation_id, from_operation_id, minutes, crew, min_wait_minutes,
        max_wait_minutes
    )";
    insert(connection, table, &overrides, |row, (position, settled)| {
        let (kind, from, minutes, crew, waits) = columns(settled);
        row.push_bind(shop.to_owned())
            .push_bind(order.to_owned())
            .push_bind(*position)
            .push_bind(kind)
            .push_bind(settled.operation().to_owned())
            .push_bind(from)
            .push_bind(minutes)
            .push_bind(crew)
            .push_bind(waits.0)
            .push_bind(waits.1);
    })
    .await
}

type Columns = (&'static str, Option<String>, Option<i64>, Option<String>, (Option<i64>, Option<i64>));

fn columns(settled: &Override) -> Columns {
    match settled {
        Override::Work { minutes, .. } => ("work", None, Some(i64::from(*minutes)), None, (None, None)),
        Override::Crew { crew, .. } => ("crew", None, None, Some(crew.join(" ")), (None, None)),
        Override::Link { from, min_wait_minutes, max_wait_minutes, .. } => {
            let waits = (Some(i64::from(*min_wait_minutes)), max_wait_minutes.map(i64::from));
            ("link", Some(from.clone()), None, None, waits)
        }
        Override::Unlink { from, .. } => ("unlink", Some(from.clone()), None, None, (None, None)),
        Override::LeaveOut { .. } => ("leave_out", None, None, None, (None, None)),
    }
}
