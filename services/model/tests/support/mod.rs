//! A small shop and order to start from.
#![allow(dead_code, reason = "each test file uses a part")]

use fitup_model::order::{OrderFacts, OrderLink, OrderOperation, OrderVisit, Progress};
use fitup_model::shop::{
    DayWindow, PlanningSettings, Shift, ShopBay, ShopEquipment, ShopFacts, ShopTechnician, TechnicianSkill,
    WeekCalendar,
};
use fitup_model::{Fault, Order, Shop};
use jiff::Timestamp;
use jiff::civil::Weekday;

pub fn time(text: &str) -> Timestamp {
    text.parse().expect("a test writes good times")
}

pub fn window(start_hour: u16, end_hour: u16) -> DayWindow {
    DayWindow { start_minute: start_hour * 60, end_minute: end_hour * 60 }
}

/// One rack bay and one booth, one welder, Ines (structural, refinish) on weekdays 8 to 12 and 13 to 17.
pub fn shop() -> ShopFacts {
    use Weekday::{Friday, Monday, Thursday, Tuesday, Wednesday};
    let bay = |id: &str, class: &str| ShopBay {
        id: id.into(),
        display_name: String::new(),
        classes: vec![class.into()],
        downtime: vec![],
    };
    let skill = |skill: &str, efficiency_percent| TechnicianSkill { skill: skill.into(), efficiency_percent };
    ShopFacts {
        id: "riverside".into(),
        display_name: "Riverside Collision".into(),
        time_zone: "America/Chicago".into(),
        skills: vec!["structural".into(), "refinish".into()],
        calendars: vec![WeekCalendar {
            id: "day".into(),
            shifts: vec![Shift {
                days: vec![Monday, Tuesday, Wednesday, Thursday, Friday],
                window: window(8, 17),
                breaks: vec![window(12, 13)],
            }],
            exceptions: vec![],
        }],
        holidays: vec![],
        bays: vec![bay("rack-1", "rack"), bay("booth", "booth")],
        equipment: vec![ShopEquipment { id: "welder".into(), display_name: String::new(), count: 1, outages: vec![] }],
        technicians: vec![ShopTechnician {
            id: "ines".into(),
            display_name: "Ines".into(),
            calendar: "day".into(),
            skills: vec![skill("structural", 120), skill("refinish", 100)],
            absences: vec![],
            overtime: vec![],
        }],
        changeovers: vec![],
        settings: PlanningSettings::default(),
    }
}

pub fn operation(id: &str, work_minutes: u32, crew: &[&str], visit: Option<&str>) -> OrderOperation {
    OrderOperation {
        id: id.into(),
        display_name: String::new(),
        work_minutes,
        low_work_minutes: None,
        high_work_minutes: None,
        crew: crew.iter().map(|skill| (*skill).into()).collect(),
        visit: visit.map(Into::into),
        equipment: vec![],
        interruptible: false,
        needs: vec![],
        earliest_start_time: None,
        same_person: None,
        pin: None,
        hazards: vec![],
        hold_point: None,
        progress: Progress::Waiting,
    }
}

pub fn link(from: &str, to: &str) -> OrderLink {
    OrderLink { from: from.into(), to: to.into(), min_wait_minutes: 0, max_wait_minutes: None }
}

/// Pull on the rack, then spray and bake in the booth. Monday 2031-05-05 in Chicago is CDT, UTC-5.
pub fn order() -> OrderFacts {
    let visit = |id: &str, class: &str| OrderVisit {
        id: id.into(),
        bay_class: class.into(),
        loose_parts: false,
        family: None,
        bay: None,
    };
    OrderFacts {
        id: "1042".into(),
        vehicle: "grey hatchback, rear hit".into(),
        note: String::new(),
        cancelled: false,
        arrival_time: time("2031-05-05T08:00:00-05:00"),
        arrived: true,
        promise_time: Some(time("2031-05-07T17:00:00-05:00")),
        late_weight: None,
        flow_weight: None,
        visits: vec![visit("rack", "rack"), visit("paint", "booth")],
        operations: vec![
            operation("pull", 120, &["structural"], Some("rack")),
            operation("spray", 60, &["refinish"], Some("paint")),
            operation("bake", 40, &[], Some("paint")),
        ],
        links: vec![link("pull", "spray"), link("spray", "bake")],
        parts: vec![],
        approvals: vec![],
    }
}

pub fn shop_faults(change: impl FnOnce(&mut ShopFacts)) -> Vec<Fault> {
    let mut facts = shop();
    change(&mut facts);
    Shop::new(facts).err().unwrap_or_default()
}

pub fn order_faults(change: impl FnOnce(&mut ShopFacts, &mut OrderFacts)) -> Vec<Fault> {
    let (mut shop, mut order) = (shop(), order());
    change(&mut shop, &mut order);
    Order::new(order, &Shop::new(shop).expect("only the order is at fault")).err().unwrap_or_default()
}

/// Asserts that exactly one fault stands at `path` and that its message has `words` in it.
pub fn assert_fault(faults: &[Fault], path: &str, words: &str) {
    let found = faults.len() == 1 && faults[0].path == path && faults[0].message.contains(words);
    assert!(found, "expected one fault at {path:?} with {words:?}, found {faults:#?}");
}
