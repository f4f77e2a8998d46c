//! Job outlines as a shop uses them: each makes an order of the demo shop, and that order alone can be planned.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use fitup_client::file::order::read_orders;
use fitup_client::file::shop::read_shop;
use fitup_client::file::{Source, text};
use fitup_client::outline::{self, Outline};
use fitup_model::{Order, Shop, Snapshot};
use fitup_planner::Outcome;
use fitup_proto::v1;
use fitup_server::convert;
use fitup_tests::planning::planned;
use jiff::Timestamp;
use jiff::tz::TimeZone;

/// Where the demo's clock stands.
const NOW: &str = "2031-05-05T10:00-05:00";
/// Enough for one car.
const ITERATIONS: u64 = 200;
/// The demo shop is planned no longer than that.
const SECONDS: u64 = 5;

fn source(name: &str) -> Source {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/demo-shop").join(name);
    Source::open(path.to_str().expect("the path is text")).expect("the demo shop is there")
}

fn demo_shop() -> Shop {
    let file = read_shop(&source("shop.toml"));
    assert_eq!(file.faults, []);
    convert::shop::read(&file.id, &file.shop).expect("the demo shop holds together")
}

fn zone() -> TimeZone {
    TimeZone::get("America/Chicago").expect("is in the time zone database")
}

fn now() -> Timestamp {
    NOW.parse().expect("is an instant")
}

/// Returns an order made from `outline` as a writer would, with the longest usual hours for what is asked, and every part
/// and approval there.
fn filled(outline: &Outline) -> v1::Order {
    let longest = |id: &str| {
        let usual =
            outline.usual.get(id).unwrap_or_else(|| panic!("{}: {id} is asked, but no hours are usual", outline.id));
        usual.1
    };
    let minutes: BTreeMap<String, i64> = outline.asked().into_iter().map(|id| (id.to_owned(), longest(id))).collect();
    let mut order = outline.expand(&minutes, &BTreeSet::new());
    order.vehicle = "test car".into();
    order.arrival_time = Some(text::to_proto(now()));
    for part in &mut order.parts {
        part.received = true;
    }
    for approval in &mut order.approvals {
        approval.granted = true;
    }
    order
}

fn checked(id: &str, order: &v1::Order, shop: &Shop) -> Order {
    convert::order::read(id, order, shop)
        .unwrap_or_else(|faults| panic!("{id} does not fit the demo shop: {faults:#?}"))
}

/// Plans orders of the demo shop; `planned` has every plan checked.
fn plan(shop: &Shop, orders: Vec<Order>) -> Outcome {
    let orders = orders.into_iter().map(Order::into_facts).collect();
    let snapshot = Snapshot { shop: shop.clone(), orders, holds: vec![], published: None, now: now() };
    let planning = snapshot.planning().expect("the horizon ends in time");
    assert_eq!(planning.misfits, []);
    planned(&planning.problem, ITERATIONS, SECONDS)
}

/// Asserts that one order of each outline alone, with these minutes instead of the outline's for some operations, is
/// planned as a whole.
fn check_alone(outline: &Outline, minutes: &[(&str, i64)]) {
    let shop = demo_shop();
    let mut order = filled(outline);
    if !minutes.is_empty() {
        let mut given: BTreeMap<String, i64> =
            outline.asked().into_iter().map(|id| (id.to_owned(), outline.usual[id].0)).collect();
        given.extend(minutes.iter().map(|&(id, minutes)| (id.to_owned(), minutes)));
        let other = outline.expand(&given, &BTreeSet::new());
        let names =
            |order: &v1::Order| order.operations.iter().map(|operation| operation.id.clone()).collect::<Vec<_>>();
        assert_ne!(names(&order), names(&other), "{}: the same operations", outline.id);
        order = v1::Order { visits: other.visits, operations: other.operations, links: other.links, ..order };
    }
    let outcome = plan(&shop, vec![checked(&outline.id, &order, &shop)]);
    let Some(solved) = outcome.solved() else { panic!("{}: {outcome:?}", outline.id) };
    assert_eq!(solved.left_out, [], "{}", outline.id);
}

#[test]
fn an_order_of_each_outline_is_planned_alone() {
    let library = outline::library();
    assert!(library.len() >= 8, "the library has {} outlines", library.len());
    for outline in &library {
        check_alone(outline, &[]);
    }
}

/// What an outline offers but does not take by itself: high voltage, a new part instead of a used one, and dents that
/// need no paint.
#[test]
fn what_is_optional_can_be_planned_too() {
    let find = |name| Outline::find(name).expect("is in the library");
    check_alone(&find("rear-structural"), &[("isolate", 60), ("aim", 0)]);
    check_alone(
        &find("side-structural"),
        &[("punch-holes", 45), ("donor-measure", 0), ("donor-cut", 0), ("donor-clean", 0)],
    );
    let no_paint = ["fill", "prime", "prime-cure", "block", "mix", "refinish", "bake", "unmask"].map(|id| (id, 0));
    check_alone(&find("hail"), &no_paint);
}

/// Every time that an outline names lies inside what it calls usual.
#[test]
fn hours_are_usual_ones() {
    for outline in outline::library() {
        for (id, (least, most)) in &outline.usual {
            let minutes = outline.operation(id).and_then(|operation| operation.work.as_ref()).map(text::minutes);
            // Nothing is asked, and 0 is left out.
            if let Some(minutes) = minutes.filter(|minutes| *minutes > 0) {
                let outline = &outline.id;
                assert!(
                    (*least..=*most).contains(&minutes),
                    "{outline}: {id} takes {minutes}, usual are {least} to {most}"
                );
            }
        }
    }
}

#[test]
fn the_demo_orders_fit_the_demo_shop() {
    let shop = demo_shop();
    let file = read_orders(&source("orders.toml"), &zone());
    assert_eq!(file.faults, []);
    assert_eq!(file.orders.len(), 24);
    assert_eq!(shop.bays.len(), 9);
    assert_eq!(shop.technicians.len(), 8);
    let orders: Vec<Order> = file.orders.iter().map(|draft| checked(&draft.id, &draft.order, &shop)).collect();
    let outcome = plan(&shop, orders);
    let solved = outcome.solved().expect("the demo has a plan");
    assert_eq!(solved.left_out, [], "the demo leaves orders out");
}
