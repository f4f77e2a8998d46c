//! From facts to a problem and back.

mod support;

use fitup_model::keyed::{BayId, Key, OperationId, TechnicianId, VisitId};
use fitup_model::order::{Need, Pin, Progress};
use fitup_model::problem::{BayChoice, Commitment, ReadyReason};
use fitup_model::shop::Period;
use fitup_model::timetable::{DelayKind, OperationState, Quality};
use fitup_model::{Assignment, OrderFacts, Plan, Planning, Shop, ShopFacts, Snapshot, Time, Timetable, check};
use support::{order, shop, time};

const MONDAY: &str = "2031-05-05T07:32:00-05:00";

fn planning(change: impl FnOnce(&mut ShopFacts, &mut OrderFacts), published: Option<Timetable>, now: &str) -> Planning {
    let (mut shop, mut order) = (shop(), order());
    change(&mut shop, &mut order);
    let shop = Shop::new(shop).expect("good facts");
    Snapshot { shop, orders: vec![order], holds: vec![], published, now: time(now) }.planning().expect("in range")
}

/// Pull at 8:00, spray at 13:00, bake at 14:00, all by Ines, in rack-1 and the booth.
fn monday_plan() -> Plan {
    let assignment = |start: i64, end: i64, technicians: Vec<TechnicianId>| {
        let (start, end) = (Time::from_minutes(start), Time::from_minutes(end));
        Some(Assignment { start, end, technicians, overtime: false })
    };
    let ines = vec![TechnicianId::from_index(0)];
    Plan {
        operations: vec![assignment(480, 580, ines.clone()), assignment(780, 840, ines), assignment(840, 880, vec![])]
            .into(),
        bays: vec![Some(BayId::from_index(0)), Some(BayId::from_index(1))].into(),
    }
}

fn timetable(planning: &Planning) -> Timetable {
    assert_eq!(check(&planning.problem, &monday_plan()), []);
    planning.timetable(&monday_plan(), Quality::Feasible, 0, vec![])
}

#[test]
fn facts_become_minutes_from_local_midnight() {
    let planning = planning(|_, _| (), None, MONDAY);
    let problem = &planning.problem;
    assert_eq!(problem.now.minutes(), 7 * 60 + 32);
    assert_eq!(problem.cars.values().next().unwrap().promise, Some(Time::from_minutes(2 * 1440 + 17 * 60)));
    assert_eq!(problem.earliest_start(OperationId::from_index(0)).minutes(), 480);
    assert_eq!(problem.duration(OperationId::from_index(0), &[TechnicianId::from_index(0)]).unwrap().minutes(), 100);
    assert_eq!(problem.operations.values().next().unwrap().name, "1042/pull");
    // Six weeks of midnights, and the one after them.
    assert_eq!(problem.days.len(), 43);
}

#[test]
fn a_plan_comes_back_in_names_and_instants() {
    let plan = timetable(&planning(|_, _| (), None, MONDAY));
    let order = &plan.orders[0];
    assert_eq!(order.completion_time, time("2031-05-05T14:40:00-05:00"));
    assert_eq!(order.lateness(), None);
    assert_eq!(order.operations[1].bay.as_deref(), Some("booth"));
    assert_eq!(order.operations[0].technicians, ["ines"]);
    assert_eq!(order.visits[1].end_time, order.completion_time);
    // 6 h 40 min from arrival to completion at a flow weight of 1.
    assert_eq!(plan.price.total(), 400);
}

#[test]
fn delays_account_for_all_the_time_from_now_to_completion() {
    let plan = timetable(&planning(|_, _| (), None, MONDAY));
    let delays: Vec<(DelayKind, i64)> =
        plan.orders[0].delays.iter().map(|delay| (delay.kind, delay.duration.as_mins())).collect();
    // After the pull at 9:40 the spray could have started: no rule held it.
    assert_eq!(
        delays,
        [(DelayKind::Other, 200), (DelayKind::Work, 100), (DelayKind::Work, 60), (DelayKind::Cure, 40),]
    );
}

#[test]
fn parts_hold_back_what_needs_them() {
    let planning = planning(
        |_, order| {
            let expected_time = Some(time("2031-05-06T10:01:00-05:00"));
            order.parts = vec![Need {
                id: "fender".into(),
                display_name: String::new(),
                expected_time,
                met: false,
                supply: None,
            }];
            order.operations[1].needs = vec!["fender".into()];
        },
        None,
        MONDAY,
    );
    assert_eq!(planning.problem.earliest_start(OperationId::from_index(1)).minutes(), 1440 + 605);
    let ready = &planning.problem.operations[OperationId::from_index(1)].ready;
    assert!(ready.iter().any(|ready| ready.reason == ReadyReason::Part("fender".into())));
}

#[test]
fn running_work_goes_on_while_its_people_are_there() {
    let running = |shop: &mut ShopFacts, order: &mut OrderFacts| {
        shop.technicians[0].skills[0].efficiency_percent = 100;
        order.visits[0].bay = Some("rack-1".into());
        order.operations[0].interruptible = true;
        order.operations[0].progress = Progress::Running {
            start_time: time("2031-05-05T08:00:00-05:00"),
            technicians: vec!["ines".into()],
            remaining_minutes: 90,
            remaining_time: None,
        };
    };
    let planning = planning(running, None, "2031-05-05T11:00:00-05:00");
    let Commitment::Started { start, end, .. } = &planning.problem.operations[OperationId::from_index(0)].commitment
    else {
        panic!("a running operation has started");
    };
    // An hour until noon, the break, and half an hour more.
    assert_eq!((start.minutes(), end.minutes()), (480, 13 * 60 + 30));
    let bay = planning.problem.visits[VisitId::from_index(0)].bay;
    assert_eq!(bay, BayChoice::Entered(BayId::from_index(0)));
    let states: Vec<OperationState> = planning
        .timetable(&Plan::nothing_new(&planning.problem), Quality::Feasible, 0, vec![])
        .orders
        .iter()
        .flat_map(|order| order.operations.iter().map(|operation| operation.state))
        .collect();
    assert_eq!(states, [], "a car of which something is unplanned is left out");
}

/// Goal: work that goes on into opened overtime ends in it, where the plan or the floor uses it. Method: 90 minutes are
/// left half an hour before closing, with two hours of overtime; published for it, not published for it, and at work in it.
#[test]
fn running_work_goes_on_into_its_overtime() {
    let running = |overtime: bool, now: &str| {
        let mut published = timetable(&planning(|_, _| (), None, MONDAY));
        published.orders[0].operations[0].overtime = overtime;
        let change = |shop: &mut ShopFacts, order: &mut OrderFacts| {
            let (start_time, end_time) = (time("2031-05-05T17:00:00-05:00"), time("2031-05-05T19:00:00-05:00"));
            shop.technicians[0].overtime = vec![Period { start_time, end_time, note: String::new() }];
            shop.technicians[0].skills[0].efficiency_percent = 100;
            order.visits[0].bay = Some("rack-1".into());
            order.operations[0].interruptible = true;
            order.operations[0].progress = Progress::Running {
                start_time: time("2031-05-05T16:00:00-05:00"),
                technicians: vec!["ines".into()],
                remaining_minutes: 90,
                remaining_time: Some(time("2031-05-05T16:30:00-05:00")),
            };
        };
        let planning = planning(change, Some(published), now);
        let of = &planning.problem.operations[OperationId::from_index(0)].commitment;
        let Commitment::Started { end, .. } = of else { panic!("it has started") };
        end.minutes()
    };
    assert_eq!(running(true, "2031-05-05T16:30:00-05:00"), 18 * 60);
    assert_eq!(running(false, "2031-05-05T16:30:00-05:00"), 1440 + 9 * 60, "half an hour today, an hour tomorrow");
    assert_eq!(running(false, "2031-05-05T17:30:00-05:00"), 18 * 60, "they are at it");
}

#[test]
fn what_is_published_for_soon_is_frozen_and_the_rest_costs_something_to_change() {
    let published = timetable(&planning(|_, _| (), None, MONDAY));
    let freeze = |shop: &mut ShopFacts, _: &mut OrderFacts| shop.settings.freeze_minutes = Some(60);
    let planning = planning(freeze, Some(published.clone()), MONDAY);
    let operations = &planning.problem.operations;
    let ines = TechnicianId::from_index(0);
    assert_eq!(
        operations[OperationId::from_index(0)].commitment,
        Commitment::Pinned { technicians: Some(vec![ines]), start: Some(Time::from_minutes(480)) }
    );
    assert_eq!(operations[OperationId::from_index(1)].commitment, Commitment::Free);
    let price = operations[OperationId::from_index(1)].published.as_ref().unwrap();
    assert_eq!((price.person_price, price.day_price), (90, 180), "three times the price within two days");
    let visits = &planning.problem.visits;
    assert_eq!(visits[VisitId::from_index(0)].bay, BayChoice::Pinned(BayId::from_index(0)));
    assert_eq!(visits[VisitId::from_index(1)].bay, BayChoice::Free);
}

#[test]
fn the_published_plan_comes_back_as_a_start() {
    let published = timetable(&planning(|_, _| (), None, MONDAY));
    let again = planning(|_, _| (), Some(published.clone()), MONDAY);
    assert_eq!(again.published, Some(monday_plan()));
    let changed = |_: &mut ShopFacts, order: &mut OrderFacts| order.operations[1].id = "colour".into();
    let links = |shop: &mut ShopFacts, order: &mut OrderFacts| {
        changed(shop, order);
        order.links.clear();
    };
    let again = planning(links, Some(published), MONDAY).published.unwrap();
    let known: Vec<bool> = again.operations.values().map(Option::is_some).collect();
    assert_eq!(known, [true, false, true], "what the plan does not speak of is not planned by it");
}

#[test]
fn what_is_frozen_thaws_when_its_technician_is_away() {
    let published = timetable(&planning(|_, _| (), None, MONDAY));
    let away = |shop: &mut ShopFacts, _: &mut OrderFacts| {
        shop.settings.freeze_minutes = Some(60);
        shop.technicians[0].absences = vec![Period {
            start_time: time("2031-05-05T00:00:00-05:00"),
            end_time: time("2031-05-06T00:00:00-05:00"),
            note: "ill".into(),
        }];
    };
    let planning = planning(away, Some(published), MONDAY);
    assert_eq!(planning.problem.operations[OperationId::from_index(0)].commitment, Commitment::Free);
}

#[test]
fn pins_are_kept() {
    let pin = |_: &mut ShopFacts, order: &mut OrderFacts| {
        let start_time = Some(time("2031-05-06T09:58:00-05:00"));
        order.operations[0].pin = Some(Pin { technicians: vec![], start_time });
    };
    let planning = planning(pin, None, MONDAY);
    let start = Some(Time::from_minutes(1440 + 600));
    assert_eq!(
        planning.problem.operations[OperationId::from_index(0)].commitment,
        Commitment::Pinned { technicians: None, start }
    );
}

#[test]
fn an_order_that_no_longer_fits_is_left_out_with_the_reason() {
    let planning = planning(|shop, _| shop.technicians.clear(), None, MONDAY);
    assert_eq!(planning.problem.cars.len(), 0);
    let plan = planning.timetable(&Plan::nothing_new(&planning.problem), Quality::Optimal, 0, vec![]);
    assert_eq!(plan.left_out.len(), 1);
    assert_eq!(plan.left_out[0].reason, "ORDER_DOES_NOT_FIT_SHOP");
    assert!(plan.left_out[0].message.contains("no technician with skills structural"));
}

#[test]
fn complete_and_cancelled_orders_are_not_planned() {
    let cancelled = planning(|_, order| order.cancelled = true, None, MONDAY);
    assert_eq!((cancelled.problem.cars.len(), cancelled.misfits.len()), (0, 0));
}

/// Goal: a hold takes part like an order while it stands, and is nothing once it is over. Method: the problems of the
/// same shop at the same moment, held and entered, over and never made, each with the place of the hold in the published
/// plan; they must be equal to the last number, and so must be what the published plan is read as.
mod holds {
    use fitup_model::{Held, Order};
    use jiff::{SignedDuration, Timestamp};
    use proptest::prelude::*;

    use super::*;

    /// The order of the tests under another id, such as comes before it or after.
    fn other(id: &str, minutes: u32) -> OrderFacts {
        let mut facts = order();
        facts.id = id.into();
        facts.operations[0].work_minutes = minutes;
        facts
    }

    fn planned(orders: &[&OrderFacts], holds: Vec<Held>, published: Option<&Timetable>, now: Timestamp) -> Planning {
        let shop = Shop::new(shop()).expect("good facts");
        for own in orders.iter().copied().chain(holds.iter().map(|held| &held.order)) {
            Order::new(own.clone(), &shop).expect("good facts");
        }
        let orders = orders.iter().map(|own| (*own).clone()).collect();
        Snapshot { shop, orders, holds, published: published.cloned(), now }.planning().expect("in range")
    }

    /// Returns a published plan of both orders, one after the other, in which the second is held.
    fn with_a_hold(of: &OrderFacts, held: &Held) -> Timetable {
        let before = held.until.min(time(MONDAY)) - SignedDuration::from_mins(1);
        let one = planned(&[of], vec![], None, before).timetable(&monday_plan(), Quality::Feasible, 0, vec![]);
        let mut both = one.clone();
        let mut place = one.orders[0].clone();
        place.order.clone_from(&held.order.id);
        place.held_until = Some(held.until);
        both.orders.push(place);
        both
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn over_is_nothing_and_standing_is_an_order(
            id in "[a-z]{1,4}|[0-9]{1,4}",
            work in 10..160_u32,
            left in -5000..5000_i64,
        ) {
            let (own, now) = (order(), time(MONDAY));
            prop_assume!(id != own.id);
            let held = Held { order: other(&id, work), until: now + SignedDuration::from_mins(left) };
            let published = with_a_hold(&own, &held);
            let with = planned(&[&own], vec![held.clone()], Some(&published), now);
            if left > 0 {
                // As if it had been entered, among the orders by id.
                let mut orders = [&own, &held.order];
                orders.sort_by(|a, b| a.id.cmp(&b.id));
                let mut entered = published.clone();
                entered.orders[1].held_until = None;
                let as_order = planned(&orders, vec![], Some(&entered), now);
                prop_assert_eq!(format!("{:?}", with.problem), format!("{:?}", as_order.problem));
                prop_assert_eq!(&with.published, &as_order.published);
                let shown = with.timetable(with.published.as_ref().unwrap(), Quality::Feasible, 0, vec![]);
                let of_hold = shown.orders.iter().find(|order| order.order == id).unwrap();
                prop_assert_eq!(of_hold.held_until, Some(held.until));
                prop_assert!(shown.orders.iter().any(|order| order.order == own.id && order.held_until.is_none()));
            } else {
                // As if nobody had ever asked.
                let mut without = published.clone();
                without.orders.truncate(1);
                let alone = planned(&[&own], vec![], Some(&without), now);
                prop_assert_eq!(format!("{:?}", with.problem), format!("{:?}", alone.problem));
                prop_assert_eq!(&with.published, &alone.published);
            }
            // Nor does what is left of one whose record is gone.
            let gone = planned(&[&own], vec![], Some(&published), now);
            let alone = planned(&[&own], vec![], Some(&published.at(held.until)), now);
            prop_assert_eq!(format!("{:?}", gone.problem), format!("{:?}", alone.problem));
        }
    }
}
