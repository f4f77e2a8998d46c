//! Prints messages back as files. Reading what is printed gives the same message.

use fitup_proto::v1;
use jiff::tz::TimeZone;

use super::order::{hazard_name, supply_name};
use super::text::{
    from_proto, minutes, write_exception, write_hours, write_instant, write_link, write_period, write_shift,
};

/// A table being written; keys without a value are left out.
struct Writer<'z> {
    text: String,
    zone: &'z TimeZone,
}

impl Writer<'_> {
    fn header(&mut self, header: &str) {
        if !self.text.is_empty() {
            self.text.push('\n');
        }
        self.line(header);
    }

    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    fn text(&mut self, key: &str, value: &str) {
        if !value.is_empty() {
            self.line(&format!("{key} = {}", quote(value)));
        }
    }

    fn integer(&mut self, key: &str, value: Option<i32>) {
        if let Some(value) = value {
            self.line(&format!("{key} = {value}"));
        }
    }

    fn flag(&mut self, key: &str, value: bool) {
        if value {
            self.line(&format!("{key} = true"));
        }
    }

    fn instant(&mut self, key: &str, value: Option<&prost_types::Timestamp>) {
        if let Some(instant) = from_proto(value) {
            let text = write_instant(instant, self.zone);
            self.text(key, &text);
        }
    }

    fn list(&mut self, key: &str, values: impl IntoIterator<Item = String>) {
        let values: Vec<String> = values.into_iter().collect();
        if !values.is_empty() {
            self.line(&format!("{key} = {}", list(&values)));
        }
    }

    fn periods(&mut self, key: &str, periods: &[v1::Period]) {
        let zone = self.zone;
        self.list(key, periods.iter().map(|period| write_period(period, zone)));
    }

    fn work(&mut self, hours: &str, minutes_key: &str, work: Option<&prost_types::Duration>) {
        if let Some(work) = work {
            self.line(&in_hours_or_minutes(hours, minutes_key, minutes(work)));
        }
    }
}

/// Returns a text in the quotes and escapes of TOML.
fn quote(text: &str) -> String {
    toml_edit::Value::from(text).to_string()
}

/// Returns a list on one line if it is short, else one entry a line.
fn list(values: &[String]) -> String {
    let quoted: Vec<String> = values.iter().map(|value| quote(value)).collect();
    let line = format!("[{}]", quoted.join(", "));
    if line.len() <= 90 || values.len() == 1 { line } else { format!("[\n  {},\n]", quoted.join(",\n  ")) }
}

fn in_hours_or_minutes(hours: &str, minutes_key: &str, minutes: i64) -> String {
    match write_hours(minutes) {
        Some(text) if minutes >= 60 => format!("{hours} = {text}"),
        _ => format!("{minutes_key} = {minutes}"),
    }
}

/// Returns the file of a shop.
pub fn write_shop(id: &str, shop: &v1::Shop) -> String {
    let zone = TimeZone::get(&shop.time_zone).unwrap_or(TimeZone::UTC);
    let mut out = Writer { text: String::new(), zone: &zone };
    out.header("[shop]");
    out.text("id", id);
    out.text("name", &shop.display_name);
    out.text("time_zone", &shop.time_zone);
    out.list("skills", shop.skills.clone());
    for calendar in &shop.calendars {
        out.header(&format!("[calendar.{}]", toml_edit::Key::new(&calendar.id)));
        out.list("week", calendar.shifts.iter().map(write_shift));
        out.list("except", calendar.exceptions.iter().map(write_exception));
    }
    for holiday in &shop.holidays {
        out.header("[[holiday]]");
        out.text("date", &holiday.date);
        out.text("name", &holiday.display_name);
    }
    for bay in &shop.bays {
        out.header("[[bay]]");
        out.text("id", &bay.id);
        out.text("name", &bay.display_name);
        out.list("classes", bay.classes.clone());
        out.periods("down", &bay.downtime);
    }
    for equipment in &shop.equipment {
        out.header("[[equipment]]");
        out.text("id", &equipment.id);
        out.text("name", &equipment.display_name);
        out.integer("count", Some(equipment.count));
        let outages = equipment.outages.iter().map(|outage| {
            let period = outage.period.as_ref().map(|period| write_period(period, &zone)).unwrap_or_default();
            format!("{} of {period}", outage.count)
        });
        out.list("out", outages);
    }
    for technician in &shop.technicians {
        out.header("[[technician]]");
        out.text("id", &technician.id);
        out.text("name", &technician.display_name);
        out.text("calendar", &technician.calendar);
        skills(&mut out, &technician.skills);
        out.periods("away", &technician.absences);
        out.periods("overtime", &technician.overtime);
    }
    for changeover in &shop.changeovers {
        out.header("[[changeover]]");
        out.text("from", &changeover.from_family);
        out.text("to", &changeover.to_family);
        out.integer("minutes", Some(changeover.minutes));
    }
    if let Some(settings) = &shop.settings {
        self::settings(&mut out, settings);
    }
    out.text
}

fn skills(out: &mut Writer<'_>, skills: &[v1::TechnicianSkill]) {
    let percent =
        |skill: &v1::TechnicianSkill| if skill.efficiency_percent == 0 { 100 } else { skill.efficiency_percent };
    if skills.iter().all(|skill| percent(skill) == 100) {
        out.list("skills", skills.iter().map(|skill| skill.skill.clone()));
    } else {
        let entry = |skill: &v1::TechnicianSkill| format!("{} = {}", toml_edit::Key::new(&skill.skill), percent(skill));
        out.line(&format!("skills = {{ {} }}", skills.iter().map(entry).collect::<Vec<_>>().join(", ")));
    }
}

fn settings(out: &mut Writer<'_>, settings: &v1::PlanningSettings) {
    if *settings == v1::PlanningSettings::default() {
        return;
    }
    out.header("[settings]");
    out.integer("grid_minutes", settings.grid_minutes);
    out.integer("horizon_days", settings.horizon_days);
    out.integer("late_weight", settings.late_weight);
    out.integer("flow_weight", settings.flow_weight);
    out.integer("overtime_weight", settings.overtime_weight);
    out.integer("freeze_minutes", settings.freeze_minutes);
    out.integer("person_change_price", settings.person_change_price);
    out.integer("bay_change_price", settings.bay_change_price);
    out.integer("day_change_price", settings.day_change_price);
    out.integer("soon_factor", settings.soon_factor);
    out.integer("same_person_price", settings.same_person_price);
    out.integer("outside_limit", settings.outside_limit);
    out.integer("outside_weight", settings.outside_weight);
    out.integer("work_low_percent", settings.work_low_percent);
    out.integer("work_high_percent", settings.work_high_percent);
    out.integer("late_part_percent", settings.late_part_percent);
    out.integer("late_part_days", settings.late_part_days);
    out.integer("late_approval_percent", settings.late_approval_percent);
    out.integer("hidden_damage_percent", settings.hidden_damage_percent);
    out.integer("hidden_work_percent", settings.hidden_work_percent);
    out.integer("failed_check_percent", settings.failed_check_percent);
    out.integer("rework_percent", settings.rework_percent);
    out.integer("absence_percent", settings.absence_percent);
    out.integer("learned_percent", settings.learned_percent);
}

/// Returns the file of one order, with times local to `zone`.
pub fn write_order(id: &str, order: &v1::Order, zone: &TimeZone) -> String {
    let mut out = Writer { text: String::new(), zone };
    out.header("[[order]]");
    out.text("id", id);
    out.text("vehicle", &order.vehicle);
    out.text("note", &order.note);
    out.instant("arrival", order.arrival_time.as_ref());
    out.flag("arrived", order.arrived);
    out.instant("promise", order.promise_time.as_ref());
    out.integer("late_weight", order.late_weight);
    out.integer("flow_weight", order.flow_weight);
    for visit in &order.visits {
        out.header("[[order.visit]]");
        out.text("id", &visit.id);
        out.text("class", &visit.bay_class);
        out.text("family", &visit.family);
        out.text("bay", &visit.bay);
        out.flag("loose_parts", visit.loose_parts);
    }
    for operation in &order.operations {
        let links = order.links.iter().filter(|link| link.to == operation.id);
        self::operation(&mut out, operation, links);
    }
    for part in &order.parts {
        out.header("[[order.part]]");
        out.text("id", &part.id);
        out.text("name", &part.display_name);
        out.instant("expected", part.expected_time.as_ref());
        out.flag("received", part.received);
        if part.supply_state() != v1::SupplyState::Unspecified {
            out.text("heard", &supply_name(part.supply_state()));
        }
        out.integer("sure_percent", (part.confidence_percent > 0).then_some(part.confidence_percent));
    }
    for approval in &order.approvals {
        out.header("[[order.approval]]");
        out.text("id", &approval.id);
        out.text("name", &approval.display_name);
        out.instant("expected", approval.expected_time.as_ref());
        out.flag("granted", approval.granted);
    }
    out.text
}

fn operation<'l>(out: &mut Writer<'_>, operation: &v1::Operation, links: impl Iterator<Item = &'l v1::Link>) {
    out.header("[[order.operation]]");
    out.text("id", &operation.id);
    out.text("name", &operation.display_name);
    out.work("hours", "minutes", operation.work.as_ref());
    out.work("low_hours", "low_minutes", operation.low_work.as_ref());
    out.work("high_hours", "high_minutes", operation.high_work.as_ref());
    out.list("crew", operation.crew.clone());
    out.flag("unattended", operation.crew.is_empty());
    out.text("visit", &operation.visit);
    let uses = operation.equipment.iter().map(|need| match need.count {
        0 | 1 => need.equipment.clone(),
        count => format!("{} x {count}", need.equipment),
    });
    out.list("uses", uses);
    out.flag("stops_at_closing", operation.interruptible);
    out.list("after", links.map(write_link));
    out.list("needs", operation.needs.clone());
    out.instant("not_before", operation.earliest_start_time.as_ref());
    if let Some(same) = &operation.same_person {
        out.text("same_person", &same.operation);
        out.flag("same_person_required", same.required);
    }
    let hazards = operation.hazards.iter().filter_map(|&hazard| v1::Hazard::try_from(hazard).ok());
    out.list("hazards", hazards.map(hazard_name));
    if let Some(hold) = &operation.hold_point {
        let mut entries = vec![format!("rework = {}", list(&hold.rework))];
        if !hold.measure.is_empty() {
            entries.push(format!("measure = {}", quote(&hold.measure)));
        }
        out.line(&format!("hold_point = {{ {} }}", entries.join(", ")));
    }
    if let Some(pin) = &operation.pin {
        let mut entries = Vec::new();
        if !pin.technicians.is_empty() {
            entries.push(format!("technicians = {}", list(&pin.technicians)));
        }
        entries.extend(time_entry("start", pin.start_time.as_ref(), out.zone));
        out.line(&format!("pin = {{ {} }}", entries.join(", ")));
    }
    if let Some(progress) = &operation.progress {
        self::progress(out, progress);
    }
}

fn progress(out: &mut Writer<'_>, progress: &v1::Progress) {
    let key = match progress.state() {
        v1::progress::State::Done => "done",
        v1::progress::State::Running => "running",
        v1::progress::State::Paused => "paused",
        v1::progress::State::Unspecified => return,
    };
    let mut entries = Vec::new();
    entries.extend(time_entry("start", progress.start_time.as_ref(), out.zone));
    entries.extend(time_entry("end", progress.end_time.as_ref(), out.zone));
    if !progress.technicians.is_empty() {
        entries.push(format!("technicians = {}", list(&progress.technicians)));
    }
    if let Some(left) = &progress.remaining_work {
        entries.push(in_hours_or_minutes("hours_left", "minutes_left", minutes(left)));
    }
    entries.extend(time_entry("since", progress.remaining_time.as_ref(), out.zone));
    entries.extend(time_entry("at", progress.pause_time.as_ref(), out.zone));
    if !progress.pause_reason.is_empty() {
        entries.push(format!("reason = {}", quote(&progress.pause_reason)));
    }
    out.line(&format!("{key} = {{ {} }}", entries.join(", ")));
}

fn time_entry(key: &str, time: Option<&prost_types::Timestamp>, zone: &TimeZone) -> Option<String> {
    from_proto(time).map(|instant| format!("{key} = {}", quote(&write_instant(instant, zone))))
}
