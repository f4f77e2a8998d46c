//! What may be done on the floor in which state, and what comes of it. Goal: every event in every state either does what
//! it says or is refused in so many words. Method: one order, brought into each state by events, and a table.

mod support;

use fitup_model::floor::{
    Floor, FloorNote, PartEvent, Refused, ResourceEvent, Settlement, WorkEvent, apply_part, apply_resource,
    apply_settlement, apply_work, minutes_left,
};
use fitup_model::order::{HoldPoint, Need, OrderVisit, Progress, SupplyState};
use fitup_model::{OrderFacts, Shop, ShopFacts};
use jiff::{SignedDuration, Timestamp};
use support::{link, operation, shop};

/// Minutes after Monday 08:00 in the shop.
fn at(minutes: i64) -> Timestamp {
    let start: Timestamp = "2031-05-05T08:00:00-05:00".parse().expect("an instant");
    start.checked_add(SignedDuration::from_mins(minutes)).expect("not that far away")
}

/// Two who can pull, one of whom also sprays, on a rack; the booth beside it.
fn facts() -> ShopFacts {
    let mut facts = shop();
    facts.skills = vec!["structural".into(), "refinish".into()];
    let mut first = facts.technicians[0].clone();
    first.skills.truncate(1);
    first.skills[0].skill = "structural".into();
    first.skills[0].efficiency_percent = 100;
    first.absences.clear();
    let mut second = first.clone();
    second.id = "odo".into();
    second.skills.push(fitup_model::shop::TechnicianSkill { skill: "refinish".into(), efficiency_percent: 100 });
    first.id = "ines".into();
    facts.technicians = vec![first, second];
    facts
}

/// pull, then a measure that is a hold point, then weld; a bake that nobody clocks; a part that weld needs.
fn draft() -> OrderFacts {
    let mut order = support::order();
    let class = order.visits[0].bay_class.clone();
    let visit =
        |id: &str| OrderVisit { id: id.into(), bay_class: class.clone(), loose_parts: false, family: None, bay: None };
    order.visits = vec![visit("rack")];
    let mut pull = operation("pull", 120, &["structural"], Some("rack"));
    pull.interruptible = true;
    let mut measure = operation("measure", 30, &["structural"], Some("rack"));
    measure.hold_point = Some(HoldPoint { rework: vec!["pull".into()], measure: "mm".into() });
    let mut weld = operation("weld", 60, &["structural"], Some("rack"));
    weld.needs = vec!["sill".into()];
    let cure = operation("cure", 60, &[], Some("rack"));
    order.operations = vec![pull, measure, weld, cure];
    order.links = vec![link("pull", "measure"), link("measure", "weld"), link("weld", "cure")];
    let part =
        Need { id: "sill".into(), display_name: String::new(), expected_time: Some(at(600)), met: false, supply: None };
    order.parts = vec![part];
    order.approvals.clear();
    order
}

struct Day {
    shop: Shop,
    orders: Vec<OrderFacts>,
}

impl Day {
    fn new() -> Day {
        Day { shop: Shop::new(facts()).expect("a shop"), orders: vec![draft()] }
    }

    fn floor(&self, minutes: i64) -> Floor<'_> {
        Floor { shop: &self.shop, orders: &self.orders, published: None, at: at(minutes) }
    }

    fn try_work(&self, minutes: i64, operation: &str, event: &WorkEvent) -> Result<(OrderFacts, FloorNote), Refused> {
        apply_work(&self.floor(minutes), &self.orders[0].id, operation, event)
    }

    fn work(&mut self, minutes: i64, operation: &str, event: WorkEvent) -> FloorNote {
        let (order, note) = self.try_work(minutes, operation, &event).expect("is allowed");
        self.orders[0] = order;
        note
    }

    fn progress(&self, operation: &str) -> Progress {
        self.orders[0].operation(operation).expect("is there").progress.clone()
    }
}

fn on(people: &[&str]) -> WorkEvent {
    let technicians = people.iter().map(|id| (*id).to_owned()).collect();
    WorkEvent::On { technicians, bay: Some("rack-1".into()) }
}

fn off() -> WorkEvent {
    WorkEvent::Off { technicians: Vec::new(), remaining_minutes: None }
}

fn pause() -> WorkEvent {
    WorkEvent::Pause { reason: "clips missing".into(), remaining_minutes: None }
}

fn reopen() -> WorkEvent {
    WorkEvent::Reopen { remaining_minutes: 20, reason: "rattles".into() }
}

fn check(passed: bool) -> WorkEvent {
    WorkEvent::Check { passed, measurement: "2 mm".into(), reason: String::new() }
}

fn words(refused: &Refused) -> String {
    match refused {
        Refused::Faults(faults) => faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "),
        Refused::Forbidden(reasons) => reasons.join("; "),
    }
}

/// Brings `pull` into a state.
fn in_state(state: &str) -> Day {
    let mut day = Day::new();
    if state != "waiting" {
        day.work(0, "pull", on(&["ines"]));
    }
    match state {
        "paused" => drop(day.work(30, "pull", pause())),
        "done" => drop(day.work(60, "pull", WorkEvent::Finish)),
        _ => {}
    }
    day
}

#[test]
fn every_event_in_every_state() {
    let refused = |text: &'static str| Err(text);
    let order = draft().id;
    let table: Vec<(&str, WorkEvent, Result<&str, &str>)> = vec![
        ("waiting", on(&["ines"]), Ok("running")),
        ("waiting", off(), refused("pull of order {} is not running; nobody is clocked on")),
        ("waiting", pause(), refused("pull of order {} is not running; only running work pauses")),
        ("waiting", WorkEvent::Finish, refused("pull of order {} has not started; only what has started can end")),
        ("waiting", reopen(), refused("pull of order {} is not done; only what is done can be reopened")),
        ("waiting", check(true), refused("pull of order {} is no hold point; finish it instead")),
        (
            "running",
            on(&["ines"]),
            refused(
                "ines is on pull of order {} already; pull of order {} has room for 1; clock somebody off, or swap",
            ),
        ),
        ("running", on(&["odo"]), refused("pull of order {} has room for 1; clock somebody off, or swap")),
        ("running", off(), Ok("paused")),
        ("running", pause(), Ok("paused")),
        ("running", WorkEvent::Finish, Ok("done")),
        ("running", reopen(), refused("pull of order {} is not done; only what is done can be reopened")),
        ("running", check(false), refused("pull of order {} is no hold point; finish it instead")),
        ("paused", on(&["odo"]), Ok("running")),
        ("paused", off(), refused("pull of order {} is not running; nobody is clocked on")),
        ("paused", pause(), refused("pull of order {} is not running; only running work pauses")),
        ("paused", WorkEvent::Finish, Ok("done")),
        ("paused", reopen(), refused("pull of order {} is not done; only what is done can be reopened")),
        ("paused", check(true), refused("pull of order {} is no hold point; finish it instead")),
        ("done", on(&["ines"]), refused("pull of order {} is done; reopen it first")),
        ("done", off(), refused("pull of order {} is not running; nobody is clocked on")),
        ("done", pause(), refused("pull of order {} is not running; only running work pauses")),
        ("done", WorkEvent::Finish, refused("pull of order {} is done; reopen it if that is not so")),
        ("done", reopen(), Ok("paused")),
        ("done", check(true), refused("pull of order {} is no hold point; finish it instead")),
    ];
    for (state, event, expected) in table {
        let day = in_state(state);
        let before = day.orders.clone();
        let found = day.try_work(90, "pull", &event);
        let told = match &found {
            Ok((order, _)) => Ok(match order.operation("pull").expect("is there").progress {
                Progress::Waiting => "waiting",
                Progress::Running { .. } => "running",
                Progress::Paused { .. } => "paused",
                Progress::Done { .. } => "done",
            }),
            Err(refused) => Err(words(refused)),
        };
        let expected = expected.map_err(|text| text.replace("{}", &order));
        assert_eq!(told, expected, "{event:?} while {state}");
        assert_eq!(day.orders, before);
    }
}

/// Nobody worked on a car before it came; one that is still to come may have come early.
#[test]
fn a_car_that_came_was_not_there_before() {
    let mut day = Day::new();
    day.orders[0].arrived = true;
    day.orders[0].arrival_time = at(30);
    let refused = day.try_work(10, "pull", &on(&["ines"])).expect_err("it was not there");
    let told = words(&refused);
    assert!(told.contains("is before order") && told.contains("change its arrival first"), "{told}");
    day.try_work(30, "pull", &on(&["ines"])).expect("it is there");
    day.orders[0].arrived = false;
    let (order, _) = day.try_work(10, "pull", &on(&["ines"])).expect("it came early");
    assert_eq!((order.arrived, order.arrival_time), (true, at(10)));
}

#[test]
fn what_comes_before_must_be_done_and_what_it_needs_be_there() {
    let day = in_state("running");
    let refused = day.try_work(10, "weld", &on(&["ines"])).expect_err("too early");
    let order = &day.orders[0].id;
    let told = words(&refused);
    assert!(told.contains(&format!("ines is on pull of order {order}; clock off there first")), "{told}");
    assert!(told.contains(&format!("measure of order {order}, a hold point, has not started")), "{told}");
    assert!(told.contains(&format!("part sill of order {order} is not there, expected Mon 5 May 18:00")), "{told}");
    let refused = day.try_work(10, "cure", &WorkEvent::Finish).expect_err("nobody clocks a cure");
    assert!(words(&refused).contains("is unattended: it begins and ends by itself"));
    let refused = day.try_work(10, "pol", &WorkEvent::Finish).expect_err("no such operation");
    assert!(words(&refused).contains("has no operation \"pol\"; there are: pull, measure, weld, cure"));
}

#[test]
fn skills_bays_and_times_are_looked_at() {
    let mut day = Day::new();
    day.orders[0].operations[0].crew = vec!["refinish".into()];
    let refused = day.try_work(0, "pull", &on(&["ines"])).expect_err("ines does not spray");
    assert_eq!(words(&refused), "technicians[0]: \"ines\" does not have skill refinish");
    let day = Day::new();
    let booth = day.shop.bays.iter().find(|bay| !bay.classes.contains(&day.orders[0].visits[0].bay_class));
    let booth = booth.expect("another bay").id.clone();
    let event = WorkEvent::On { technicians: vec!["ines".into()], bay: Some(booth) };
    assert!(words(&day.try_work(0, "pull", &event).expect_err("another class")).contains("is not of class"));
    let event = WorkEvent::On { technicians: vec!["ines".into()], bay: None };
    assert!(words(&day.try_work(0, "pull", &event).expect_err("no bay")).contains("say in which bay"));
    let event = WorkEvent::On { technicians: Vec::new(), bay: None };
    assert!(words(&day.try_work(0, "pull", &event).expect_err("nobody")).contains("say who clocks on"));
    let mut day = in_state("running");
    day.orders[0].arrival_time = at(-60);
    let refused = day.try_work(-5, "pull", &WorkEvent::Finish).expect_err("before it began");
    assert!(words(&refused).contains("before it was last clocked"), "{refused:?}");
}

#[test]
fn the_clock_counts_what_is_left() {
    let mut day = in_state("running");
    assert_eq!(minutes_left(&day.shop, &day.orders[0].operations[0], at(45)), 75);
    // Asked about the time before it: clocks differ, and plans may be made for any moment.
    assert_eq!(minutes_left(&day.shop, &day.orders[0].operations[0], at(-1)), 120);
    let note = day.work(45, "pull", off());
    assert_eq!((note.booked_minutes, note.technicians), (Some(75), vec!["ines".to_owned()]));
    // Told by hand, and another goes on.
    day.work(60, "pull", on(&["odo"]));
    day.work(70, "pull", WorkEvent::Pause { reason: "lunch".into(), remaining_minutes: Some(100) });
    assert_eq!(minutes_left(&day.shop, &day.orders[0].operations[0], at(500)), 100);
    let note = day.work(90, "pull", WorkEvent::Finish);
    assert_eq!((note.start_time, note.end_time), (Some(at(0)), Some(at(90))));
}

/// Goal: no minute of work is counted twice. Method: what happened before the last word about running work is said after
/// it, by each event that reads the clock.
#[test]
fn nothing_is_clocked_before_the_last_word() {
    let mut day = Day::new();
    day.work(0, "pull", on(&["ines"]));
    let swap = |minutes| {
        let settlement = Settlement::Swap { out: "ines".into(), into: "odo".into() };
        apply_settlement(&day.floor(minutes), &day.orders[0].id, "pull", &settlement)
    };
    let (order, _) = swap(60).expect("is allowed");
    assert_eq!(minutes_left(&day.shop, &order.operations[0], at(60)), 60);
    day.orders[0] = order;
    let back = Settlement::Swap { out: "odo".into(), into: "ines".into() };
    let back = apply_settlement(&day.floor(30), &day.orders[0].id, "pull", &back).expect_err("is before the swap");
    assert!(words(&back).contains("is before it was last clocked"), "{back:?}");
    for event in [on(&["ines"]), off(), pause(), WorkEvent::Finish] {
        let refused = day.try_work(30, "pull", &event).expect_err("is before the swap");
        assert!(words(&refused).contains("is before it was last clocked"), "{event:?}: {refused:?}");
    }
}

#[test]
fn a_failed_check_brings_its_rework_and_the_check_again() {
    let mut day = in_state("done");
    day.work(70, "measure", on(&["ines"]));
    assert!(
        words(&day.try_work(80, "measure", &WorkEvent::Finish).expect_err("a hold point")).contains("passed or failed")
    );
    let note = day.work(80, "measure", check(false));
    assert_eq!(note.added, ["pull-2", "measure-2"]);
    let order = &day.orders[0];
    let mut links: Vec<String> = order.links.iter().map(|link| format!("{}>{}", link.from, link.to)).collect();
    links.sort();
    assert_eq!(links, ["measure-2>weld", "measure>pull-2", "pull-2>measure-2", "pull>measure", "weld>cure"]);
    let again = order.operation("measure-2").expect("is added");
    assert_eq!(again.hold_point.as_ref().map(|hold| hold.rework.clone()), Some(vec!["pull-2".to_owned()]));
    assert_eq!(order.visits.len(), 1, "the car stays in its bay");
    // It fails once more, and passes the third time.
    day.work(90, "pull-2", on(&["ines"]));
    day.work(100, "pull-2", WorkEvent::Finish);
    day.work(110, "measure-2", on(&["ines"]));
    assert_eq!(day.work(115, "measure-2", check(false)).added, ["pull-3", "measure-3"]);
    day.work(120, "pull-3", on(&["ines"]));
    day.work(130, "pull-3", WorkEvent::Finish);
    day.work(131, "measure-3", on(&["ines"]));
    assert_eq!(day.work(135, "measure-3", check(true)).measurement, "2 mm");
    let refused = day.try_work(140, "weld", &on(&["ines"])).expect_err("the part is still missing");
    assert!(words(&refused).starts_with("part sill"), "{refused:?}");
}

#[test]
fn rework_in_another_bay_moves_the_rest_of_the_visit() {
    let mut day = Day::new();
    let class = day.orders[0].visits[0].bay_class.clone();
    let visit = OrderVisit { id: "check".into(), bay_class: class, loose_parts: false, family: None, bay: None };
    day.orders[0].visits.push(visit);
    for index in 1..4 {
        day.orders[0].operations[index].visit = Some("check".into());
    }
    day.work(0, "pull", on(&["ines"]));
    day.work(60, "pull", WorkEvent::Finish);
    day.work(70, "measure", on(&["ines"]));
    day.work(80, "measure", check(false));
    let order = &day.orders[0];
    let visit = |id: &str| order.operation(id).and_then(|operation| operation.visit.clone()).expect("in a bay");
    assert_eq!([visit("pull-2"), visit("measure-2")], ["rack-2", "check-2"]);
    assert_eq!([visit("measure"), visit("weld"), visit("cure")], ["check", "check-2", "check-2"]);
    assert!(order.visits.iter().filter(|visit| visit.id.ends_with("-2")).all(|visit| visit.bay.is_none()));
}

#[test]
fn a_bay_with_a_car_in_it_takes_no_other() {
    let mut day = in_state("done");
    let mut other = draft();
    other.id = "1399".into();
    day.orders.push(other);
    let enter = |day: &Day, minutes: i64| apply_work(&day.floor(minutes), "1399", "pull", &on(&["odo"]));
    let refused = enter(&day, 65).expect_err("the first car has not left");
    assert!(words(&refused).ends_with("in it, measure is not done there; take another bay"), "{refused:?}");
    // All of its visit done, the cure by itself an hour after the weld.
    day.work(70, "measure", on(&["ines"]));
    day.work(80, "measure", check(true));
    (day.orders[0].parts[0].met, day.orders[0].parts[0].expected_time) = (true, None);
    day.work(80, "weld", on(&["ines"]));
    day.work(140, "weld", WorkEvent::Finish);
    assert!(words(&enter(&day, 199).expect_err("it cures")).contains("cure is not done there"));
    assert!(enter(&day, 200).is_ok());
}

#[test]
fn unattended_work_goes_by_itself() {
    let mut day = in_state("done");
    day.work(70, "measure", on(&["ines"]));
    day.work(80, "measure", check(true));
    day.orders[0].parts[0].met = true;
    day.orders[0].parts[0].expected_time = None;
    day.work(80, "weld", on(&["ines"]));
    day.work(140, "weld", WorkEvent::Finish);
    assert!(matches!(day.progress("cure"), Progress::Running { start_time, .. } if start_time == at(140)));
    // An hour of cure: over by the time that anything else is told of the order.
    let refused = day.try_work(200, "cure", &WorkEvent::Finish).expect_err("by itself");
    assert!(!words(&refused).contains("runs until"), "it is over: {refused:?}");
    let refused = day.try_work(199, "cure", &WorkEvent::Finish).expect_err("by itself");
    assert!(words(&refused).contains("runs until Mon 5 May 11:20"), "{refused:?}");
}

fn part(state: SupplyState, expected: Option<i64>) -> PartEvent {
    PartEvent { state, expected_time: expected.map(at), confidence_percent: None, reason: String::new() }
}

#[test]
fn parts_come_and_go() {
    let day = Day::new();
    let id = day.orders[0].id.clone();
    let apply = |day: &Day, event: &PartEvent| apply_part(&day.floor(0), &id, "sill", event);
    for state in [SupplyState::Expected, SupplyState::Wrong, SupplyState::Damaged, SupplyState::Returned] {
        let refused = apply(&day, &part(state, None)).expect_err("no date");
        assert!(words(&refused).contains("expected, as well as you can"), "{refused:?}");
        let (order, _) = apply(&day, &part(state, Some(900))).expect("with a date");
        assert_eq!((order.parts[0].met, order.parts[0].expected_time), (false, Some(at(900))));
    }
    let (order, _) = apply(&day, &part(SupplyState::Received, None)).expect("is there");
    assert!(order.parts[0].met && order.parts[0].expected_time.is_none());
    let day = Day { orders: vec![order], ..day };
    let refused = apply(&day, &part(SupplyState::Expected, Some(900))).expect_err("it is there");
    assert!(words(&refused).contains("is there; say that it was wrong, damaged or returned"), "{refused:?}");
    assert!(apply(&day, &part(SupplyState::Wrong, Some(900))).is_ok());
    let odd = PartEvent { confidence_percent: Some(101), ..part(SupplyState::Ordered, Some(900)) };
    assert!(words(&apply(&day, &odd).expect_err("odd")).contains("1 to 100"));
}

#[test]
fn people_bays_and_equipment_are_out_and_back() {
    let day = Day::new();
    let out = |from: i64, until: i64| ResourceEvent::Out {
        technician: "ines".into(),
        start_time: at(from),
        end_time: at(until),
        reason: "ill".into(),
    };
    let (facts, note) = apply_resource(&day.floor(0), &out(0, 480)).expect("is out");
    assert_eq!((facts.technicians[0].absences.len(), note.subject.as_deref()), (1, Some("ines")));
    let day = Day { shop: Shop::new(facts).expect("a shop"), ..day };
    // Longer: one absence, not two.
    let (facts, _) = apply_resource(&day.floor(0), &out(240, 900)).expect("is out longer");
    let absence = &facts.technicians[0].absences[0];
    assert_eq!((facts.technicians[0].absences.len(), absence.start_time, absence.end_time), (1, at(0), at(900)));
    let back = ResourceEvent::Back { technician: "ines".into() };
    let (facts, _) = apply_resource(&day.floor(60), &back).expect("is back");
    assert_eq!(facts.technicians[0].absences[0].end_time, at(60));
    let refused = apply_resource(&day.floor(600), &back).expect_err("is not out");
    assert_eq!(words(&refused), "ines is not out at Mon 5 May 18:00");
    let refused = apply_resource(&day.floor(0), &out(60, 60)).expect_err("no time at all");
    assert!(words(&refused).contains("end_time: Mon 5 May 09:00 is not after the start"), "{refused:?}");
    let refused = apply_resource(&day.floor(0), &ResourceEvent::Up { bay: "rock".into() }).expect_err("unknown");
    assert!(words(&refused).contains("no bay \"rock\"; there are:"), "{refused:?}");
}

#[test]
fn crews_are_swapped_and_work_is_tied_and_freed() {
    let day = in_state("running");
    let id = day.orders[0].id.clone();
    let settle = |day: &Day, operation: &str, settlement: &Settlement| {
        apply_settlement(&day.floor(30), &id, operation, settlement)
    };
    let swap = |out: &str, into: &str| Settlement::Swap { out: out.into(), into: into.into() };
    let (order, note) = settle(&day, "pull", &swap("ines", "odo")).expect("is swapped");
    assert!(matches!(&order.operations[0].progress, Progress::Running { technicians, remaining_minutes: 90, .. }
        if technicians == &["odo"]));
    assert_eq!(note.subject.as_deref(), Some("ines"));
    assert!(
        words(&settle(&day, "pull", &swap("odo", "ines")).expect_err("is not on it")).contains("odo is not on pull")
    );
    assert!(words(&settle(&day, "weld", &swap("ines", "odo")).expect_err("no plan")).contains("no crew is planned"));
    let pin = Settlement::Pin { technicians: vec!["odo".into()], bay: None, start_time: Some(at(600)) };
    let (order, _) = settle(&day, "weld", &pin).expect("is tied");
    assert_eq!(
        order.operation("weld").and_then(|it| it.pin.clone()).map(|pin| pin.technicians),
        Some(vec!["odo".into()])
    );
    let tied = Day { orders: vec![order], ..in_state("running") };
    let (order, _) = settle(&tied, "weld", &Settlement::Unpin).expect("is freed");
    assert_eq!(order.operation("weld").and_then(|it| it.pin.clone()), None);
    assert!(words(&settle(&day, "weld", &Settlement::Unpin).expect_err("is free")).contains("is not pinned"));
    let past = Settlement::Pin { technicians: Vec::new(), bay: None, start_time: Some(at(0)) };
    assert!(words(&settle(&day, "weld", &past).expect_err("is over")).contains("a start is pinned ahead"));
    let nothing = Settlement::Pin { technicians: Vec::new(), bay: None, start_time: None };
    assert!(words(&settle(&day, "weld", &nothing).expect_err("says nothing")).contains("say whom, which bay"));
}
