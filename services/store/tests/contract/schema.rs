//! What the database refuses by itself, whoever writes to it.

use fitup_model::order::Progress;
use fitup_model::timetable::{OperationState, OperationTimetable, OrderTimetable, VisitTimetable};
use fitup_model::{Price, Timetable};
use fitup_store::{Error, NewPlan};
use jiff::Timestamp;

use crate::database::Database;
use crate::facts::{at, change, empty_timetable, plain_order, plain_shop, typical_order, unencoded};
use crate::orders::draft;
use crate::plans::plan;

/// Statements, and the constraint that each breaks.
const NONSENSE: &[(&str, &str)] = &[
    ("update shop set shop_id = 'Not An Id' where shop_id = 'other'", "shop_id_format"),
    ("update shop set shop_id = '-a' where shop_id = 'other'", "shop_id_format"),
    ("update shop set shop_id = '' where shop_id = 'other'", "shop_id_format"),
    ("update shop set time_zone = ''", "shop_time_zone_given"),
    ("update shop set grid_minutes = 7", "shop_grid_minutes_known"),
    ("update shop set late_weight = -1", "shop_late_weight_range"),
    ("update shop set revision = revision - 1 where shop_id = 'shop'", "shop_revision_grows"),
    ("update shop set revision = 0", "shop_revision"),
    ("update shop set display_name = null", "shop.display_name"),
    ("insert into skill values ('none', 'x', 0)", "foreign key"),
    ("insert into skill values ('shop', 'body', 9)", "skill.shop_id, skill.skill_id"),
    ("insert into skill values ('shop', 'paint', 0)", "skill.shop_id, skill.position"),
    ("insert into shift values ('shop', 'none', 0, 0, 60)", "foreign key"),
    ("insert into technician values ('shop', 't', 0, '', 'none')", "foreign key"),
    (
        "insert into calendar values ('shop', 'c', 0); insert into shift values ('shop', 'c', 0, 60, 60)",
        "shift_not_empty",
    ),
    (
        "insert into calendar values ('shop', 'c', 0); insert into shift values ('shop', 'c', 0, 0, 1441)",
        "shift_end_range",
    ),
    (
        "insert into calendar values ('shop', 'c', 0);
        insert into calendar_exception values ('shop', 'c', 0, '2031-02-30', '2031-03-05', '')",
        "calendar_exception_start_format",
    ),
    (
        "insert into calendar values ('shop', 'c', 0);
        insert into calendar_exception values ('shop', 'c', 0, '2031-02-03', '2031-02-03', '')",
        "calendar_exception_not_empty",
    ),
    ("insert into holiday values ('shop', 0, 'soon', '')", "holiday_date_format"),
    ("insert into equipment values ('shop', 'e', 0, '', 0)", "equipment_count_range"),
    (
        "insert into bay values ('shop', 'b', 0, ''); insert into bay_downtime values ('shop', 'b', 0, 5, 5, '')",
        "bay_downtime_not_empty",
    ),
    ("update repair_order set state = 'lost'", "order_state_known"),
    ("update repair_order set promise_time = arrival_time - 1", "order_promise_after_arrival"),
    ("update operation set work_minutes = -5", "operation_work_range"),
    ("update operation set low_work_minutes = -1", "operation_low_work_range"),
    ("update operation set high_work_minutes = -1", "operation_high_work_range"),
    ("update operation set visit_id = 'none' where operation_id = 'operation-3'", "foreign key"),
    ("update operation set start_time = 1", "operation_progress_whole"),
    ("update operation set state = 'done'", "operation_progress_whole"),
    ("update operation set state = 'done', start_time = 5, end_time = 4", "operation_not_backwards"),
    (
        "update operation set same_person_operation_id = operation_id, same_person_required = true",
        "operation_same_person_other",
    ),
    ("update operation set same_person_required = true", "operation_same_person_whole"),
    ("update operation set pin_start_time = 1", "operation_pin_whole"),
    ("update operation_need set need_id = 'none'", "foreign key"),
    ("update operation_hazard set hazard = 'sharks'", "operation_hazard_known"),
    ("update link set max_wait_minutes = 5, min_wait_minutes = 6", "link_waits_in_order"),
    ("update link set to_operation_id = from_operation_id", "link_not_to_itself"),
    ("update link set to_operation_id = 'none'", "foreign key"),
    ("delete from operation where operation_id = 'operation-3'", "foreign key"),
    ("update plan set state = 'published'", "plan.shop_id"),
    ("update plan set state = 'superseded' where plan_id = 'p-1'", "plan_state_forward"),
    ("insert into plan_visit values ('shop', 'p-1', 'none', 'v', 0, 'lift-1', false, 0, 1, false)", "foreign key"),
    ("insert into plan_left_out values ('shop', 'p-1', 0, 'none', 'NO_CREW', null, '')", "foreign key"),
    ("update hold set state = 'lost'", "hold_state_known"),
    ("update hold set promised = 'soon'", "hold_promised_known"),
    ("update hold set state = 'accepted'", "hold_ends_whole"),
    ("update hold set state = 'released', end_time = expire_time", "hold_ends_before_expiry"),
    ("update hold set expire_time = create_time", "hold_lasts"),
    ("update hold set plan_id = 'none'", "foreign key"),
    ("update plan_run set state = 'running'", "plan_run_running_has"),
    ("update plan_run set state = 'failed', end_time = 1", "plan_run_failed_says_why"),
    ("update plan_run set state = 'cancelled'", "plan_run_final_has_end"),
    ("update plan_run set state = 'succeeded', end_time = 1", "plan_run_succeeded_has_plan"),
    ("update plan_run set gap_limit = 1.5", "plan_run_gap_limit_range"),
    ("update plan_run set state = 'cancelled', end_time = 1; update plan_run set seed = 5", "plan_run_final_stays"),
];

pub async fn nonsense_is_refused<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    for shop in ["shop", "other"] {
        store.create_shop(&change(0), plain_shop(shop), unencoded()).await.unwrap();
    }
    store.create_order(&change(0), "shop", Box::new(|_| Ok(typical_order("o"))), unencoded()).await.unwrap();
    store.create_order(&change(0), "shop", draft("planned"), unencoded()).await.unwrap();
    crate::holds::make(&*store, 0, crate::holds::hold("held", "p-3", &[])).await.unwrap();
    for id in ["p-1", "p-2"] {
        store.save_plan(&change(0), "shop", plan(id, 4)).await.unwrap();
    }
    let run = fitup_store::NewPlanRun {
        id: "r".into(),
        limits: fitup_store::RunLimits {
            time_limit: None,
            iteration_limit: None,
            seed: 0,
            gap_limit: 0.0,
            as_of_time: None,
        },
        as_of_time: at(0),
        unfinished_limit: 1,
        unfinished_limit_in_all: 100,
    };
    store.create_run(&change(0), "shop", run, unencoded()).await.unwrap();
    let before = (store.snapshot("shop").await.unwrap(), store.get_run("shop", "r").await.unwrap());
    let not_a_number = ("update shop set revision = 'many'", D::NOT_A_NUMBER);
    for (statements, constraint) in NONSENSE.iter().chain([&not_a_number]) {
        match database.execute(statements).await {
            Ok(()) => panic!("accepted: {statements}"),
            Err(message) => assert!(message.contains(constraint), "{statements}: {message}"),
        }
    }
    let after = (store.snapshot("shop").await.unwrap(), store.get_run("shop", "r").await.unwrap());
    assert_eq!(after, before);
}

/// Returns a plan with a visit of each of these orders in one bay: start, end, state of its one operation.
fn one_bay(visits: &[(&str, i64, i64, OperationState)]) -> Timetable {
    let order = |(order, start, end, state): &(&str, i64, i64, OperationState)| {
        let (start_time, end_time): (Timestamp, Timestamp) = (at(*start), at(*end));
        let operation = OperationTimetable {
            operation: "straighten".into(),
            display_name: "Straighten".into(),
            state: *state,
            visit: Some("v".into()),
            bay: Some("lift-1".into()),
            start_time,
            end_time,
            technicians: vec!["ada".into()],
            overtime: false,
        };
        let visit =
            VisitTimetable { visit: "v".into(), bay: "lift-1".into(), loose_parts: false, start_time, end_time };
        OrderTimetable {
            order: (*order).into(),
            vehicle: String::new(),
            arrival_time: at(0),
            promise_time: None,
            completion_time: end_time,
            visits: vec![visit],
            operations: vec![operation],
            delays: Vec::new(),
            held_until: None,
        }
    };
    Timetable { orders: visits.iter().map(order).collect(), ..empty_timetable() }
}

/// Two visits in one bay, with the time of the plan at 0.
pub async fn plans_are_fixed<D: Database>() {
    use OperationState::{Done, Planned, Running};
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    for order in ["a", "b"] {
        store.create_order(&change(0), "shop", draft(order), unencoded()).await.unwrap();
    }
    let save = async |id: &str, timetable: Timetable| {
        let plan = NewPlan { id: id.into(), shop_revision: 3, timetable };
        store.save_plan(&change(1), "shop", plan).await
    };
    let double_booked = |error: Error| {
        assert!(matches!(error, Error::Constraint { constraint } if constraint == "plan_visit_bay_free"));
    };
    save("touching", one_bay(&[("a", 0, 60, Planned), ("b", 60, 90, Planned)])).await.unwrap();
    double_booked(save("x", one_bay(&[("a", 0, 60, Planned), ("b", 59, 90, Planned)])).await.unwrap_err());
    double_booked(save("x", one_bay(&[("a", 0, 60, Planned), ("b", 10, 20, Planned)])).await.unwrap_err());
    double_booked(save("x", one_bay(&[("a", 10, 20, Planned), ("b", 0, 60, Planned)])).await.unwrap_err());
    double_booked(save("x", one_bay(&[("a", -9, 60, Running), ("b", 0, 60, Planned)])).await.unwrap_err());
    double_booked(save("x", one_bay(&[("a", 0, 60, Planned), ("b", -9, 60, Running)])).await.unwrap_err());
    save("facts", one_bay(&[("a", -9, 60, Running), ("b", -5, 60, Running)])).await.unwrap();
    save("over", one_bay(&[("a", -90, -10, Done), ("b", -20, 60, Planned)])).await.unwrap();
    save("over-later", one_bay(&[("a", -20, 60, Planned), ("b", -90, -10, Done)])).await.unwrap();

    let before = store.get_plan("shop", "touching").await.unwrap();
    for (statement, constraint) in [
        ("update plan set bound = bound - 1", "plan_fixed"),
        ("update plan_visit set bay_id = 'lift-2'", "plan_visit_fixed"),
        ("update plan_operation set overtime = true", "plan_operation_fixed"),
    ] {
        assert!(database.execute(statement).await.unwrap_err().contains(constraint), "{statement}");
    }
    assert_eq!(store.get_plan("shop", "touching").await.unwrap(), before);
}

/// Facts that nobody checked reach the caller as the constraint that they break.
pub async fn names_of_constraints_are_told<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let refused = store.create_shop(&change(0), plain_shop("Not An Id"), unencoded()).await.unwrap_err();
    assert_eq!(refused.to_string(), "the database refuses it: shop_id_format");
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let create = async |change_facts: fn(&mut fitup_model::OrderFacts)| {
        let mut facts = plain_order("o");
        change_facts(&mut facts);
        match store.create_order(&change(0), "shop", Box::new(|_| Ok(facts)), unencoded()).await {
            Err(Error::Constraint { constraint }) => constraint,
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(create(|facts| facts.operations[0].visit = Some("none".into())).await, "foreign key");
    let twice = create(|facts| facts.operations.push(facts.operations[0].clone())).await;
    assert_eq!(twice, "operation.shop_id, operation.order_id, operation.operation_id");
    let backwards = create(|facts| {
        facts.operations[0].progress = Progress::Done { start_time: at(5), end_time: at(4), technicians: Vec::new() };
    });
    assert_eq!(backwards.await, "operation_not_backwards");
    let dear = Timetable { bound: 1, price: Price::default(), ..empty_timetable() };
    let plan = NewPlan { id: "p".into(), shop_revision: 1, timetable: dear };
    let refused = store.save_plan(&change(0), "shop", plan).await.unwrap_err();
    assert_eq!(refused.to_string(), "the database refuses it: plan_bound_holds");
}
