//! The facts of orders as rows: each kind of row is read by one statement for many orders.
//!
//! Orders are selected by a subquery and not by a join: with a join the range of ids holds for both tables, and SQLite
//! then walks all orders of the range for each row, which is quadratic.

use fitup_model::order::{
    EquipmentNeed, Hazard, HoldPoint, Need, OrderLink, OrderOperation, OrderVisit, Pin, Progress, SamePersonWish,
    Supply, SupplyState,
};
use fitup_model::{OrderFacts, OrderState};

use super::rows::{Children, instant, number, optional_instant, optional_number, words};
use super::shop_rows::etag;
use super::{Connection, Db};
use crate::error::Error;
use crate::record::OrderRecord;

/// The statement that reads rows of the orders of a [`Selection`]: what of which table, and in which order.
///
/// The orders are chosen by a subquery and not by a join, which lets SQLite walk all of them for each row.
macro_rules! of_orders {
    ($select:literal, $order:literal) => {
        concat!(
            $select,
            "
        where shop_id = $1
            and order_id in (
                select order_id
                from repair_order
                where shop_id = $1
                    and order_id between $2 and $3
                    and state in ($4, $5, $6)
                    and held = $7
            )
        ",
            $order
        )
    };
}

words!(OrderState, state_word, state, {
    OrderState::Open = "open",
    OrderState::Complete = "complete",
    OrderState::Cancelled = "cancelled",
});

words!(Hazard, hazard_word, hazard, {
    Hazard::HighVoltage = "high-voltage",
    Hazard::RestraintSystem = "restraint-system",
    Hazard::Isocyanate = "isocyanate",
    Hazard::UncuredGlass = "uncured-glass",
    Hazard::RaisedVehicle = "raised-vehicle",
    Hazard::Tension = "tension",
    Hazard::Refrigerant = "refrigerant",
    Hazard::Welding = "welding",
});

words!(SupplyState, supply_word, supply_state, {
    SupplyState::Ordered = "ordered",
    SupplyState::Expected = "expected",
    SupplyState::Received = "received",
    SupplyState::Wrong = "wrong",
    SupplyState::Damaged = "damaged",
    SupplyState::Returned = "returned",
});

/// Which orders of a shop: those in these states with ids from `first` to `last`, both included.
#[derive(Clone, Copy)]
pub struct Selection<'a> {
    pub shop: &'a str,
    pub first: &'a str,
    pub last: &'a str,
    pub states: [&'static str; 3],
    /// Those that are held, in place of orders.
    pub held: bool,
}

impl<'a> Selection<'a> {
    /// Selects an order in any state.
    pub fn one(shop: &'a str, order: &'a str) -> Selection<'a> {
        Selection { shop, first: order, last: order, states: states(&[]), held: false }
    }
}

/// Returns three words for states; none means all, and fewer are repeated.
pub fn states(states: &[OrderState]) -> [&'static str; 3] {
    let all = [OrderState::Open, OrderState::Complete, OrderState::Cancelled];
    let Some(&first) = states.first() else { return all.map(state_word) };
    all.map(|state| state_word(if states.contains(&state) { state } else { first }))
}

#[derive(sqlx::FromRow)]
struct OrderRow {
    order_id: String,
    vehicle: String,
    note: String,
    state: String,
    arrival_time: i64,
    arrived: bool,
    promise_time: Option<i64>,
    late_weight: Option<i64>,
    flow_weight: Option<i64>,
    version: i64,
    create_time: i64,
    update_time: i64,
}

#[derive(sqlx::FromRow)]
struct OperationRow {
    order_id: String,
    operation_id: String,
    display_name: String,
    work_minutes: i64,
    low_work_minutes: Option<i64>,
    high_work_minutes: Option<i64>,
    visit_id: Option<String>,
    interruptible: bool,
    earliest_start_time: Option<i64>,
    same_person_operation_id: Option<String>,
    same_person_required: Option<bool>,
    pinned: bool,
    pin_start_time: Option<i64>,
    state: String,
    start_time: Option<i64>,
    end_time: Option<i64>,
    remaining_minutes: Option<i64>,
    remaining_time: Option<i64>,
    pause_time: Option<i64>,
    pause_reason: Option<String>,
    hold_measure: Option<String>,
}

/// Order, kind, id, display name, expected time, whether it is met, what was heard, how sure that is.
type NeedRow = (String, String, String, String, Option<i64>, bool, Option<String>, Option<i64>);

type VisitRow = (String, String, String, bool, Option<String>, Option<String>);

/// Returns orders by id.
pub async fn load(connection: &mut Connection, selection: Selection<'_>) -> Result<Vec<OrderRecord>, Error> {
    let orders: Vec<OrderRow> = select(
        connection,
        selection,
        "select order_id, vehicle, note, state, arrival_time, arrived, promise_time, late_weight, flow_weight, version,
            create_time, update_time
        from repair_order
        where shop_id = $1
            and order_id between $2 and $3
            and state in ($4, $5, $6)
            and held = $7
        order by order_id",
    )
    .await?;
    if orders.is_empty() {
        return Ok(Vec::new());
    }
    let mut parts = Parts::load(connection, selection).await?;
    orders.into_iter().map(|row| parts.record(row)).collect()
}

/// Parents of child rows: an order, and an operation of it.
type Order = String;
type Operation = (String, String);

/// The children of orders.
struct Parts {
    visits: Children<Order, OrderVisit>,
    operations: Children<Order, OperationRow>,
    crews: Children<Operation, String>,
    pinned: Children<Operation, String>,
    working: Children<Operation, String>,
    equipment: Children<Operation, EquipmentNeed>,
    needs: Children<Operation, String>,
    hazards: Children<Operation, Hazard>,
    rework: Children<Operation, String>,
    links: Children<Order, OrderLink>,
    parts: Children<Order, Need>,
    approvals: Children<Order, Need>,
}

impl Parts {
    fn record(&mut self, row: OrderRow) -> Result<OrderRecord, Error> {
        let order = &row.order_id;
        let operations = self.operations.take(order);
        Ok(OrderRecord {
            etag: etag(row.create_time, row.version),
            create_time: instant(row.create_time)?,
            update_time: instant(row.update_time)?,
            facts: OrderFacts {
                cancelled: state(&row.state)? == OrderState::Cancelled,
                arrival_time: instant(row.arrival_time)?,
                arrived: row.arrived,
                promise_time: optional_instant(row.promise_time)?,
                late_weight: optional_number(row.late_weight)?,
                flow_weight: optional_number(row.flow_weight)?,
                visits: self.visits.take(order),
                operations: operations.into_iter().map(|row| self.operation(row)).collect::<Result<_, _>>()?,
                links: self.links.take(order),
                parts: self.parts.take(order),
                approvals: self.approvals.take(order),
                id: row.order_id,
                vehicle: row.vehicle,
                note: row.note,
            },
        })
    }

    fn operation(&mut self, row: OperationRow) -> Result<OrderOperation, Error> {
        let progress = self.progress(&row)?;
        let same_person = row.same_person_operation_id.zip(row.same_person_required);
        let pin_start_time = optional_instant(row.pin_start_time)?;
        let key = (row.order_id, row.operation_id);
        let pin = Pin { technicians: self.pinned.take(&key), start_time: pin_start_time };
        Ok(OrderOperation {
            display_name: row.display_name,
            work_minutes: number(row.work_minutes)?,
            low_work_minutes: optional_number(row.low_work_minutes)?,
            high_work_minutes: optional_number(row.high_work_minutes)?,
            crew: self.crews.take(&key),
            visit: row.visit_id,
            equipment: self.equipment.take(&key),
            interruptible: row.interruptible,
            needs: self.needs.take(&key),
            earliest_start_time: optional_instant(row.earliest_start_time)?,
            same_person: same_person.map(|(operation, required)| SamePersonWish { operation, required }),
            pin: row.pinned.then_some(pin),
            hazards: self.hazards.take(&key),
            hold_point: row.hold_measure.map(|measure| HoldPoint { rework: self.rework.take(&key), measure }),
            progress,
            id: key.1,
        })
    }

    fn progress(&mut self, row: &OperationRow) -> Result<Progress, Error> {
        let key = (row.order_id.clone(), row.operation_id.clone());
        match (row.state.as_str(), row.start_time, row.end_time, row.remaining_minutes) {
            ("waiting", None, None, None) => Ok(Progress::Waiting),
            ("running", Some(start), None, Some(remaining)) => match row.pause_time {
                None => Ok(Progress::Running {
                    start_time: instant(start)?,
                    technicians: self.working.take(&key),
                    remaining_minutes: number(remaining)?,
                    remaining_time: optional_instant(row.remaining_time)?,
                }),
                Some(pause) => Ok(Progress::Paused {
                    start_time: instant(start)?,
                    pause_time: instant(pause)?,
                    technicians: self.working.take(&key),
                    remaining_minutes: number(remaining)?,
                    reason: row.pause_reason.clone().unwrap_or_default(),
                }),
            },
            ("done", Some(start), Some(end), None) => Ok(Progress::Done {
                start_time: instant(start)?,
                end_time: instant(end)?,
                technicians: self.working.take(&key),
            }),
            _ => Err(Error::Corrupt(format!("progress of operation {:?} of order {:?}", key.1, key.0))),
        }
    }

    async fn load(connection: &mut Connection, selection: Selection<'_>) -> Result<Parts, Error> {
        let operations: Vec<OperationRow> = select(
            connection,
            selection,
            of_orders!(
"select order_id, operation_id, display_name, work_minutes, visit_id, interruptible, earliest_start_time,
                same_person_operation_id, same_person_required, pinned, pin_start_time, state, start_time,
                end_time, remaining_minutes, remaining_time, pause_time, pause_reason, hold_measure,
                low_work_minutes, high_work_minutes
            from operation",
"order by order_id, position"
),
        )
        .await?;
        let needs: Vec<NeedRow> = select(
            connection,
            selection,
            of_orders!(
                "select order_id, kind, need_id, display_name, expected_time, met, supply, confidence_percent
            from need",
                "order by order_id, position"
            ),
        )
        .await?;
        let (mut parts, mut approvals) = (Vec::new(), Vec::new());
        for (order, kind, id, display_name, expected_time, met, supply, confidence) in needs {
            let state = supply.as_deref().map(supply_state).transpose()?;
            let confidence_percent = optional_number(confidence)?;
            let supply = state.map(|state| Supply { state, confidence_percent });
            let need = Need { id, display_name, expected_time: optional_instant(expected_time)?, met, supply };
            if kind == "part" { parts.push((order, need)) } else { approvals.push((order, need)) }
        }
        let technicians: Vec<(String, String, String, String)> = select(
            connection,
            selection,
            of_orders!(
                "select order_id, operation_id, role, technician_id
            from operation_technician",
                "order by order_id, operation_id, role, position"
            ),
        )
        .await?;
        let (mut pinned, mut working) = (Vec::new(), Vec::new());
        for (order, operation, role, technician) in technicians {
            let row = ((order, operation), technician);
            if role == "pinned" { pinned.push(row) } else { working.push(row) }
        }
        Ok(Parts {
            visits: visits(connection, selection).await?,
            operations: operations.into_iter().map(|row| (row.order_id.clone(), row)).collect(),
            crews: crews(connection, selection).await?,
            pinned: pinned.into_iter().collect(),
            working: working.into_iter().collect(),
            equipment: equipment(connection, selection).await?,
            needs: operation_needs(connection, selection).await?,
            hazards: hazards(connection, selection).await?,
            rework: rework(connection, selection).await?,
            links: links(connection, selection).await?,
            parts: parts.into_iter().collect(),
            approvals: approvals.into_iter().collect(),
        })
    }
}

async fn rework(connection: &mut Connection, of: Selection<'_>) -> Result<Children<Operation, String>, Error> {
    let rows: Vec<(String, String, String)> = select(
        connection,
        of,
        of_orders!(
            "select order_id, operation_id, rework_operation_id
        from operation_rework",
            "order by order_id, operation_id, position"
        ),
    )
    .await?;
    Ok(rows.into_iter().map(|(order, operation, other)| ((order, operation), other)).collect())
}

async fn visits(connection: &mut Connection, of: Selection<'_>) -> Result<Children<Order, OrderVisit>, Error> {
    let rows: Vec<VisitRow> = select(
        connection,
        of,
        of_orders!(
            "select order_id, visit_id, bay_class, loose_parts, family, bay_id
        from visit",
            "order by order_id, position"
        ),
    )
    .await?;
    let visit = |(order, id, bay_class, loose_parts, family, bay): VisitRow| {
        (order, OrderVisit { id, bay_class, loose_parts, family, bay })
    };
    Ok(rows.into_iter().map(visit).collect())
}

async fn crews(connection: &mut Connection, of: Selection<'_>) -> Result<Children<Operation, String>, Error> {
    let rows: Vec<(String, String, String)> = select(
        connection,
        of,
        of_orders!(
            "select order_id, operation_id, skill_id
        from operation_crew",
            "order by order_id, operation_id, position"
        ),
    )
    .await?;
    Ok(rows.into_iter().map(|(order, operation, skill)| ((order, operation), skill)).collect())
}

async fn equipment(
    connection: &mut Connection,
    of: Selection<'_>,
) -> Result<Children<Operation, EquipmentNeed>, Error> {
    let rows: Vec<(String, String, String, i64)> = select(
        connection,
        of,
        of_orders!(
            "select order_id, operation_id, equipment_id, count
        from operation_equipment",
            "order by order_id, operation_id, position"
        ),
    )
    .await?;
    let need = |(order, operation, equipment, count)| {
        Ok(((order, operation), EquipmentNeed { equipment, count: number(count)? }))
    };
    rows.into_iter().map(need).collect()
}

async fn operation_needs(connection: &mut Connection, of: Selection<'_>) -> Result<Children<Operation, String>, Error> {
    let rows: Vec<(String, String, String)> = select(
        connection,
        of,
        of_orders!(
            "select order_id, operation_id, need_id
        from operation_need",
            "order by order_id, operation_id, position"
        ),
    )
    .await?;
    Ok(rows.into_iter().map(|(order, operation, need)| ((order, operation), need)).collect())
}

async fn hazards(connection: &mut Connection, of: Selection<'_>) -> Result<Children<Operation, Hazard>, Error> {
    let rows: Vec<(String, String, String)> = select(
        connection,
        of,
        of_orders!(
            "select order_id, operation_id, hazard
        from operation_hazard",
            "order by order_id, operation_id, position"
        ),
    )
    .await?;
    rows.into_iter().map(|(order, operation, word)| Ok(((order, operation), hazard(&word)?))).collect()
}

async fn links(connection: &mut Connection, of: Selection<'_>) -> Result<Children<Order, OrderLink>, Error> {
    let rows: Vec<(String, String, String, i64, Option<i64>)> = select(
        connection,
        of,
        of_orders!(
            "select order_id, from_operation_id, to_operation_id, min_wait_minutes, max_wait_minutes
        from link",
            "order by order_id, position"
        ),
    )
    .await?;
    let link = |(order, from, to, min, max)| {
        let link = OrderLink { from, to, min_wait_minutes: number(min)?, max_wait_minutes: optional_number(max)? };
        Ok((order, link))
    };
    rows.into_iter().map(link).collect()
}

async fn select<T>(
    connection: &mut Connection,
    selection: Selection<'_>,
    statement: &'static str,
) -> Result<Vec<T>, Error>
where
    T: for<'r> sqlx::FromRow<'r, <Db as sqlx::Database>::Row> + Send + Unpin,
{
    let [first, second, third] = selection.states;
    let rows = sqlx::query_as(statement)
        .bind(selection.shop)
        .bind(selection.first)
        .bind(selection.last)
        .bind(first)
        .bind(second)
        .bind(third)
        .bind(selection.held)
        .fetch_all(connection)
        .await?;
    Ok(rows)
}
