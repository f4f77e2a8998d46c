use jiff::Timestamp;
use jiff::civil::Weekday;

use super::*;
use crate::order::OrderVisit;
use crate::shop::{DayWindow, Shift, ShopBay, ShopFacts, ShopTechnician, TechnicianSkill, WeekCalendar};

fn time(text: &str) -> Timestamp {
    format!("{text}:00Z").parse().expect("an instant")
}

fn shop() -> Shop {
    let shift = Shift {
        days: vec![Weekday::Monday, Weekday::Tuesday, Weekday::Wednesday, Weekday::Thursday, Weekday::Friday],
        window: DayWindow { start_minute: 480, end_minute: 1020 },
        breaks: vec![DayWindow { start_minute: 720, end_minute: 780 }],
    };
    let technician = |id: &str| ShopTechnician {
        id: id.into(),
        display_name: String::new(),
        calendar: "day".into(),
        skills: vec![TechnicianSkill { skill: "body".into(), efficiency_percent: 100 }],
        absences: vec![],
        overtime: vec![],
    };
    let bay = |id: &str| ShopBay {
        id: id.into(),
        display_name: String::new(),
        classes: vec!["body".into()],
        downtime: vec![],
    };
    Shop::new(ShopFacts {
        id: "main".into(),
        display_name: "Main Street".into(),
        time_zone: "UTC".into(),
        skills: vec!["body".into()],
        calendars: vec![WeekCalendar { id: "day".into(), shifts: vec![shift], exceptions: vec![] }],
        holidays: vec![],
        bays: vec![bay("one"), bay("two")],
        equipment: vec![],
        technicians: vec![technician("ada"), technician("bo")],
        changeovers: vec![],
        settings: Default::default(),
    })
    .expect("a shop")
}

fn operation(id: &str, minutes: u32, progress: Progress) -> OrderOperation {
    OrderOperation {
        id: id.into(),
        display_name: String::new(),
        work_minutes: minutes,
        low_work_minutes: None,
        high_work_minutes: None,
        crew: vec!["body".into()],
        visit: Some("stay".into()),
        equipment: vec![],
        interruptible: true,
        needs: vec![],
        earliest_start_time: None,
        same_person: None,
        pin: None,
        hazards: vec![],
        hold_point: None,
        progress,
    }
}

fn order(id: &str, bay: &str, arrival: &str, promise: &str, operations: Vec<OrderOperation>) -> OrderFacts {
    OrderFacts {
        id: id.into(),
        vehicle: "car".into(),
        note: String::new(),
        cancelled: false,
        arrival_time: time(arrival),
        arrived: true,
        promise_time: Some(time(promise)),
        late_weight: None,
        flow_weight: None,
        visits: vec![OrderVisit {
            id: "stay".into(),
            bay_class: "body".into(),
            loose_parts: false,
            family: None,
            bay: Some(bay.into()),
        }],
        operations,
        links: vec![],
        parts: vec![],
        approvals: vec![],
    }
}

fn done(start: &str, end: &str, who: &str) -> Progress {
    Progress::Done { start_time: time(start), end_time: time(end), technicians: vec![who.into()] }
}

/// Goal: every measure of a week. Method: two cars whose week is reckoned by hand.
///
/// Ada works Mon 08:00 to Tue 10:00 on 1: 8 h on Monday (an hour of break) and 2 h on Tuesday, 10 h for 12 h booked. Bo
/// works Mon 08:00-12:00 on 2, 4 h for 3 h booked, and has begun more of it on Friday at 15:00.
#[test]
fn a_week_by_hand() {
    let first = vec![operation("pull", 720, done("2031-05-05T08:00", "2031-05-06T10:00", "ada"))];
    let running = Progress::Running {
        start_time: time("2031-05-09T15:00"),
        technicians: vec!["bo".into()],
        remaining_minutes: 60,
        remaining_time: None,
    };
    let second = vec![
        operation("strip", 180, done("2031-05-05T08:00", "2031-05-05T12:00", "bo")),
        operation("fit", 120, running),
    ];
    let orders = [
        order("1", "one", "2031-05-05T08:00", "2031-05-06T09:00", first),
        order("2", "two", "2031-05-05T08:00", "2031-05-12T09:00", second),
    ];
    let (from, until) = (time("2031-05-05T00:00"), time("2031-05-10T08:00"));
    let week = measures(&shop(), &orders, from, until).expect("a week");
    assert_eq!((week.flow.arrived, week.flow.completed), (2, 1));
    // 26 hours from Monday 08:00 to Tuesday 10:00.
    let days = 26.0 / 24.0;
    assert_eq!(week.flow.cycle_days, Some(days));
    assert_eq!(week.touch_hours, Some(12.0 / days));
    assert_eq!(week.on_time, Some(0.0), "an hour late");
    // 26 h of the one and 120 h of the other in 128 h.
    assert!((week.flow.work_in_process - 146.0 / 128.0).abs() < 1e-12);
    assert!((week.flow.little.expect("one was completed") - 146.0 / 26.0).abs() < 1e-12);
    let own = |id: &str, sold, clocked, open, busy| Own { id: id.into(), sold, clocked, open, busy };
    assert_eq!(week.technicians, [own("ada", 720, 600, 2400, 600), own("bo", 180, 240, 2400, 360)]);
    assert_eq!(week.technicians[0].efficiency(), Some(1.2));
    assert_eq!(week.technicians[1].utilisation(), Some(0.15));
    assert_eq!(week.people().efficiency(), Some(900.0 / 840.0));
    // Bay two is held until its order is done: all 40 open hours. In it Bo worked for 4 + 2 hours.
    assert_eq!(week.bays, [own("one", 0, 600, 2400, 600), own("two", 0, 360, 2400, 2400)]);

    let empty = measures(&shop(), &[], from, until).expect("a week");
    assert_eq!((empty.touch_hours, empty.on_time, empty.flow.little, empty.flow.cycle_days), (None, None, None, None));
    assert_eq!(empty.people().efficiency(), None);
}

/// Published averages of the trade agree with the formula: PARS Certified, "Industry stats: cycle time", gives 8.1 days
/// at 2.64 touch hours a day, so 21.4 h of work; and 10.4 days with 33.3 hours, 3.2 a day.
#[test]
fn touch_hours_as_published() {
    let touch = |cars: &[(f64, f64)]| touch_hours(cars).expect("a car");
    assert!((touch(&[(21.4, 8.1)]) - 2.64).abs() < 0.005);
    assert!((touch(&[(33.3, 10.4)]) - 3.2).abs() < 0.005);
    // All hours over all days, not the mean of the cars; less than a day counts as one.
    assert!((touch(&[(21.4, 8.1), (33.3, 10.4)]) - 54.7 / 18.5).abs() < 1e-12);
    assert_eq!(touch(&[(3.0, 0.25)]), 3.0);
}

/// Goal: work in process, cycle time and the ratio by Little's law. Method: a simulated queue with Poisson arrivals and
/// exponential service by one server against its closed form, L = ρ / (1 - ρ) and W = L / λ; with ρ = 0.8, L = 4 and
/// W = 4 / λ (Hillier and Lieberman, Introduction to Operations Research, chapter on queueing theory).
#[test]
fn a_queue_of_one_server_has_its_closed_form() {
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    let mut exponential = |mean: f64| {
        // Marsaglia's xorshift generator, doi:10.18637/jss.v008.i14.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let uniform = ((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64;
        -mean * uniform.ln()
    };
    // One arrival a day, service of 0.8 days.
    let (day, count) = (86_400.0, 1_000_000);
    let (mut arrival, mut free) = (0.0_f64, 0.0_f64);
    let mut stays = Vec::with_capacity(count);
    for _ in 0..count {
        arrival += exponential(day);
        free = free.max(arrival) + exponential(0.8 * day);
        stays.push(Stay { arrival: arrival as i64, completion: Some(free as i64) });
    }
    // From a full start on to before the last arrival.
    let (from, until) = ((1000.0 * day) as i64, arrival as i64);
    let seen = flow(&stays, from, until);
    let rate = seen.completed as f64 / ((until - from) as f64 / day);
    assert!((rate - 1.0).abs() < 0.01, "{rate} a day");
    assert!((seen.work_in_process - 4.0).abs() < 0.12, "{seen:?}");
    assert!((seen.cycle_days.expect("many") - 4.0 / rate).abs() < 0.12, "{seen:?}");
    assert!((seen.little.expect("many") - 1.0).abs() < 0.001, "{seen:?}");
}
