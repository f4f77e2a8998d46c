//! A shop: bays, equipment, technicians, calendars. Facts as people enter them, checked once by [`Shop::new`].
//!
//! Instants are timestamps; dates and times of day are those of the shop's zone.

use std::ops::Deref;

use jiff::Timestamp;
use jiff::civil::{Date, Weekday};
use jiff::tz::{TimeZone, TimeZoneDatabase};

use crate::fault::Fault;

/// A part of a day, in minutes after local midnight; the end may be 1440.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct DayWindow {
    /// First minute.
    pub start_minute: u16,
    /// The minute after the last.
    pub end_minute: u16,
}

/// Working time on some days of the week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shift {
    /// On which days; at least one, none twice.
    pub days: Vec<Weekday>,
    /// From when to when.
    pub window: DayWindow,
    /// Breaks inside the window.
    pub breaks: Vec<DayWindow>,
}

/// Dates `[start, end)` on which other times hold than in the week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CalendarException {
    /// First date.
    pub start_date: Date,
    /// The date after the last.
    pub end_date: Date,
    /// Open times; none means closed.
    pub open: Vec<DayWindow>,
    /// Why, for people.
    pub note: String,
}

/// Working time that repeats weekly, with exceptions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WeekCalendar {
    /// Unique among the calendars of the shop.
    pub id: String,
    /// What repeats.
    pub shifts: Vec<Shift>,
    /// What differs.
    pub exceptions: Vec<CalendarException>,
}

/// A date on which every calendar is closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holiday {
    /// The date.
    pub date: Date,
    /// What is celebrated.
    pub display_name: String,
}

/// `[start, end)` on the clock.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Period {
    /// First instant.
    pub start_time: Timestamp,
    /// The instant after the last.
    pub end_time: Timestamp,
    /// Why, for people.
    pub note: String,
}

/// A place for one car, or for the loose parts of one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShopBay {
    /// Unique among the bays of the shop.
    pub id: String,
    /// For people; may be empty.
    pub display_name: String,
    /// Classes that it can serve as.
    pub classes: Vec<String>,
    /// When it cannot be used.
    pub downtime: Vec<Period>,
}

/// Time in which some pieces of equipment are out of service.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EquipmentOutage {
    /// When.
    pub period: Period,
    /// How many pieces.
    pub count: u32,
}

/// A pool of like pieces of equipment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShopEquipment {
    /// Unique among the equipment of the shop.
    pub id: String,
    /// For people; may be empty.
    pub display_name: String,
    /// Pieces.
    pub count: u32,
    /// When some are out of service.
    pub outages: Vec<EquipmentOutage>,
}

/// A skill of a technician.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TechnicianSkill {
    /// Id of the skill.
    pub skill: String,
    /// Booked over taken time, in percent.
    pub efficiency_percent: u32,
}

/// A person who works on cars.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShopTechnician {
    /// Unique among the technicians of the shop.
    pub id: String,
    /// For people; may be empty.
    pub display_name: String,
    /// Id of the calendar of their regular time.
    pub calendar: String,
    /// What they are qualified for.
    pub skills: Vec<TechnicianSkill>,
    /// When they are away from regular time.
    pub absences: Vec<Period>,
    /// Extra time that a plan may open.
    pub overtime: Vec<Period>,
}

/// Time that a bay stands empty between visits of two families.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FamilyChangeover {
    /// Family of the visit before.
    pub from_family: String,
    /// Family of the visit after.
    pub to_family: String,
    /// How long, in minutes.
    pub minutes: u32,
}

/// What a plan is judged by; `None` is the default that the accessor of the same name returns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PlanningSettings {
    /// Minutes; 1, 5, 10, 15 or 30.
    pub grid_minutes: Option<u32>,
    /// Days, 1 to 366.
    pub horizon_days: Option<u32>,
    /// Price of a minute after the promise.
    pub late_weight: Option<u32>,
    /// Price of a minute from arrival to completion.
    pub flow_weight: Option<u32>,
    /// Price of a person's minute of overtime.
    pub overtime_weight: Option<u32>,
    /// Minutes from now in which what is published stays.
    pub freeze_minutes: Option<u32>,
    /// Price of taking a published technician off.
    pub person_change_price: Option<u32>,
    /// Price of another bay.
    pub bay_change_price: Option<u32>,
    /// Price of another day.
    pub day_change_price: Option<u32>,
    /// Factor on changes of the next two days.
    pub soon_factor: Option<u32>,
    /// Price of a same-person wish that is not met.
    pub same_person_price: Option<u32>,
    /// Cars outside that cost nothing; `None` is any number.
    pub outside_limit: Option<u32>,
    /// Price of a minute of each car above that.
    pub outside_weight: Option<u32>,
    /// The least that work takes, in percent of what is booked.
    pub work_low_percent: Option<u32>,
    /// The most that work takes, in percent of what is booked.
    pub work_high_percent: Option<u32>,
    /// So many of 100 parts that are still expected come late.
    pub late_part_percent: Option<u32>,
    /// A late part or approval is so many days late at most.
    pub late_part_days: Option<u32>,
    /// So many of 100 approvals that are still expected come late.
    pub late_approval_percent: Option<u32>,
    /// Damage is found in so many of 100 cars that nobody has started on.
    pub hidden_damage_percent: Option<u32>,
    /// The work on such a car grows by so many percent.
    pub hidden_work_percent: Option<u32>,
    /// So many of 100 operations do not pass and are mended.
    pub failed_check_percent: Option<u32>,
    /// Mending takes so many percent of their work.
    pub rework_percent: Option<u32>,
    /// Somebody is away on so many of 100 days.
    pub absence_percent: Option<u32>,
    /// What was recorded counts by so many percent when chances are learned; 0 uses what is set alone.
    pub learned_percent: Option<u32>,
}

macro_rules! defaults {
    ($($name:ident = $default:literal),* $(,)?) => {
        impl PlanningSettings {
            $(
                #[doc = concat!("Returns the setting, or its default ", stringify!($default), ".")]
                pub fn $name(&self) -> u32 {
                    self.$name.unwrap_or($default)
                }
            )*
        }
    };
}

defaults! {
    grid_minutes = 5,
    horizon_days = 42,
    late_weight = 3,
    flow_weight = 1,
    overtime_weight = 5,
    freeze_minutes = 0,
    person_change_price = 30,
    bay_change_price = 30,
    day_change_price = 60,
    soon_factor = 3,
    same_person_price = 60,
    outside_weight = 1,
    work_low_percent = 80,
    work_high_percent = 160,
    late_part_percent = 15,
    late_part_days = 3,
    late_approval_percent = 20,
    hidden_damage_percent = 20,
    hidden_work_percent = 20,
    failed_check_percent = 2,
    rework_percent = 50,
    absence_percent = 2,
    learned_percent = 100,
}

/// The facts of a shop, not yet checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShopFacts {
    /// Last part of its name.
    pub id: String,
    /// What people call it.
    pub display_name: String,
    /// IANA name.
    pub time_zone: String,
    /// Ids of skills.
    pub skills: Vec<String>,
    /// Calendars.
    pub calendars: Vec<WeekCalendar>,
    /// Holidays.
    pub holidays: Vec<Holiday>,
    /// Bays.
    pub bays: Vec<ShopBay>,
    /// Equipment.
    pub equipment: Vec<ShopEquipment>,
    /// Technicians.
    pub technicians: Vec<ShopTechnician>,
    /// Changeovers.
    pub changeovers: Vec<FamilyChangeover>,
    /// Settings.
    pub settings: PlanningSettings,
}

/// A shop whose facts hold together. Reads like [`ShopFacts`].
#[derive(Debug, Clone, PartialEq)]
pub struct Shop {
    facts: ShopFacts,
    zone: TimeZone,
}

impl Deref for Shop {
    type Target = ShopFacts;
    fn deref(&self) -> &ShopFacts {
        &self.facts
    }
}

impl Shop {
    /// Checks `facts` and returns them as a shop.
    ///
    /// # Errors
    /// Everything that is wrong, with paths in the names of the contract (`technicians[2].skills[0].skill`).
    pub fn new(facts: ShopFacts) -> Result<Shop, Vec<Fault>> {
        // The bundled database, not the machine's: the same facts give the same plan everywhere.
        let zone = TimeZoneDatabase::bundled().get(&facts.time_zone);
        let mut faults = crate::shop_check::faults(&facts);
        if zone.is_err() {
            faults.add(
                "time_zone",
                format!("time zone {:?} is not known; use an IANA name such as \"America/Chicago\"", facts.time_zone),
            );
        }
        faults.into_result(())?;
        Ok(Shop { zone: zone.expect("a fault was added otherwise"), facts })
    }

    /// Returns the time zone.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// Returns the facts, to be changed and checked again.
    pub fn into_facts(self) -> ShopFacts {
        self.facts
    }

    /// Returns the calendar with this id.
    pub fn calendar(&self, id: &str) -> Option<&WeekCalendar> {
        self.calendars.iter().find(|calendar| calendar.id == id)
    }
}
