//! What makes the facts of a shop hold together.

use std::collections::HashSet;

use crate::fault::Faults;
use crate::shop::{DayWindow, EquipmentOutage, Period, PlanningSettings, ShopFacts, ShopTechnician, WeekCalendar};

/// So many of anything in one shop or order are accepted; more is a mistake, not a shop.
pub const MOST: usize = 1000;

/// Returns everything that is wrong with `facts`, but for the time zone.
pub fn faults(facts: &ShopFacts) -> Faults {
    let mut faults = Faults::new();
    check_sizes(&mut faults, facts);
    if !faults.is_empty() {
        return faults;
    }
    check_name(&mut faults, "display_name", &facts.display_name, true);
    check_ids(&mut faults, "skills", "", facts.skills.iter().map(String::as_str));
    check_ids(&mut faults, "calendars", ".id", facts.calendars.iter().map(|calendar| calendar.id.as_str()));
    check_ids(&mut faults, "bays", ".id", facts.bays.iter().map(|bay| bay.id.as_str()));
    check_ids(&mut faults, "equipment", ".id", facts.equipment.iter().map(|equipment| equipment.id.as_str()));
    check_ids(&mut faults, "technicians", ".id", facts.technicians.iter().map(|technician| technician.id.as_str()));
    for (index, calendar) in facts.calendars.iter().enumerate() {
        check_calendar(&mut faults, &format!("calendars[{index}]"), calendar);
    }
    let mut dates = HashSet::new();
    for (index, holiday) in facts.holidays.iter().enumerate() {
        if !dates.insert(holiday.date) {
            faults.add(format!("holidays[{index}].date"), format!("{} is a holiday already", holiday.date));
        }
        check_name(&mut faults, &format!("holidays[{index}].display_name"), &holiday.display_name, false);
    }
    for (index, bay) in facts.bays.iter().enumerate() {
        let path = format!("bays[{index}]");
        check_name(&mut faults, &format!("{path}.display_name"), &bay.display_name, false);
        if bay.classes.is_empty() {
            faults.add(format!("{path}.classes"), format!("bay {:?} has no class; name at least one", bay.id));
        }
        check_ids(&mut faults, &format!("{path}.classes"), "", bay.classes.iter().map(String::as_str));
        check_periods(&mut faults, &format!("{path}.downtime"), &bay.downtime);
    }
    for (index, equipment) in facts.equipment.iter().enumerate() {
        let path = format!("equipment[{index}]");
        check_name(&mut faults, &format!("{path}.display_name"), &equipment.display_name, false);
        if !(1..=MOST as u32).contains(&equipment.count) {
            faults.add(format!("{path}.count"), format!("{} pieces; there are 1 to {MOST}", equipment.count));
        }
        check_outages(&mut faults, &path, equipment.count, &equipment.outages);
    }
    for (index, technician) in facts.technicians.iter().enumerate() {
        check_technician(&mut faults, &format!("technicians[{index}]"), technician, facts);
    }
    let mut pairs = HashSet::new();
    for (index, changeover) in facts.changeovers.iter().enumerate() {
        let path = format!("changeovers[{index}]");
        check_id(&mut faults, &format!("{path}.from_family"), &changeover.from_family);
        check_id(&mut faults, &format!("{path}.to_family"), &changeover.to_family);
        if !pairs.insert((&changeover.from_family, &changeover.to_family)) {
            faults.add(path.clone(), "there is a changeover between these families already");
        }
        if changeover.minutes > 1440 {
            faults.add(format!("{path}.minutes"), format!("{} minutes; at most a day, 1440", changeover.minutes));
        }
    }
    check_settings(&mut faults, &facts.settings);
    faults
}

/// Notes lists that are out of all reason, and tells whether there is one: then what is in it is not looked at, since each
/// entry is held against others, and nothing would be said that its size has not said.
pub fn check_size(faults: &mut Faults, path: impl Into<String>, count: usize) -> bool {
    let too_many = count > MOST;
    if too_many {
        faults.add(path, format!("{count} entries; at most {MOST}"));
    }
    too_many
}

fn check_sizes(faults: &mut Faults, facts: &ShopFacts) {
    let lists = [
        ("skills", facts.skills.len()),
        ("calendars", facts.calendars.len()),
        ("holidays", facts.holidays.len()),
        ("bays", facts.bays.len()),
        ("equipment", facts.equipment.len()),
        ("technicians", facts.technicians.len()),
        ("changeovers", facts.changeovers.len()),
    ];
    if lists.into_iter().fold(false, |any, (path, count)| check_size(faults, path, count) || any) {
        return;
    }
    for (index, calendar) in facts.calendars.iter().enumerate() {
        check_size(faults, format!("calendars[{index}].shifts"), calendar.shifts.len());
        check_size(faults, format!("calendars[{index}].exceptions"), calendar.exceptions.len());
        for (number, shift) in calendar.shifts.iter().enumerate() {
            check_size(faults, format!("calendars[{index}].shifts[{number}].days"), shift.days.len());
            check_size(faults, format!("calendars[{index}].shifts[{number}].breaks"), shift.breaks.len());
        }
        for (number, exception) in calendar.exceptions.iter().enumerate() {
            check_size(faults, format!("calendars[{index}].exceptions[{number}].open"), exception.open.len());
        }
    }
    for (index, bay) in facts.bays.iter().enumerate() {
        check_size(faults, format!("bays[{index}].classes"), bay.classes.len());
        check_size(faults, format!("bays[{index}].downtime"), bay.downtime.len());
    }
    for (index, equipment) in facts.equipment.iter().enumerate() {
        check_size(faults, format!("equipment[{index}].outages"), equipment.outages.len());
    }
    for (index, technician) in facts.technicians.iter().enumerate() {
        check_size(faults, format!("technicians[{index}].skills"), technician.skills.len());
        check_size(faults, format!("technicians[{index}].absences"), technician.absences.len());
        check_size(faults, format!("technicians[{index}].overtime"), technician.overtime.len());
    }
}

/// Notes an id that is not 1 to 63 lower-case letters, digits and inner hyphens (RFC 1034 labels, a digit may be first).
pub fn check_id(faults: &mut Faults, path: &str, id: &str) {
    let inner = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if id.is_empty() || id.len() > 63 || !id.chars().all(inner) || id.starts_with('-') || id.ends_with('-') {
        faults.add(path, format!("{id:?} is not an id: use 1 to 63 lower-case letters, digits and inner hyphens"));
    }
}

/// Notes ids that are no ids, and those that are not the first of their kind.
pub fn check_ids<'a>(faults: &mut Faults, path: &str, field: &str, ids: impl Iterator<Item = &'a str>) {
    let mut seen = HashSet::new();
    for (index, id) in ids.enumerate() {
        let path = format!("{path}[{index}]{field}");
        check_id(faults, &path, id);
        if !seen.insert(id) {
            faults.add(path, format!("{id:?} stands there twice"));
        }
    }
}

/// Notes a text that is too long, has control characters, or is missing although required.
pub fn check_name(faults: &mut Faults, path: &str, text: &str, required: bool) {
    if required && text.trim().is_empty() {
        faults.add(path, "is missing");
    }
    if text.chars().count() > 500 || text.chars().any(|c| c.is_control() && c != '\n') {
        faults.add(path, "at most 500 characters, and no control characters");
    }
}

fn check_calendar(faults: &mut Faults, path: &str, calendar: &WeekCalendar) {
    let mut by_day: Vec<(i8, DayWindow)> = Vec::new();
    for (index, shift) in calendar.shifts.iter().enumerate() {
        let path = format!("{path}.shifts[{index}]");
        if shift.days.is_empty() {
            faults.add(format!("{path}.days"), "a shift has at least one day");
        }
        check_windows(faults, &format!("{path}.window"), &[shift.window]);
        check_windows(faults, &format!("{path}.breaks"), &shift.breaks);
        for pause in &shift.breaks {
            if pause.start_minute < shift.window.start_minute || shift.window.end_minute < pause.end_minute {
                faults.add(format!("{path}.breaks"), format!("break {} lies outside the shift", show(*pause)));
            }
        }
        for day in &shift.days {
            let other = by_day.iter().find(|(number, window)| {
                *number == day.to_monday_one_offset()
                    && window.start_minute < shift.window.end_minute
                    && shift.window.start_minute < window.end_minute
            });
            if let Some((_, other)) = other {
                let message = format!("overlaps the shift {} on {day:?}; join the two or shorten one", show(*other));
                faults.add(format!("{path}.window"), message);
            }
            by_day.push((day.to_monday_one_offset(), shift.window));
        }
    }
    for (index, exception) in calendar.exceptions.iter().enumerate() {
        let path = format!("{path}.exceptions[{index}]");
        if exception.start_date >= exception.end_date {
            let message = format!("ends on {}, before it starts; name the date after the last", exception.end_date);
            faults.add(format!("{path}.end_date"), message);
        }
        let earlier = &calendar.exceptions[..index];
        if earlier.iter().any(|e| e.start_date < exception.end_date && exception.start_date < e.end_date) {
            faults.add(format!("{path}.start_date"), "overlaps an earlier exception of this calendar");
        }
        check_windows(faults, &format!("{path}.open"), &exception.open);
        check_name(faults, &format!("{path}.note"), &exception.note, false);
    }
}

fn check_windows(faults: &mut Faults, path: &str, windows: &[DayWindow]) {
    for (index, window) in windows.iter().enumerate() {
        if window.start_minute >= window.end_minute || window.end_minute > 1440 {
            faults.add(path, format!("{} does not end after it starts, or ends after 24:00", show(*window)));
        }
        let overlaps =
            |other: &&DayWindow| other.start_minute < window.end_minute && window.start_minute < other.end_minute;
        if let Some(other) = windows[..index].iter().find(overlaps) {
            faults.add(path, format!("{} overlaps {}", show(*window), show(*other)));
        }
    }
}

fn show(window: DayWindow) -> String {
    let time = |minute: u16| format!("{:02}:{:02}", minute / 60, minute % 60);
    format!("{}-{}", time(window.start_minute), time(window.end_minute))
}

fn check_periods(faults: &mut Faults, path: &str, periods: &[Period]) {
    for (index, period) in periods.iter().enumerate() {
        check_period(faults, &format!("{path}[{index}]"), period);
    }
}

fn check_period(faults: &mut Faults, path: &str, period: &Period) {
    if period.start_time >= period.end_time {
        faults.add(format!("{path}.end_time"), format!("{} is not after its start", period.end_time));
    }
    check_name(faults, &format!("{path}.note"), &period.note, false);
}

fn check_outages(faults: &mut Faults, path: &str, count: u32, outages: &[EquipmentOutage]) {
    for (index, outage) in outages.iter().enumerate() {
        let path = format!("{path}.outages[{index}]");
        check_period(faults, &format!("{path}.period"), &outage.period);
        // The peak of overlapping outages lies at the start of one of them.
        let at_start = outages.iter().filter(|other| {
            other.period.start_time <= outage.period.start_time && outage.period.start_time < other.period.end_time
        });
        let out: u64 = at_start.map(|other| u64::from(other.count)).sum();
        if outage.count == 0 || out > u64::from(count) {
            faults.add(format!("{path}.count"), format!("{out} out of service at its start; there are {count}"));
        }
    }
}

fn check_technician(faults: &mut Faults, path: &str, technician: &ShopTechnician, facts: &ShopFacts) {
    check_name(faults, &format!("{path}.display_name"), &technician.display_name, false);
    if !facts.calendars.iter().any(|calendar| calendar.id == technician.calendar) {
        let known: Vec<&str> = facts.calendars.iter().map(|calendar| calendar.id.as_str()).collect();
        let message = format!("no calendar {:?}; there are: {}", technician.calendar, known.join(", "));
        faults.add(format!("{path}.calendar"), message);
    }
    let mut seen = HashSet::new();
    for (index, skill) in technician.skills.iter().enumerate() {
        let path = format!("{path}.skills[{index}]");
        if !facts.skills.contains(&skill.skill) {
            let message = format!("no skill {:?}; there are: {}", skill.skill, facts.skills.join(", "));
            faults.add(format!("{path}.skill"), message);
        }
        if !seen.insert(&skill.skill) {
            faults.add(format!("{path}.skill"), format!("{:?} stands there twice", skill.skill));
        }
        if !(10..=1000).contains(&skill.efficiency_percent) {
            let message = format!("{} percent; 10 to 1000", skill.efficiency_percent);
            faults.add(format!("{path}.efficiency_percent"), message);
        }
    }
    check_periods(faults, &format!("{path}.absences"), &technician.absences);
    check_periods(faults, &format!("{path}.overtime"), &technician.overtime);
}

fn check_settings(faults: &mut Faults, settings: &PlanningSettings) {
    if ![1, 5, 10, 15, 30].contains(&settings.grid_minutes()) {
        faults.add("settings.grid_minutes", format!("{}; 1, 5, 10, 15 or 30", settings.grid_minutes()));
    }
    if !(1..=366).contains(&settings.horizon_days()) {
        faults.add("settings.horizon_days", format!("{} days; 1 to 366", settings.horizon_days()));
    }
    let weights = [
        ("late_weight", settings.late_weight()),
        ("flow_weight", settings.flow_weight()),
        ("overtime_weight", settings.overtime_weight()),
        ("person_change_price", settings.person_change_price()),
        ("bay_change_price", settings.bay_change_price()),
        ("day_change_price", settings.day_change_price()),
        ("soon_factor", settings.soon_factor()),
        ("same_person_price", settings.same_person_price()),
        ("outside_weight", settings.outside_weight()),
    ];
    for (name, weight) in weights {
        if weight > 1_000_000 {
            faults.add(format!("settings.{name}"), format!("{weight}; at most 1000000"));
        }
    }
    let percents = [
        ("work_low_percent", settings.work_low_percent(), 0..=100),
        ("work_high_percent", settings.work_high_percent(), 100..=1000),
        ("late_part_percent", settings.late_part_percent(), 0..=100),
        ("late_part_days", settings.late_part_days(), 1..=60),
        ("late_approval_percent", settings.late_approval_percent(), 0..=100),
        ("hidden_damage_percent", settings.hidden_damage_percent(), 0..=100),
        ("hidden_work_percent", settings.hidden_work_percent(), 0..=1000),
        ("failed_check_percent", settings.failed_check_percent(), 0..=100),
        ("rework_percent", settings.rework_percent(), 0..=1000),
        ("absence_percent", settings.absence_percent(), 0..=100),
        ("learned_percent", settings.learned_percent(), 0..=100),
    ];
    for (name, percent, range) in percents {
        if !range.contains(&percent) {
            faults.add(format!("settings.{name}"), format!("{percent}; {} to {}", range.start(), range.end()));
        }
    }
    if settings.freeze_minutes() > 14 * 1440 {
        faults.add("settings.freeze_minutes", format!("{}; at most two weeks, 20160", settings.freeze_minutes()));
    }
}
