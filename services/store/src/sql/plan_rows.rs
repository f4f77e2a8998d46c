//! Plans as rows.

use fitup_model::timetable::{
    Delay, DelayKind, LeftOutOrder, OperationState, OperationTimetable, OrderTimetable, Quality, VisitTimetable,
};
use fitup_model::{Price, Timetable};
use jiff::SignedDuration;

use super::rows::{Children, insert, instant, micros, optional_instant, positions, words};
use super::{Connection, Db};
use crate::error::Error;
use crate::record::{PlanRecord, PlanState};

words!(PlanState, state_word, state, {
    PlanState::Proposed = "proposed",
    PlanState::Published = "published",
    PlanState::Superseded = "superseded",
});

words!(Quality, quality_word, quality, {
    Quality::Optimal = "optimal",
    Quality::Feasible = "feasible",
});

words!(OperationState, operation_state_word, operation_state, {
    OperationState::Planned = "planned",
    OperationState::Running = "running",
    OperationState::Done = "done",
});

words!(DelayKind, delay_word, delay_kind, {
    DelayKind::Work = "work",
    DelayKind::Cure = "cure",
    DelayKind::Part = "part",
    DelayKind::Approval = "approval",
    DelayKind::Bay = "bay",
    DelayKind::Technician = "technician",
    DelayKind::Equipment = "equipment",
    DelayKind::Closed = "closed",
    DelayKind::Settled = "settled",
    DelayKind::Other = "other",
});

/// A row of `plan` with the revision of its shop.
#[derive(sqlx::FromRow)]
pub struct PlanRow {
    plan_id: String,
    plan_run_id: Option<String>,
    state: String,
    shop_revision: i64,
    as_of_time: i64,
    horizon_time: i64,
    quality: String,
    price_lateness: i64,
    price_flow: i64,
    price_overtime: i64,
    price_change: i64,
    price_same_person: i64,
    price_outside: i64,
    price_left_out: i64,
    bound: i64,
    create_time: i64,
    revision: i64,
}

impl PlanRow {
    /// Returns the plan without its orders.
    pub fn record(self) -> Result<PlanRecord, Error> {
        Ok(PlanRecord {
            state: state(&self.state)?,
            plan_run: self.plan_run_id,
            shop_revision: self.shop_revision,
            stale: self.shop_revision != self.revision,
            create_time: instant(self.create_time)?,
            timetable: Timetable {
                as_of_time: instant(self.as_of_time)?,
                horizon_time: instant(self.horizon_time)?,
                quality: quality(&self.quality)?,
                price: Price {
                    lateness: self.price_lateness,
                    flow: self.price_flow,
                    overtime: self.price_overtime,
                    change: self.price_change,
                    same_person: self.price_same_person,
                    outside: self.price_outside,
                    left_out: self.price_left_out,
                },
                bound: self.bound,
                orders: Vec::new(),
                left_out: Vec::new(),
            },
            id: self.plan_id,
        })
    }
}

#[derive(sqlx::FromRow)]
struct OperationRow {
    order_id: String,
    operation_id: String,
    display_name: String,
    state: String,
    visit_id: Option<String>,
    bay_id: Option<String>,
    start_time: i64,
    end_time: i64,
    overtime: bool,
}

/// Order, vehicle, arrival, promise, completion, until when it is held.
type OrderRow = (String, String, i64, Option<i64>, i64, Option<i64>);

type DelayRow = (String, String, i64, Option<String>, Option<String>, String, i64);

/// Returns the orders of a plan.
pub async fn load_orders(connection: &mut Connection, shop: &str, plan: &str) -> Result<Vec<OrderTimetable>, Error> {
    let rows: Vec<OrderRow> = select(
        connection,
        shop,
        plan,
        "select plan_order.order_id, vehicle, arrival_time, promise_time, completion_time, coalesce(end_time, expire_time)
        from plan_order
        left join hold on hold.shop_id = plan_order.shop_id
            and hold.order_id = plan_order.order_id
            and hold.state <> 'accepted'
        where plan_order.shop_id = $1
            and plan_order.plan_id = $2
        order by position",
    )
    .await?;
    let mut visits = load_visits(connection, shop, plan).await?;
    let mut operations = load_operations(connection, shop, plan).await?;
    let mut delays = load_delays(connection, shop, plan).await?;
    let mut orders = Vec::with_capacity(rows.len());
    for (order, vehicle, arrival_time, promise_time, completion_time, held_until) in rows {
        orders.push(OrderTimetable {
            vehicle,
            arrival_time: instant(arrival_time)?,
            promise_time: optional_instant(promise_time)?,
            completion_time: instant(completion_time)?,
            visits: visits.take(&order),
            operations: operations.take(&order),
            delays: delays.take(&order),
            held_until: optional_instant(held_until)?,
            order,
        });
    }
    Ok(orders)
}

/// Returns the orders left out of a plan.
pub async fn load_left_out(connection: &mut Connection, shop: &str, plan: &str) -> Result<Vec<LeftOutOrder>, Error> {
    let rows: Vec<(String, String, Option<String>, String)> = select(
        connection,
        shop,
        plan,
        "select order_id, reason, operation_id, message
        from plan_left_out
        where shop_id = $1
            and plan_id = $2
        order by position",
    )
    .await?;
    let left_out = |(order, reason, operation, message)| LeftOutOrder { order, reason, operation, message };
    Ok(rows.into_iter().map(left_out).collect())
}

async fn load_visits(
    connection: &mut Connection,
    shop: &str,
    plan: &str,
) -> Result<Children<String, VisitTimetable>, Error> {
    let rows: Vec<(String, String, String, bool, i64, i64)> = select(
        connection,
        shop,
        plan,
        "select order_id, visit_id, bay_id, loose_parts, start_time, end_time
        from plan_visit
        where shop_id = $1
            and plan_id = $2
        order by order_id, position",
    )
    .await?;
    let visit = |(order, visit, bay, loose_parts, start, end)| {
        let (start_time, end_time) = (instant(start)?, instant(end)?);
        Ok((order, VisitTimetable { visit, bay, loose_parts, start_time, end_time }))
    };
    rows.into_iter().map(visit).collect()
}

async fn load_operations(
    connection: &mut Connection,
    shop: &str,
    plan: &str,
) -> Result<Children<String, OperationTimetable>, Error> {
    let technicians: Vec<(String, String, String)> = select(
        connection,
        shop,
        plan,
        "select order_id, operation_id, technician_id
        from plan_technician
        where shop_id = $1
            and plan_id = $2
        order by order_id, operation_id, position",
    )
    .await?;
    let keyed = technicians.into_iter().map(|(order, operation, technician)| ((order, operation), technician));
    let mut technicians: Children<(String, String), String> = keyed.collect();
    let rows: Vec<OperationRow> = select(
        connection,
        shop,
        plan,
        "select order_id, operation_id, display_name, state, visit_id, bay_id, start_time, end_time, overtime
        from plan_operation
        where shop_id = $1
            and plan_id = $2
        order by order_id, position",
    )
    .await?;
    let operation = |row: OperationRow| {
        let key = (row.order_id, row.operation_id);
        let technicians = technicians.take(&key);
        let operation = OperationTimetable {
            operation: key.1,
            display_name: row.display_name,
            state: operation_state(&row.state)?,
            visit: row.visit_id,
            bay: row.bay_id,
            start_time: instant(row.start_time)?,
            end_time: instant(row.end_time)?,
            technicians,
            overtime: row.overtime,
        };
        Ok((key.0, operation))
    };
    rows.into_iter().map(operation).collect()
}

async fn load_delays(connection: &mut Connection, shop: &str, plan: &str) -> Result<Children<String, Delay>, Error> {
    let rows: Vec<DelayRow> = select(
        connection,
        shop,
        plan,
        "select order_id, kind, duration_micros, subject_id, holder_order_id, operation_id, until_time
        from plan_delay
        where shop_id = $1
            and plan_id = $2
        order by order_id, position",
    )
    .await?;
    let delay = |(order, kind, duration, subject, holder, operation, until): DelayRow| {
        let (kind, duration) = (delay_kind(&kind)?, SignedDuration::from_micros(duration));
        Ok((order, Delay { kind, duration, subject, holder, operation, until_time: instant(until)? }))
    };
    rows.into_iter().map(delay).collect()
}

async fn select<T>(
    connection: &mut Connection,
    shop: &str,
    plan: &str,
    statement: &'static str,
) -> Result<Vec<T>, Error>
where
    T: for<'r> sqlx::FromRow<'r, <Db as sqlx::Database>::Row> + Send + Unpin,
{
    Ok(sqlx::query_as(statement).bind(shop).bind(plan).fetch_all(connection).await?)
}

/// Inserts the orders of a plan and those left out.
pub async fn add_orders(
    connection: &mut Connection,
    shop: &str,
    plan: &str,
    timetable: &Timetable,
) -> Result<(), Error> {
    let orders: Vec<_> = positions(&timetable.orders).collect();
    let table = "plan_order (shop_id, plan_id, position, order_id, vehicle, arrival_time, promise_time, \
        completion_time)";
    insert(connection, table, &orders, |values, (position, order)| {
        values.push_bind(shop).push_bind(plan).push_bind(*position).push_bind(order.order.as_str());
        values.push_bind(order.vehicle.as_str()).push_bind(micros(order.arrival_time));
        values.push_bind(order.promise_time.map(micros)).push_bind(micros(order.completion_time));
    })
    .await?;
    add_visits(connection, shop, plan, timetable).await?;
    add_operations(connection, shop, plan, timetable).await?;
    let orders = timetable.orders.iter();
    let delays: Vec<_> =
        orders.flat_map(|order| positions(&order.delays).map(|row| (order.order.as_str(), row))).collect();
    let table = "plan_delay (shop_id, plan_id, order_id, position, kind, duration_micros, subject_id, \
        holder_order_id, operation_id, until_time)";
    insert(connection, table, &delays, |values, (order, (position, delay))| {
        values.push_bind(shop).push_bind(plan).push_bind(*order).push_bind(*position);
        values.push_bind(delay_word(delay.kind)).push_bind(whole_micros(delay.duration));
        values.push_bind(delay.subject.as_deref()).push_bind(delay.holder.as_deref());
        values.push_bind(delay.operation.as_str()).push_bind(micros(delay.until_time));
    })
    .await?;
    let left_out: Vec<_> = positions(&timetable.left_out).collect();
    let table = "plan_left_out (shop_id, plan_id, position, order_id, reason, operation_id, message)";
    insert(connection, table, &left_out, |values, (position, order)| {
        values.push_bind(shop).push_bind(plan).push_bind(*position).push_bind(order.order.as_str());
        values.push_bind(order.reason.as_str()).push_bind(order.operation.as_deref());
        values.push_bind(order.message.as_str());
    })
    .await
}

async fn add_visits(connection: &mut Connection, shop: &str, plan: &str, timetable: &Timetable) -> Result<(), Error> {
    let mut visits = Vec::new();
    for order in &timetable.orders {
        visits.extend(positions(&order.visits).map(|(position, visit)| (order, position, visit)));
    }
    let table = "plan_visit (shop_id, plan_id, order_id, position, visit_id, bay_id, loose_parts, start_time, \
        end_time, settled)";
    insert(connection, table, &visits, |values, (order, position, visit)| {
        values.push_bind(shop).push_bind(plan).push_bind(order.order.as_str()).push_bind(*position);
        values.push_bind(visit.visit.as_str()).push_bind(visit.bay.as_str()).push_bind(visit.loose_parts);
        values.push_bind(micros(visit.start_time)).push_bind(micros(visit.end_time));
        values.push_bind(is_settled(order, visit));
    })
    .await
}

async fn add_operations(
    connection: &mut Connection,
    shop: &str,
    plan: &str,
    timetable: &Timetable,
) -> Result<(), Error> {
    let (mut operations, mut technicians) = (Vec::new(), Vec::new());
    for order in &timetable.orders {
        let id = order.order.as_str();
        operations.extend(positions(&order.operations).map(|(position, operation)| (id, position, operation)));
        for operation in &order.operations {
            technicians.extend(positions(&operation.technicians).map(|row| (id, operation.operation.as_str(), row)));
        }
    }
    let table = "plan_operation (shop_id, plan_id, order_id, position, operation_id, display_name, state, visit_id, \
        bay_id, start_time, end_time, overtime)";
    insert(connection, table, &operations, |values, (order, position, operation)| {
        values.push_bind(shop).push_bind(plan).push_bind(*order).push_bind(*position);
        values.push_bind(operation.operation.as_str()).push_bind(operation.display_name.as_str());
        values.push_bind(operation_state_word(operation.state));
        values.push_bind(operation.visit.as_deref()).push_bind(operation.bay.as_deref());
        values.push_bind(micros(operation.start_time)).push_bind(micros(operation.end_time));
        values.push_bind(operation.overtime);
    })
    .await?;
    let table = "plan_technician (shop_id, plan_id, order_id, operation_id, position, technician_id)";
    insert(connection, table, &technicians, |values, (order, operation, (position, technician))| {
        values.push_bind(shop).push_bind(plan).push_bind(*order).push_bind(*operation).push_bind(*position);
        values.push_bind(technician.as_str());
    })
    .await
}

/// Tells whether all operations of the visit had started when the plan was made.
fn is_settled(order: &OrderTimetable, visit: &VisitTimetable) -> bool {
    let mut operations = order.operations.iter().filter(|operation| operation.visit.as_ref() == Some(&visit.visit));
    operations.all(|operation| operation.state != OperationState::Planned)
}

fn whole_micros(duration: SignedDuration) -> i64 {
    i64::try_from(duration.as_micros()).unwrap_or(i64::MAX)
}
