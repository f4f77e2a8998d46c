//! Every fault of shops and orders is found, with its path and what would be right.

mod support;

use fitup_model::order::{Need, Pin, Progress, SamePersonWish};
use fitup_model::shop::{CalendarException, EquipmentOutage, FamilyChangeover, Holiday, Period, Shift};
use fitup_model::{Order, Shop};
use jiff::civil::{Weekday, date};
use support::{assert_fault, link, operation, order, order_faults, shop, shop_faults, time, window};

fn period(start: &str, end: &str) -> Period {
    Period { start_time: time(start), end_time: time(end), note: String::new() }
}

#[test]
fn good_facts_have_no_faults() {
    let shop = Shop::new(shop()).unwrap();
    Order::new(order(), &shop).unwrap();
}

#[test]
fn all_faults_are_reported_at_once() {
    let faults = shop_faults(|shop| {
        shop.time_zone = "Mars/Olympus".into();
        shop.bays[0].id = "Rack 1".into();
        shop.technicians[0].calendar = "night".into();
    });
    let paths: Vec<&str> = faults.iter().map(|fault| fault.path.as_str()).collect();
    assert_eq!(paths, ["bays[0].id", "technicians[0].calendar", "time_zone"]);
}

/// Goal: what is out of all reason costs no time and no memory. Method: lists each entry of which was held against the
/// rest, and faults each of which names all that there is.
#[test]
fn what_is_out_of_all_reason_is_only_counted() {
    let many = |count: usize| (0..count).map(|number| format!("n{number}")).collect::<Vec<_>>();
    let faults = order_faults(|_, order| order.operations[0].needs = many(100_000));
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert_fault(&faults, "operations[0].needs", "100000 entries; at most 1000");
    let faults = shop_faults(|shop| {
        shop.technicians[0].absences = vec![period("2031-05-05T13:00:00Z", "2031-05-05T14:00:00Z"); 1001]
    });
    assert_fault(&faults, "technicians[0].absences", "1001 entries; at most 1000");
    let faults = order_faults(|_, order| {
        let unknown = operation("x", 10, &["none", "such"], None);
        order.operations = vec![unknown; 1000];
    });
    assert_eq!(faults.len(), fitup_model::fault::MOST_FAULTS);
}

#[test]
fn shop_faults_say_where_and_what() {
    type Change = fn(&mut fitup_model::ShopFacts);
    let cases: &[(Change, &str, &str)] = &[
        (|shop| shop.display_name = " ".into(), "display_name", "missing"),
        (|shop| shop.time_zone = "Chicago".into(), "time_zone", "IANA name"),
        (|shop| shop.skills.push("refinish".into()), "skills[2]", "twice"),
        (|shop| shop.bays[1].id = "rack-1".into(), "bays[1].id", "twice"),
        (|shop| shop.bays[1].classes.clear(), "bays[1].classes", "no class"),
        (
            |shop| {
                let shift = Shift { days: vec![Weekday::Friday], window: window(16, 20), breaks: vec![] };
                shop.calendars[0].shifts.push(shift);
            },
            "calendars[0].shifts[1].window",
            "overlaps the shift 08:00-17:00",
        ),
        (
            |shop| {
                let shift = Shift { days: vec![Weekday::Friday], window: window(17, 8), breaks: vec![] };
                shop.calendars[0].shifts = vec![shift];
            },
            "calendars[0].shifts[0].window",
            "end after",
        ),
        (|shop| shop.calendars[0].shifts[0].breaks = vec![window(16, 18)], "calendars[0].shifts[0].breaks", "outside"),
        (|shop| shop.calendars[0].shifts[0].days.clear(), "calendars[0].shifts[0].days", "at least one day"),
        (
            |shop| {
                shop.calendars[0].exceptions = vec![CalendarException {
                    start_date: date(2031, 5, 6),
                    end_date: date(2031, 5, 6),
                    open: vec![],
                    note: String::new(),
                }];
            },
            "calendars[0].exceptions[0].end_date",
            "before it starts",
        ),
        (
            |shop| {
                let holiday = Holiday { date: date(2031, 7, 4), display_name: String::new() };
                shop.holidays = vec![holiday.clone(), holiday];
            },
            "holidays[1].date",
            "already",
        ),
        (|shop| shop.equipment[0].count = 0, "equipment[0].count", "0 pieces"),
        (
            |shop| {
                let period = period("2031-05-05T13:00:00Z", "2031-05-05T14:00:00Z");
                shop.equipment[0].outages = vec![EquipmentOutage { period, count: 2 }];
            },
            "equipment[0].outages[0].count",
            "there are 1",
        ),
        (|shop| shop.technicians[0].skills[1].skill = "glass".into(), "technicians[0].skills[1].skill", "no skill"),
        (
            |shop| shop.technicians[0].skills[1].efficiency_percent = 0,
            "technicians[0].skills[1].efficiency_percent",
            "10",
        ),
        (
            |shop| shop.technicians[0].absences = vec![period("2031-05-06T13:00:00Z", "2031-05-05T13:00:00Z")],
            "technicians[0].absences[0].end_time",
            "not after its start",
        ),
        (
            |shop| {
                let changeover =
                    FamilyChangeover { from_family: "water".into(), to_family: "solvent".into(), minutes: 2000 };
                shop.changeovers = vec![changeover];
            },
            "changeovers[0].minutes",
            "at most a day",
        ),
        (|shop| shop.settings.grid_minutes = Some(7), "settings.grid_minutes", "1, 5, 10"),
        (|shop| shop.settings.horizon_days = Some(0), "settings.horizon_days", "1 to 366"),
    ];
    for (change, path, words) in cases {
        assert_fault(&shop_faults(change), path, words);
    }
}

#[test]
fn order_faults_say_where_and_what() {
    type Change = fn(&mut fitup_model::ShopFacts, &mut fitup_model::OrderFacts);
    let cases: &[(Change, &str, &str)] = &[
        (|_, order| order.vehicle.clear(), "vehicle", "missing"),
        (|_, order| order.promise_time = Some(time("2031-05-01T17:00:00Z")), "promise_time", "before the arrival"),
        (|_, order| order.operations.clear(), "visits[0]", "no operation"),
        (|_, order| order.visits[0].bay_class = "rak".into(), "visits[0].bay_class", "there are: booth, rack"),
        (|_, order| order.visits[0].bay = Some("rack-9".into()), "visits[0].bay", "no bay"),
        (|_, order| order.visits[0].bay = Some("booth".into()), "visits[0].bay", "not of class"),
        (|_, order| order.operations[0].crew = vec!["glass".into()], "operations[0].crew[0]", "no skill"),
        (|shop, _| shop.technicians[0].skills.truncate(1), "operations[1].crew", "no technician with skills refinish"),
        (
            |_, order| order.operations[0].crew.push("structural".into()),
            "operations[0].crew",
            "no 2 different technicians",
        ),
        (|_, order| order.operations[0].work_minutes = 0, "operations[0].work", "is missing"),
        (|_, order| order.operations[0].work_minutes = 12_060, "operations[0].work", "at most 12000"),
        (|_, order| order.operations[0].work_minutes = 300, "operations[0].work", "10 minutes longer than anybody"),
        (|_, order| order.operations[0].low_work_minutes = Some(0), "operations[0].low_work", "at least 1"),
        (|_, order| order.operations[0].low_work_minutes = Some(9_000), "operations[0].low_work", "at most the"),
        (|_, order| order.operations[0].high_work_minutes = Some(1), "operations[0].high_work", "at least the"),
        (|_, order| order.operations[0].high_work_minutes = Some(12_001), "operations[0].high_work", "at most 12000"),
        (|_, order| order.operations[2].high_work_minutes = Some(90), "operations[2].high_work", "unattended"),
        (|_, order| order.operations[2].interruptible = true, "operations[2].interruptible", "on the clock"),
        (|_, order| order.operations[0].visit = Some("rock".into()), "visits[0]", "has no operation"),
        (|_, order| order.operations[0].needs = vec!["fender".into()], "operations[0].needs[0]", "no part or approval"),
        (
            |_, order| {
                let part = Need {
                    id: "fender".into(),
                    display_name: String::new(),
                    expected_time: None,
                    met: false,
                    supply: None,
                };
                order.parts = vec![part];
            },
            "parts[0].expected_time",
            "say when",
        ),
        (|_, order| order.links.push(link("bake", "pull")), "links", "pull -> spray -> bake -> pull"),
        (|_, order| order.links.push(link("pull", "pull")), "links", "pull -> pull"),
        (|_, order| order.links.push(link("pull", "polish")), "links[2].to", "no operation"),
        (|_, order| order.links.push(link("pull", "spray")), "links[2]", "already"),
        (
            |_, order| {
                order.links[1].min_wait_minutes = 30;
                order.links[1].max_wait_minutes = Some(20);
            },
            "links[1].max_wait",
            "shorter than the shortest wait, 30",
        ),
        (
            |_, order| {
                order.operations[0].same_person = Some(SamePersonWish { operation: "spray".into(), required: true });
            },
            "operations[0].same_person.operation",
            "links must lead",
        ),
        (
            |_, order| {
                order.operations[0].pin = Some(Pin { technicians: vec!["bo".into()], start_time: None });
            },
            "operations[0].pin.technicians[0]",
            "there are: ines",
        ),
        (
            |_, order| {
                order.operations[0].progress = Progress::Done {
                    start_time: time("2031-05-05T14:00:00Z"),
                    end_time: time("2031-05-05T13:00:00Z"),
                    technicians: vec!["ines".into()],
                };
                order.visits[0].bay = Some("rack-1".into());
            },
            "operations[0].progress.end_time",
            "before the start",
        ),
        (
            |_, order| {
                order.operations[0].progress = Progress::Running {
                    start_time: time("2031-05-05T14:00:00Z"),
                    technicians: vec!["ines".into()],
                    remaining_minutes: 30,
                    remaining_time: None,
                };
            },
            "visits[0].bay",
            "say in which bay",
        ),
    ];
    for (change, path, words) in cases {
        let faults = order_faults(change);
        let first = faults.iter().find(|fault| fault.path == *path).cloned();
        assert_fault(&first.into_iter().collect::<Vec<_>>(), path, words);
    }
}

#[test]
fn work_that_may_stop_may_be_long() {
    assert!(
        order_faults(|_, order| {
            order.operations[0].work_minutes = 3000;
            order.operations[0].interruptible = true;
        })
        .is_empty()
    );
}

#[test]
fn overtime_may_make_room_for_work_that_must_not_stop() {
    let faults = order_faults(|shop, order| {
        shop.technicians[0].overtime = vec![period("2031-05-05T22:00:00Z", "2031-05-06T00:00:00Z")];
        order.operations[0].work_minutes = 300;
    });
    assert_eq!(faults, []);
}

#[test]
fn a_long_chain_of_links_is_walked_without_recursion() {
    let faults = order_faults(|_, order| {
        order.operations =
            (0..1000).map(|index| operation(&format!("step-{index}"), 5, &["structural"], None)).collect();
        order.visits.clear();
        order.links = (1..1000).map(|index| link(&format!("step-{}", index - 1), &format!("step-{index}"))).collect();
    });
    assert_eq!(faults, []);
}
