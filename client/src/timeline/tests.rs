//! Every view as it looks, at 80 and at 120 columns.

use jiff::civil::date;

use super::sample::{at_width, plan};
use super::*;

fn narrow(draw: impl Fn(&Scene<'_>) -> String) -> String {
    let text = at_width(80, draw);
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "too wide: {line}");
    }
    text
}

#[test]
fn a_summary_stands_above() {
    insta::assert_snapshot!(narrow(summary::summary));
}

#[test]
fn by_bay() {
    insta::assert_snapshot!(narrow(|scene| bays::draw(scene, scene.today(), 6)));
    insta::assert_snapshot!(at_width(120, |scene| bays::draw(scene, scene.today(), 6)));
}

#[test]
fn by_technician() {
    insta::assert_snapshot!(narrow(|scene| technicians::draw(scene, scene.today(), 2)));
    insta::assert_snapshot!(at_width(120, |scene| technicians::draw(scene, scene.today(), 1)));
}

#[test]
fn by_order() {
    insta::assert_snapshot!(narrow(|scene| orders::draw(scene, scene.today(), 20)));
    insta::assert_snapshot!(at_width(120, |scene| orders::draw(scene, scene.today(), 20)));
}

#[test]
fn the_chain_of_an_order() {
    insta::assert_snapshot!(narrow(|scene| orders::chain(scene, &scene.plan.orders[2])));
}

/// Odo's overtime is on Saturday 10 May, 08:00 to 12:00.
#[test]
fn overtime_is_told_where_it_is_worked() {
    let (shop, zone) = (sample::shop(), sample::zone());
    let mut plan = plan();
    let prime = 3;
    plan.orders[2].operations[prime].overtime = true;
    let chain = |plan: &v1::Plan| {
        let scene = Scene { plan, shop: &shop, zone: &zone, width: 80, paint: Paint::PLAIN };
        orders::chain(&scene, &plan.orders[2])
    };
    assert!(!chain(&plan).contains("overtime"));
    let saturday = shop.technicians[1].overtime[0].clone();
    let worked = &mut plan.orders[2].operations[prime];
    (worked.start_time, worked.end_time) = (saturday.start_time, saturday.end_time);
    assert!(chain(&plan).contains("odo in booth (overtime)"));
}

#[test]
fn by_day() {
    insta::assert_snapshot!(narrow(|scene| day::draw(scene, date(2031, 5, 5))));
    insta::assert_snapshot!(narrow(|scene| day::draw(scene, date(2031, 5, 8))));
    assert_eq!(narrow(|scene| day::draw(scene, date(2031, 5, 11))), "Sunday 11 May 2031\nnothing starts\n");
}

#[test]
fn what_is_late() {
    insta::assert_snapshot!(narrow(late::draw));
    insta::assert_snapshot!(at_width(120, late::draw));
}

#[test]
fn an_empty_plan_is_drawn_too() {
    let (shop, zone) = (sample::shop(), sample::zone());
    let plan = v1::Plan { orders: Vec::new(), left_out: Vec::new(), ..plan() };
    let scene = Scene { plan: &plan, shop: &shop, zone: &zone, width: 80, paint: Paint::PLAIN };
    let first = scene.today();
    assert!(bays::draw(&scene, first, 6).contains("booth"));
    assert!(technicians::draw(&scene, first, 3).contains("ines"));
    assert!(orders::draw(&scene, first, 20).contains("promise"));
    assert!(day::draw(&scene, first).contains("nothing starts"));
    assert_eq!(late::draw(&scene), "no order is late\n");
}
