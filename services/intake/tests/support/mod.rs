//! A shop that has everything, and lines of all kinds.

#![allow(dead_code, reason = "each test uses some of it")]

use fitup_model::order::Need;
use fitup_model::shop::{DayWindow, Shift, ShopBay, ShopEquipment, ShopTechnician, TechnicianSkill, WeekCalendar};
use fitup_model::take_in::{EstimateLine, PartCondition, TakeInFacts};
use fitup_model::{OrderFacts, Shop, ShopFacts};
use jiff::civil::Weekday;
use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;

const SKILLS: [&str; 14] = [
    "body",
    "structural",
    "welding",
    "glass",
    "dent",
    "prep",
    "refinish",
    "mechanical",
    "refrigerant",
    "high-voltage",
    "diagnostic",
    "calibration",
    "detail",
    "quality",
];
const CLASSES: [&str; 7] = ["rack", "body", "prep", "booth", "lift", "calibration", "detail"];
const EQUIPMENT: [&str; 7] =
    ["tower", "measuring", "spot-welder", "recovery-machine", "scan-tool", "targets", "heat-lamp"];

/// Returns an instant, in minutes after a Monday morning.
pub fn start(minutes: i64) -> Timestamp {
    let monday: Timestamp = "2031-05-05T12:00:00Z".parse().expect("an instant");
    monday + SignedDuration::from_mins(minutes)
}

/// Returns a shop with two people who can do everything in long shifts, and a bay of each class.
pub fn shop() -> Shop {
    let skills = || SKILLS.map(|skill| TechnicianSkill { skill: skill.into(), efficiency_percent: 100 }).to_vec();
    let technician = |index: usize| ShopTechnician {
        id: format!("tech-{index}"),
        display_name: String::new(),
        calendar: "long".into(),
        skills: skills(),
        absences: Vec::new(),
        overtime: Vec::new(),
    };
    let days = vec![Weekday::Monday, Weekday::Tuesday, Weekday::Wednesday, Weekday::Thursday, Weekday::Friday];
    let shift = Shift { days, window: DayWindow { start_minute: 360, end_minute: 1320 }, breaks: Vec::new() };
    let facts = ShopFacts {
        id: "main".into(),
        display_name: "Main Street".into(),
        time_zone: "America/Chicago".into(),
        skills: SKILLS.map(str::to_owned).to_vec(),
        calendars: vec![WeekCalendar { id: "long".into(), shifts: vec![shift], exceptions: Vec::new() }],
        holidays: Vec::new(),
        bays: CLASSES
            .map(|class| ShopBay {
                id: format!("bay-{class}"),
                display_name: String::new(),
                classes: vec![class.into()],
                downtime: Vec::new(),
            })
            .to_vec(),
        equipment: EQUIPMENT
            .map(|id| ShopEquipment { id: id.into(), display_name: String::new(), count: 2, outages: Vec::new() })
            .to_vec(),
        technicians: vec![technician(0), technician(1)],
        changeovers: Vec::new(),
        settings: Default::default(),
    };
    Shop::new(facts).expect("a shop without faults")
}

/// Returns an order without work.
pub fn head() -> OrderFacts {
    OrderFacts {
        id: "1301".into(),
        vehicle: "grey hatchback".into(),
        note: String::new(),
        cancelled: false,
        arrival_time: start(0),
        arrived: true,
        promise_time: None,
        late_weight: None,
        flow_weight: None,
        visits: Vec::new(),
        operations: Vec::new(),
        links: Vec::new(),
        parts: Vec::new(),
        approvals: vec![Need {
            id: "insurer".into(),
            display_name: String::new(),
            expected_time: Some(start(600)),
            met: false,
            supply: None,
        }],
    }
}

/// Returns lines alone.
pub fn take_in(lines: Vec<EstimateLine>) -> TakeInFacts {
    TakeInFacts { lines, ..Default::default() }
}

/// Returns a line without a part.
pub fn line(id: &str, panel: &str, work: &str, minutes: u32) -> EstimateLine {
    EstimateLine {
        id: id.into(),
        panel: panel.into(),
        work: work.into(),
        labour: String::new(),
        minutes,
        part_number: String::new(),
        condition: None,
        part_expected_time: None,
        part_received: false,
        note: String::new(),
    }
}

/// Returns a line with a part that is there.
pub fn with_part(line: EstimateLine, number: &str, condition: PartCondition) -> EstimateLine {
    EstimateLine { part_number: number.into(), condition: Some(condition), part_received: true, ..line }
}

const LINES: [(&str, &[&str]); 16] = [
    ("front-door-left", &["replace", "repair", "remove-install", "refinish", "blend"]),
    ("front-door-right", &["replace", "repair", "remove-install", "refinish", "blend"]),
    ("hood", &["replace", "repair", "refinish"]),
    ("fender-left", &["replace", "repair", "refinish", "blend"]),
    ("front-bumper-cover", &["replace", "repair", "remove-install", "refinish"]),
    ("quarter-panel-left", &["replace", "section", "repair", "refinish", "pull"]),
    ("rail-left", &["replace", "section", "pull", "measure"]),
    ("b-pillar-left", &["section", "pull", "refinish"]),
    ("windshield", &["replace", "remove-install"]),
    ("quarter-glass-left", &["replace", "remove-install"]),
    ("condenser", &["replace", "recharge"]),
    ("radiator", &["replace"]),
    ("strut-left", &["replace", "align"]),
    ("driver-airbag", &["replace"]),
    ("front-camera", &["replace", "calibrate"]),
    ("head-lamp-left", &["replace", "remove-install", "scan"]),
];

/// Lines of all kinds that the built-in rule book takes.
pub fn any_lines() -> impl Strategy<Value = Vec<EstimateLine>> {
    let one =
        (0..LINES.len(), any::<prop::sample::Index>(), 1_u32..180, 0..4_u8).prop_map(|(at, work, minutes, part)| {
            let (panel, works) = LINES[at];
            let plain = line("l", panel, works[work.index(works.len())], minutes);
            match part {
                0 => plain,
                1 => with_part(plain, &format!("{at}-100"), PartCondition::New),
                2 => with_part(plain, &format!("{at}-200"), PartCondition::Used),
                _ => EstimateLine {
                    part_received: false,
                    part_expected_time: Some(start(i64::from(minutes) * 30)),
                    ..with_part(plain, &format!("{at}-300"), PartCondition::New)
                },
            }
        });
    prop::collection::vec(one, 1..6)
}

/// What cars may have.
pub fn any_features() -> impl Strategy<Value = Vec<String>> {
    let known = ["high-voltage", "front-camera", "radar"].map(str::to_owned).to_vec();
    prop::sample::subsequence(known, 0..=3)
}
