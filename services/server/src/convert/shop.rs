//! Shops.

use fitup_model::shop::{
    CalendarException, DayWindow, EquipmentOutage, FamilyChangeover, Holiday, Period, PlanningSettings, Shift, ShopBay,
    ShopEquipment, ShopTechnician, TechnicianSkill, WeekCalendar,
};
use fitup_model::{Fault, Shop, ShopFacts};
use fitup_proto::v1;
use jiff::civil::{Date, Weekday};

use super::fields::{At, collect, count, each, instant, optional_count, to_count, to_instant};

/// Reads a shop that is to be called `id` and checks it. Output-only fields are not looked at.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read(id: &str, shop: &v1::Shop) -> Result<Shop, Vec<Fault>> {
    let (facts, read) = collect(|at| facts(id, shop, at));
    match Shop::new(facts) {
        Ok(shop) if read.is_empty() => Ok(shop),
        checked => Err(super::merge(read, checked.err().unwrap_or_default())),
    }
}

/// Writes the facts of a shop; what the server adds to them is left empty.
pub fn write(shop: &ShopFacts) -> v1::Shop {
    v1::Shop {
        name: super::names::shop(&shop.id),
        display_name: shop.display_name.clone(),
        time_zone: shop.time_zone.clone(),
        skills: shop.skills.clone(),
        calendars: shop.calendars.iter().map(to_calendar).collect(),
        holidays: shop.holidays.iter().map(to_holiday).collect(),
        bays: shop.bays.iter().map(to_bay).collect(),
        equipment: shop.equipment.iter().map(to_equipment).collect(),
        technicians: shop.technicians.iter().map(to_technician).collect(),
        changeovers: shop.changeovers.iter().map(to_changeover).collect(),
        settings: Some(to_settings(&shop.settings)),
        ..Default::default()
    }
}

pub(super) fn facts(id: &str, shop: &v1::Shop, at: &At) -> ShopFacts {
    ShopFacts {
        id: id.to_owned(),
        display_name: shop.display_name.clone(),
        time_zone: shop.time_zone.clone(),
        skills: shop.skills.clone(),
        calendars: each(&shop.calendars, "calendars", at, calendar),
        holidays: each(&shop.holidays, "holidays", at, holiday),
        bays: each(&shop.bays, "bays", at, bay),
        equipment: each(&shop.equipment, "equipment", at, equipment),
        technicians: each(&shop.technicians, "technicians", at, technician),
        changeovers: each(&shop.changeovers, "changeovers", at, changeover),
        settings: settings(&shop.settings.unwrap_or_default(), &at.field("settings")),
    }
}

fn calendar(calendar: &v1::Calendar, at: &At) -> WeekCalendar {
    WeekCalendar {
        id: calendar.id.clone(),
        shifts: each(&calendar.shifts, "shifts", at, shift),
        exceptions: each(&calendar.exceptions, "exceptions", at, exception),
    }
}

fn to_calendar(calendar: &WeekCalendar) -> v1::Calendar {
    v1::Calendar {
        id: calendar.id.clone(),
        shifts: calendar.shifts.iter().map(to_shift).collect(),
        exceptions: calendar.exceptions.iter().map(to_exception).collect(),
    }
}

fn shift(shift: &v1::Shift, at: &At) -> Shift {
    Shift {
        days: each(&shift.days, "days", at, |day, at| weekday(*day, at)),
        window: shift.window.as_ref().map_or_else(
            || {
                at.field("window").fault("is required");
                ANY_WINDOW
            },
            |window| day_window(window, &at.field("window")),
        ),
        breaks: each(&shift.breaks, "breaks", at, day_window),
    }
}

fn to_shift(shift: &Shift) -> v1::Shift {
    v1::Shift {
        days: shift.days.iter().map(|day| to_weekday(*day).into()).collect(),
        window: Some(to_day_window(&shift.window)),
        breaks: shift.breaks.iter().map(to_day_window).collect(),
    }
}

fn exception(exception: &v1::CalendarException, at: &At) -> CalendarException {
    CalendarException {
        start_date: date(&exception.start_date, &at.field("start_date")),
        end_date: date(&exception.end_date, &at.field("end_date")),
        open: each(&exception.open, "open", at, day_window),
        note: exception.note.clone(),
    }
}

fn to_exception(exception: &CalendarException) -> v1::CalendarException {
    v1::CalendarException {
        start_date: exception.start_date.to_string(),
        end_date: exception.end_date.to_string(),
        open: exception.open.iter().map(to_day_window).collect(),
        note: exception.note.clone(),
    }
}

fn holiday(holiday: &v1::Holiday, at: &At) -> Holiday {
    Holiday { date: date(&holiday.date, &at.field("date")), display_name: holiday.display_name.clone() }
}

fn to_holiday(holiday: &Holiday) -> v1::Holiday {
    v1::Holiday { date: holiday.date.to_string(), display_name: holiday.display_name.clone() }
}

fn bay(bay: &v1::Bay, at: &At) -> ShopBay {
    ShopBay {
        id: bay.id.clone(),
        display_name: bay.display_name.clone(),
        classes: bay.classes.clone(),
        downtime: each(&bay.downtime, "downtime", at, period),
    }
}

fn to_bay(bay: &ShopBay) -> v1::Bay {
    v1::Bay {
        id: bay.id.clone(),
        display_name: bay.display_name.clone(),
        classes: bay.classes.clone(),
        downtime: bay.downtime.iter().map(to_period).collect(),
    }
}

fn equipment(equipment: &v1::Equipment, at: &At) -> ShopEquipment {
    ShopEquipment {
        id: equipment.id.clone(),
        display_name: equipment.display_name.clone(),
        count: count(equipment.count, 1, &at.field("count")),
        outages: each(&equipment.outages, "outages", at, outage),
    }
}

fn to_equipment(equipment: &ShopEquipment) -> v1::Equipment {
    v1::Equipment {
        id: equipment.id.clone(),
        display_name: equipment.display_name.clone(),
        count: to_count(equipment.count),
        outages: equipment.outages.iter().map(to_outage).collect(),
    }
}

fn outage(outage: &v1::Outage, at: &At) -> EquipmentOutage {
    if outage.period.is_none() {
        at.field("period").fault("is required");
        return EquipmentOutage { period: ANY_PERIOD, count: 1 };
    }
    EquipmentOutage {
        period: period(outage.period.as_ref().unwrap_or(&v1::Period::default()), &at.field("period")),
        count: count(outage.count, 1, &at.field("count")),
    }
}

fn to_outage(outage: &EquipmentOutage) -> v1::Outage {
    v1::Outage { period: Some(to_period(&outage.period)), count: to_count(outage.count) }
}

fn technician(technician: &v1::Technician, at: &At) -> ShopTechnician {
    ShopTechnician {
        id: technician.id.clone(),
        display_name: technician.display_name.clone(),
        calendar: technician.calendar.clone(),
        skills: each(&technician.skills, "skills", at, skill),
        absences: each(&technician.absences, "absences", at, period),
        overtime: each(&technician.overtime, "overtime", at, period),
    }
}

fn to_technician(technician: &ShopTechnician) -> v1::Technician {
    v1::Technician {
        id: technician.id.clone(),
        display_name: technician.display_name.clone(),
        calendar: technician.calendar.clone(),
        skills: technician.skills.iter().map(to_skill).collect(),
        absences: technician.absences.iter().map(to_period).collect(),
        overtime: technician.overtime.iter().map(to_period).collect(),
    }
}

fn skill(skill: &v1::TechnicianSkill, at: &At) -> TechnicianSkill {
    let efficiency_percent = match count(skill.efficiency_percent, 100, &at.field("efficiency_percent")) {
        0 => 100,
        percent => percent,
    };
    TechnicianSkill { skill: skill.skill.clone(), efficiency_percent }
}

fn to_skill(skill: &TechnicianSkill) -> v1::TechnicianSkill {
    v1::TechnicianSkill { skill: skill.skill.clone(), efficiency_percent: to_count(skill.efficiency_percent) }
}

fn changeover(changeover: &v1::Changeover, at: &At) -> FamilyChangeover {
    FamilyChangeover {
        from_family: changeover.from_family.clone(),
        to_family: changeover.to_family.clone(),
        minutes: count(changeover.minutes, 1, &at.field("minutes")),
    }
}

fn to_changeover(changeover: &FamilyChangeover) -> v1::Changeover {
    v1::Changeover {
        from_family: changeover.from_family.clone(),
        to_family: changeover.to_family.clone(),
        minutes: to_count(changeover.minutes),
    }
}

macro_rules! settings {
    ($($field:ident),* $(,)?) => {
        fn settings(settings: &v1::PlanningSettings, at: &At) -> PlanningSettings {
            PlanningSettings { $($field: optional_count(settings.$field, &at.field(stringify!($field))),)* }
        }

        fn to_settings(settings: &PlanningSettings) -> v1::PlanningSettings {
            v1::PlanningSettings { $($field: settings.$field.map(to_count),)* }
        }
    };
}

settings! {
    grid_minutes,
    horizon_days,
    late_weight,
    flow_weight,
    overtime_weight,
    freeze_minutes,
    person_change_price,
    bay_change_price,
    day_change_price,
    soon_factor,
    same_person_price,
    outside_limit,
    outside_weight,
    work_low_percent,
    work_high_percent,
    late_part_percent,
    late_part_days,
    late_approval_percent,
    hidden_damage_percent,
    hidden_work_percent,
    failed_check_percent,
    rework_percent,
    absence_percent,
    learned_percent,
}

fn period(period: &v1::Period, at: &At) -> Period {
    Period {
        start_time: instant(period.start_time.as_ref(), &at.field("start_time")),
        end_time: instant(period.end_time.as_ref(), &at.field("end_time")),
        note: period.note.clone(),
    }
}

fn to_period(period: &Period) -> v1::Period {
    v1::Period {
        start_time: Some(to_instant(period.start_time)),
        end_time: Some(to_instant(period.end_time)),
        note: period.note.clone(),
    }
}

/// Stands in for a period that is missing.
const ANY_PERIOD: Period =
    Period { start_time: jiff::Timestamp::UNIX_EPOCH, end_time: jiff::Timestamp::MAX, note: String::new() };

/// Stands in for a part of a day that cannot be read.
const ANY_WINDOW: DayWindow = DayWindow { start_minute: 0, end_minute: 24 * 60 };

fn day_window(window: &v1::DayWindow, at: &At) -> DayWindow {
    DayWindow {
        start_minute: time_of_day(&window.start_time_of_day, ANY_WINDOW.start_minute, &at.field("start_time_of_day")),
        end_minute: time_of_day(&window.end_time_of_day, ANY_WINDOW.end_minute, &at.field("end_time_of_day")),
    }
}

fn to_day_window(window: &DayWindow) -> v1::DayWindow {
    let text = |minute: u16| format!("{:02}:{:02}", minute / 60, minute % 60);
    v1::DayWindow { start_time_of_day: text(window.start_minute), end_time_of_day: text(window.end_minute) }
}

/// Reads `HH:MM`, 00:00 to 24:00; that a window starts before it ends is for the model to say.
fn time_of_day(text: &str, fallback: u16, at: &At) -> u16 {
    let digits =
        |part: &str| part.bytes().all(|byte| byte.is_ascii_digit()).then(|| part.parse::<u16>().ok()).flatten();
    let read = match text.split_once(':') {
        Some((hours, minutes)) if hours.len() == 2 && minutes.len() == 2 => digits(hours).zip(digits(minutes)),
        _ => None,
    };
    match read {
        Some((hours, minutes)) if minutes < 60 && hours * 60 + minutes <= 24 * 60 => hours * 60 + minutes,
        _ => {
            at.fault(format!("{text:?} is no time of day; use HH:MM, such as \"07:30\""));
            fallback
        }
    }
}

/// Reads `YYYY-MM-DD` and nothing else that a date may be written as.
fn date(text: &str, at: &At) -> Date {
    let plain = text.len() == 10 && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-');
    let read = if plain { text.parse::<Date>().ok() } else { None };
    read.unwrap_or_else(|| {
        at.fault(format!("{text:?} is no date; use YYYY-MM-DD, such as \"2031-05-04\""));
        Date::default()
    })
}

const WEEKDAYS: [(v1::Weekday, Weekday); 7] = [
    (v1::Weekday::Monday, Weekday::Monday),
    (v1::Weekday::Tuesday, Weekday::Tuesday),
    (v1::Weekday::Wednesday, Weekday::Wednesday),
    (v1::Weekday::Thursday, Weekday::Thursday),
    (v1::Weekday::Friday, Weekday::Friday),
    (v1::Weekday::Saturday, Weekday::Saturday),
    (v1::Weekday::Sunday, Weekday::Sunday),
];

fn weekday(day: i32, at: &At) -> Weekday {
    let found = WEEKDAYS.iter().find(|(proto, _)| *proto as i32 == day);
    found.map_or_else(
        || {
            at.fault("is no day of the week");
            Weekday::Monday
        },
        |(_, day)| *day,
    )
}

fn to_weekday(day: Weekday) -> v1::Weekday {
    let found = WEEKDAYS.iter().find(|(_, model)| *model == day);
    found.map(|(proto, _)| *proto).expect("all days are listed")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(change: impl FnOnce(&mut v1::Shop)) -> Vec<String> {
        let window = || Some(v1::DayWindow { start_time_of_day: "07:30".into(), end_time_of_day: "16:00".into() });
        let mut shop = v1::Shop {
            display_name: "Elm Street".into(),
            time_zone: "America/Chicago".into(),
            calendars: vec![v1::Calendar {
                id: "day".into(),
                shifts: vec![v1::Shift { days: vec![1], window: window(), breaks: vec![] }],
                exceptions: vec![],
            }],
            ..Default::default()
        };
        change(&mut shop);
        read("elm", &shop).err().unwrap_or_default().iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_small_shop_is_read() {
        assert_eq!(faults(|_| {}), [""; 0]);
    }

    #[test]
    fn what_cannot_be_read_and_what_does_not_fit_are_told_together() {
        let found = faults(|shop| {
            shop.time_zone = "Mars/Olympus".into();
            shop.calendars[0].shifts[0].days.push(9);
            shop.holidays.push(v1::Holiday { date: "2031-02-30".into(), ..Default::default() });
        });
        assert_eq!(
            found,
            [
                "calendars[0].shifts[0].days[1]: is no day of the week",
                "holidays[0].date: \"2031-02-30\" is no date; use YYYY-MM-DD, such as \"2031-05-04\"",
                "time_zone: time zone \"Mars/Olympus\" is not known; use an IANA name such as \"America/Chicago\"",
            ]
        );
    }

    #[test]
    fn times_of_day_are_written_in_one_way() {
        let check = |text: &str, expected: Option<u16>| {
            let (value, faults) = collect(|at| time_of_day(text, 0, at));
            assert_eq!(faults.is_empty().then_some(value), expected, "{text:?}");
        };
        check("00:00", Some(0));
        check("07:30", Some(450));
        check("24:00", Some(1440));
        for odd in ["24:01", "7:30", "07:60", "0730", "07:30:00", "+7:30", "-1:00", "", "07:3o", "７:30"] {
            check(odd, None);
        }
    }

    #[test]
    fn dates_are_written_in_one_way() {
        let check = |text: &str, valid| {
            let (_, faults) = collect(|at| date(text, at));
            assert_eq!(faults.is_empty(), valid, "{text:?}");
        };
        check("2031-05-04", true);
        check("2032-02-29", true);
        for odd in ["2031-02-29", "2031-5-4", "20310504", "2031-05-04T00", "", "05/04/2031"] {
            check(odd, false);
        }
    }

    #[test]
    fn negative_numbers_and_missing_periods_are_faults() {
        let found = faults(|shop| {
            shop.equipment.push(v1::Equipment {
                id: "frame".into(),
                count: -1,
                outages: vec![v1::Outage { period: None, count: 1 }],
                ..Default::default()
            });
            shop.settings = Some(v1::PlanningSettings { horizon_days: Some(-7), ..Default::default() });
        });
        assert_eq!(
            found,
            [
                "equipment[0].count: must not be negative, and is -1",
                "equipment[0].outages[0].period: is required",
                "settings.horizon_days: must not be negative, and is -7",
            ]
        );
    }
}
