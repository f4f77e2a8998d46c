//! What records say of how work went. Goal: each kind of evidence is what was clocked and told, and nothing looks ahead.
//! Method: one order and one shop under the events of the floor, reckoned by hand.

mod support;

use fitup_model::evidence::{Growth, Records, evidence};
use fitup_model::floor::{
    Floor, FloorNote, PartEvent, ResourceEvent, WorkEvent, apply_part, apply_resource, apply_work,
};
use fitup_model::order::{HoldPoint, Need, SupplyState};
use fitup_model::{Count, Evidence, OrderFacts, Shop, ShopFacts};
use jiff::{SignedDuration, Timestamp};

/// Minutes after Monday 08:00 in the shop, whose people work from 8 to 12 and from 13 to 17.
fn at(minutes: i64) -> Timestamp {
    let start: Timestamp = "2031-05-05T08:00:00-05:00".parse().expect("an instant");
    start.checked_add(SignedDuration::from_mins(minutes)).expect("not that far away")
}

const DAY: i64 = 1440;

/// The shop and its order as they stand, and what was recorded.
struct Week {
    shop: ShopFacts,
    order: OrderFacts,
    notes: Vec<FloorNote>,
    growths: Vec<Growth>,
}

impl Week {
    /// Pull (2 h, may stop, a check after it that has it done again), spray and bake; a part expected on Monday at 18:00.
    /// Ines pulls at 120 %.
    fn new() -> Week {
        let mut order = support::order();
        order.operations[0].interruptible = true;
        let mut measure = support::operation("measure", 30, &["structural"], Some("rack"));
        measure.hold_point = Some(HoldPoint { rework: vec!["pull".into()], measure: "mm".into() });
        order.operations.insert(1, measure);
        order.links = [("pull", "measure"), ("measure", "spray"), ("spray", "bake")]
            .map(|(from, to)| support::link(from, to))
            .to_vec();
        let expected_time = Some(at(600));
        order.parts =
            vec![Need { id: "sill".into(), display_name: String::new(), expected_time, met: false, supply: None }];
        Week { shop: support::shop(), order, notes: Vec::new(), growths: Vec::new() }
    }

    fn work(&mut self, minutes: i64, operation: &str, event: &WorkEvent) {
        let shop = Shop::new(self.shop.clone()).expect("a shop");
        let orders = [self.order.clone()];
        let floor = Floor { shop: &shop, orders: &orders, published: None, at: at(minutes) };
        let (order, note) = apply_work(&floor, "1042", operation, event).expect("the floor allows it");
        self.order = order;
        self.notes.push(note);
    }

    fn on(&mut self, minutes: i64, operation: &str) {
        let bay = if operation == "spray" { "booth" } else { "rack-1" };
        self.work(minutes, operation, &WorkEvent::On { technicians: vec!["ines".into()], bay: Some(bay.into()) });
    }

    fn check(&mut self, minutes: i64, operation: &str, passed: bool) {
        let event = WorkEvent::Check { passed, measurement: "2 mm".into(), reason: String::new() };
        self.work(minutes, operation, &event);
    }

    fn part(&mut self, minutes: i64, state: SupplyState, expected: Option<i64>) {
        let shop = Shop::new(self.shop.clone()).expect("a shop");
        let orders = [self.order.clone()];
        let floor = Floor { shop: &shop, orders: &orders, published: None, at: at(minutes) };
        let expected_time = expected.map(at);
        let event = PartEvent { state, expected_time, confidence_percent: None, reason: String::new() };
        let (order, note) = apply_part(&floor, "1042", "sill", &event).expect("the floor allows it");
        self.order = order;
        self.notes.push(note);
    }

    fn resource(&mut self, minutes: i64, event: &ResourceEvent) {
        let shop = Shop::new(self.shop.clone()).expect("a shop");
        let floor = Floor { shop: &shop, orders: &[], published: None, at: at(minutes) };
        let (shop, note) = apply_resource(&floor, event).expect("the floor allows it");
        self.shop = shop;
        self.notes.push(note);
    }

    fn out(&mut self, said: i64, from: i64, until: i64) {
        let (start_time, end_time, technician) = (at(from), at(until), "ines".to_owned());
        self.resource(said, &ResourceEvent::Out { technician, start_time, end_time, reason: String::new() });
    }

    fn evidence(&self, minutes: i64) -> Evidence {
        let shop = Shop::new(self.shop.clone()).expect("a shop");
        let orders = std::slice::from_ref(&self.order);
        let records = Records { shop: &shop, orders, notes: &self.notes, growths: &self.growths, now: at(minutes) };
        evidence(&records).expect("within the calendar")
    }
}

/// From 10 to 15 with lunch from 12 to 13 is 4 h, at 120 % what takes others 4.8 h, of 2 h booked.
#[test]
fn work_counts_while_people_are_there_at_their_pace() {
    let mut week = Week::new();
    week.on(120, "pull");
    week.work(7 * 60, "pull", &WorkEvent::Finish);
    assert_eq!(week.evidence(DAY).work, [2.4]);
    // What was clocked later is not known before.
    assert_eq!(week.evidence(7 * 60 - 1).work, [0.0; 0]);
}

/// From 8 to 9 and from 10 to 11: 2 h at 120 % of 2 h booked. What stands still in between does not count.
#[test]
fn a_pause_does_not_count() {
    let mut week = Week::new();
    week.on(0, "pull");
    week.work(60, "pull", &WorkEvent::Pause { reason: "clips".into(), remaining_minutes: None });
    week.on(120, "pull");
    week.work(180, "pull", &WorkEvent::Finish);
    assert_eq!(week.evidence(DAY).work, [1.2]);
}

/// Work whose start was not clocked, and work that was clocked on and off in one breath, teach nothing.
#[test]
fn half_a_record_is_none() {
    let mut week = Week::new();
    week.on(0, "pull");
    week.work(120, "pull", &WorkEvent::Finish);
    week.notes.remove(0);
    assert_eq!(week.evidence(DAY).work, [0.0; 0]);

    let mut week = Week::new();
    week.on(120, "pull");
    week.work(121, "pull", &WorkEvent::Finish);
    assert_eq!(week.evidence(DAY).work, [0.0; 0]);
}

/// A part is late if it comes on a later day than it was first expected, whatever was said in between.
#[test]
fn parts_are_late_against_what_was_first_said() {
    for (heard, received, late) in [
        (vec![], 700, 0),
        (vec![], DAY, 1),
        (vec![(60, SupplyState::Expected, Some(DAY))], DAY + 30, 0),
        (vec![(60, SupplyState::Expected, Some(300)), (120, SupplyState::Expected, Some(DAY))], DAY, 1),
        (vec![(60, SupplyState::Ordered, Some(300)), (200, SupplyState::Wrong, Some(3 * DAY))], 3 * DAY, 1),
    ] {
        let mut week = Week::new();
        for (minutes, state, expected) in heard.clone() {
            week.part(minutes, state, expected);
        }
        week.part(received, SupplyState::Received, None);
        assert_eq!(week.evidence(4 * DAY).late_parts, Count { hits: late, of: 1 }, "{heard:?} {received}");
    }
    // One that should have come by now has not: it is late already, and was not known to be before.
    let mut week = Week::new();
    week.part(60, SupplyState::Expected, Some(300));
    assert_eq!(week.evidence(600).late_parts, Count::default());
    assert_eq!(week.evidence(DAY).late_parts, Count { hits: 1, of: 1 });
}

/// Pull, a check that fails, pull again, a check that passes: of four operations, one was done again. What ended before
/// the first check says nothing: nobody may have checked then.
#[test]
fn what_a_failed_check_has_done_again_counts() {
    let mut week = Week::new();
    week.on(0, "pull");
    week.work(60, "pull", &WorkEvent::Finish);
    assert_eq!(week.evidence(DAY).failed_checks, Count::default());
    week.on(60, "measure");
    week.check(90, "measure", false);
    assert_eq!(week.evidence(DAY).failed_checks, Count { hits: 1, of: 1 });
    week.on(90, "pull-2");
    week.work(150, "pull-2", &WorkEvent::Finish);
    week.on(150, "measure-2");
    week.check(180, "measure-2", true);
    assert_eq!(week.evidence(DAY).failed_checks, Count { hits: 1, of: 3 });
}

/// Ill on Monday, which she says in the morning, and on leave on Wednesday, which she said on Monday: of the five days of
/// the week one was lost, since a plan knew of the other. Half of a day is one, an hour is none.
#[test]
fn absences_that_nobody_knew_of_count() {
    let mut week = Week::new();
    assert_eq!(week.evidence(5 * DAY).absences, Count::default());
    week.out(-30, 0, 540);
    week.out(10, 2 * DAY, 2 * DAY + 540);
    assert_eq!(week.evidence(5 * DAY).absences, Count { hits: 1, of: 5 });
    week.out(3 * DAY, 3 * DAY, 3 * DAY + 60);
    assert_eq!(week.evidence(5 * DAY).absences, Count { hits: 1, of: 5 });
    week.out(4 * DAY, 4 * DAY, 4 * DAY + 540);
    assert_eq!(week.evidence(5 * DAY).absences, Count { hits: 2, of: 5 });
    week.resource(4 * DAY + 30, &ResourceEvent::Back { technician: "ines".into() });
    assert_eq!(week.evidence(5 * DAY).absences, Count { hits: 1, of: 5 });
}

/// An order of 3.5 booked hours of which 0.5 came after it had begun grew by a sixth; one that is not complete may still
/// grow, and what came before it began was known then.
#[test]
fn damage_is_what_was_booked_after_the_start() {
    let mut week = Week::new();
    let growth = |minutes, operation: &str, more| Growth {
        order: "1042".into(),
        at: at(minutes),
        operation: operation.into(),
        minutes: more,
    };
    week.growths = vec![growth(-60, "pull", 60), growth(30, "measure", 30), growth(40, "bake", 40)];
    week.on(0, "pull");
    week.work(120, "pull", &WorkEvent::Finish);
    week.on(120, "measure");
    week.check(150, "measure", true);
    week.on(180, "spray");
    week.work(240, "spray", &WorkEvent::Finish);
    let seen = week.evidence(DAY);
    assert_eq!((seen.hidden_damage, seen.hidden_work), (Count { hits: 1, of: 1 }, vec![30.0 / 180.0]));
    assert_eq!(week.evidence(239).hidden_damage, Count::default());
    week.growths.truncate(1);
    assert_eq!(week.evidence(DAY).hidden_damage, Count { hits: 0, of: 1 });
}

/// Half a year is looked at and not more.
#[test]
fn what_was_long_ago_says_nothing() {
    let mut week = Week::new();
    week.on(0, "pull");
    week.work(120, "pull", &WorkEvent::Finish);
    assert_eq!(week.evidence(100 * DAY).work.len(), 1);
    assert!(week.evidence(190 * DAY).is_empty());
}

/// Goal: what happens later changes nothing of what was known. Method: a week with records of all kinds; at every hour the
/// evidence is the same with and without the records that come after it.
#[test]
fn nothing_looks_ahead() {
    let mut week = Week::new();
    week.out(-30, 0, 60);
    week.on(60, "pull");
    week.part(90, SupplyState::Expected, Some(300));
    week.work(120, "pull", &WorkEvent::Pause { reason: "clips".into(), remaining_minutes: None });
    week.on(180, "pull");
    week.work(420, "pull", &WorkEvent::Finish);
    week.on(420, "measure");
    week.check(450, "measure", false);
    week.on(DAY, "pull-2");
    week.work(DAY + 60, "pull-2", &WorkEvent::Finish);
    week.on(DAY + 60, "measure-2");
    week.check(DAY + 90, "measure-2", true);
    week.part(DAY + 100, SupplyState::Received, None);
    week.growths = vec![Growth { order: "1042".into(), at: at(DAY + 200), operation: "spray".into(), minutes: 30 }];
    week.on(2 * DAY, "spray");
    week.work(2 * DAY + 60, "spray", &WorkEvent::Finish);
    week.out(3 * DAY, 3 * DAY, 3 * DAY + 540);
    let mut differing = std::collections::BTreeSet::new();
    for hour in 0..120 {
        let now = 60 * hour;
        let known = Week {
            shop: week.shop.clone(),
            order: week.order.clone(),
            notes: week.notes.iter().filter(|note| note.event_time <= at(now)).cloned().collect(),
            growths: week.growths.iter().filter(|growth| growth.at <= at(now)).cloned().collect(),
        };
        let seen = week.evidence(now);
        assert_eq!(seen, known.evidence(now), "after {hour} h");
        differing.insert(format!("{seen:?}"));
    }
    assert!(differing.len() > 8, "the week teaches something at {} moments only", differing.len());
}
