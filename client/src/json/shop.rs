//! Shops as JSON.

use fitup_proto::v1;
use serde::Serialize;

use super::{id_of, instant};
use crate::file::text::{write_exception, write_shift};
use crate::names::last;

/// A line of `shop list`.
#[derive(Debug, Serialize)]
pub struct ShopLine {
    /// Id.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// IANA name.
    pub time_zone: String,
    /// How many.
    pub bays: usize,
    /// How many.
    pub technicians: usize,
    /// Counts the changes of the shop and its orders.
    pub revision: i64,
    /// Id of the plan that the floor works by.
    pub published_plan: Option<String>,
}

impl From<&v1::Shop> for ShopLine {
    fn from(shop: &v1::Shop) -> Self {
        Self {
            id: last(&shop.name).to_owned(),
            name: shop.display_name.clone(),
            time_zone: shop.time_zone.clone(),
            bays: shop.bays.len(),
            technicians: shop.technicians.len(),
            revision: shop.revision,
            published_plan: id_of(&shop.published_plan),
        }
    }
}

/// Answer of `shop show`.
#[derive(Debug, Serialize)]
pub struct Shop {
    #[serde(flatten)]
    line: ShopHead,
    skills: Vec<String>,
    calendars: Vec<Calendar>,
    holidays: Vec<Holiday>,
    bays: Vec<Bay>,
    equipment: Vec<Equipment>,
    technicians: Vec<Technician>,
    changeovers: Vec<Changeover>,
    settings: Settings,
}

#[derive(Debug, Serialize)]
struct ShopHead {
    id: String,
    name: String,
    time_zone: String,
    revision: i64,
    published_plan: Option<String>,
}

#[derive(Debug, Serialize)]
struct Calendar {
    id: String,
    week: Vec<String>,
    except: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Holiday {
    date: String,
    name: String,
}

#[derive(Debug, Serialize)]
struct Period {
    start: Option<String>,
    end: Option<String>,
    note: String,
}

#[derive(Debug, Serialize)]
struct Bay {
    id: String,
    name: String,
    classes: Vec<String>,
    down: Vec<Period>,
}

#[derive(Debug, Serialize)]
struct Equipment {
    id: String,
    name: String,
    count: i32,
    out: Vec<Outage>,
}

#[derive(Debug, Serialize)]
struct Outage {
    count: i32,
    #[serde(flatten)]
    period: Period,
}

#[derive(Debug, Serialize)]
struct Technician {
    id: String,
    name: String,
    calendar: String,
    skills: Vec<Skill>,
    away: Vec<Period>,
    overtime: Vec<Period>,
}

#[derive(Debug, Serialize)]
struct Skill {
    skill: String,
    efficiency_percent: i32,
}

#[derive(Debug, Serialize)]
struct Changeover {
    from: String,
    to: String,
    minutes: i32,
}

#[derive(Debug, Serialize)]
struct Settings {
    grid_minutes: Option<i32>,
    horizon_days: Option<i32>,
    late_weight: Option<i32>,
    flow_weight: Option<i32>,
    overtime_weight: Option<i32>,
    freeze_minutes: Option<i32>,
    person_change_price: Option<i32>,
    bay_change_price: Option<i32>,
    day_change_price: Option<i32>,
    soon_factor: Option<i32>,
    same_person_price: Option<i32>,
    outside_limit: Option<i32>,
    outside_weight: Option<i32>,
    work_low_percent: Option<i32>,
    work_high_percent: Option<i32>,
    late_part_percent: Option<i32>,
    late_part_days: Option<i32>,
    late_approval_percent: Option<i32>,
    hidden_damage_percent: Option<i32>,
    hidden_work_percent: Option<i32>,
    failed_check_percent: Option<i32>,
    rework_percent: Option<i32>,
    absence_percent: Option<i32>,
    learned_percent: Option<i32>,
}

impl Shop {
    /// Returns all facts of a shop.
    pub fn new(id: &str, shop: &v1::Shop) -> Self {
        let settings = shop.settings.unwrap_or_default();
        Self {
            line: ShopHead {
                id: id.to_owned(),
                name: shop.display_name.clone(),
                time_zone: shop.time_zone.clone(),
                revision: shop.revision,
                published_plan: id_of(&shop.published_plan),
            },
            skills: shop.skills.clone(),
            calendars: shop.calendars.iter().map(calendar).collect(),
            holidays: shop.holidays.iter().map(holiday).collect(),
            bays: shop.bays.iter().map(bay).collect(),
            equipment: shop.equipment.iter().map(equipment).collect(),
            technicians: shop.technicians.iter().map(technician).collect(),
            changeovers: shop.changeovers.iter().map(changeover).collect(),
            settings: Settings {
                grid_minutes: settings.grid_minutes,
                horizon_days: settings.horizon_days,
                late_weight: settings.late_weight,
                flow_weight: settings.flow_weight,
                overtime_weight: settings.overtime_weight,
                freeze_minutes: settings.freeze_minutes,
                person_change_price: settings.person_change_price,
                bay_change_price: settings.bay_change_price,
                day_change_price: settings.day_change_price,
                soon_factor: settings.soon_factor,
                same_person_price: settings.same_person_price,
                outside_limit: settings.outside_limit,
                outside_weight: settings.outside_weight,
                work_low_percent: settings.work_low_percent,
                work_high_percent: settings.work_high_percent,
                late_part_percent: settings.late_part_percent,
                late_part_days: settings.late_part_days,
                late_approval_percent: settings.late_approval_percent,
                hidden_damage_percent: settings.hidden_damage_percent,
                hidden_work_percent: settings.hidden_work_percent,
                failed_check_percent: settings.failed_check_percent,
                rework_percent: settings.rework_percent,
                absence_percent: settings.absence_percent,
                learned_percent: settings.learned_percent,
            },
        }
    }
}

fn calendar(calendar: &v1::Calendar) -> Calendar {
    Calendar {
        id: calendar.id.clone(),
        week: calendar.shifts.iter().map(write_shift).collect(),
        except: calendar.exceptions.iter().map(write_exception).collect(),
    }
}

fn holiday(holiday: &v1::Holiday) -> Holiday {
    Holiday { date: holiday.date.clone(), name: holiday.display_name.clone() }
}

fn period(period: &v1::Period) -> Period {
    Period {
        start: instant(period.start_time.as_ref()),
        end: instant(period.end_time.as_ref()),
        note: period.note.clone(),
    }
}

fn bay(bay: &v1::Bay) -> Bay {
    Bay {
        id: bay.id.clone(),
        name: bay.display_name.clone(),
        classes: bay.classes.clone(),
        down: bay.downtime.iter().map(period).collect(),
    }
}

fn equipment(equipment: &v1::Equipment) -> Equipment {
    let outage = |outage: &v1::Outage| Outage {
        count: outage.count,
        period: period(outage.period.as_ref().unwrap_or(&v1::Period::default())),
    };
    Equipment {
        id: equipment.id.clone(),
        name: equipment.display_name.clone(),
        count: equipment.count,
        out: equipment.outages.iter().map(outage).collect(),
    }
}

fn technician(technician: &v1::Technician) -> Technician {
    let skill = |skill: &v1::TechnicianSkill| Skill {
        skill: skill.skill.clone(),
        efficiency_percent: if skill.efficiency_percent == 0 { 100 } else { skill.efficiency_percent },
    };
    Technician {
        id: technician.id.clone(),
        name: technician.display_name.clone(),
        calendar: technician.calendar.clone(),
        skills: technician.skills.iter().map(skill).collect(),
        away: technician.absences.iter().map(period).collect(),
        overtime: technician.overtime.iter().map(period).collect(),
    }
}

fn changeover(changeover: &v1::Changeover) -> Changeover {
    let (from, to) = (changeover.from_family.clone(), changeover.to_family.clone());
    Changeover { from, to, minutes: changeover.minutes }
}
