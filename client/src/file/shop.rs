//! The file of a shop.
//!
//! ```toml
#![doc = include_str!("../../examples/shop.toml")]
//! ```
//!
//! Reading turns it into the message that is sent, printing ([`super::write`]) turns the message back; times are local to
//! the shop. The grammars of the strings are those of [`super::text`].
//!
//! | table | keys |
//! | --- | --- |
//! | `[shop]` | `id`, `name`, `time_zone`, `skills` |
//! | `[calendar.NAME]` | `week` (lines of a week), `except` (days that differ) |
//! | `[[holiday]]` | `date`, `name`: closed for everybody |
//! | `[[bay]]` | `id`, `name`, `classes`, `down` (intervals) |
//! | `[[equipment]]` | `id`, `name`, `count`, `out` (`"1 of 2031-05-06 08:00 .. 12:00"`) |
//! | `[[technician]]` | `id`, `name`, `calendar`, `skills` (a list, or `{ skill = percent }`), `away`, `overtime` (intervals) |
//! | `[[changeover]]` | `from`, `to` (families of visits), `minutes` |
//! | `[settings]` | the fields of `PlanningSettings` by their names; one that is not there has its default |

use fitup_proto::v1;
use jiff::tz::TimeZone;

use super::read::{Reader, Table};
use super::{Fault, Places, Source, text};

/// A shop as its file says.
#[derive(Debug, Clone, PartialEq)]
pub struct ShopFile {
    /// Its id; empty if the file does not say.
    pub id: String,
    /// The message to send.
    pub shop: v1::Shop,
    /// Where its fields stand in the file.
    pub places: Places,
    /// What is wrong, by place. What is faulty is missing in the message.
    pub faults: Vec<Fault>,
}

/// Reads a shop, with all that is wrong with it.
pub fn read_shop(source: &Source) -> ShopFile {
    let zone = zone_of(source).unwrap_or(TimeZone::UTC);
    let reader = Reader::new(source, zone);
    let Some(document) = reader.parse() else {
        let faults = reader.take_faults();
        return ShopFile { id: String::new(), shop: v1::Shop::default(), places: Places::default(), faults };
    };
    let root = Table::root(&reader, &document);
    let mut shop = v1::Shop::default();
    let id = match root.table("shop", "") {
        Some(table) => head(table.as_message(), &mut shop),
        None => {
            root.missing("shop", "");
            String::new()
        }
    };
    shop.calendars = root.named_tables("calendar", "calendars").into_iter().map(calendar).collect();
    shop.holidays = root.tables("holiday", "holidays").into_iter().map(holiday).collect();
    shop.bays = root.tables("bay", "bays").into_iter().map(bay).collect();
    shop.equipment = root.tables("equipment", "equipment").into_iter().map(equipment).collect();
    shop.technicians = root.tables("technician", "technicians").into_iter().map(technician).collect();
    shop.changeovers = root.tables("changeover", "changeovers").into_iter().map(changeover).collect();
    // Always sent, so that a setting taken out of the file goes back to its default.
    shop.settings = Some(root.table("settings", "settings").map(settings).unwrap_or_default());
    root.finish();
    ShopFile { id, shop, places: reader.take_places(), faults: reader.take_faults() }
}

/// Returns the zone that the file names, so that its times can be read with it.
fn zone_of(source: &Source) -> Option<TimeZone> {
    let document = toml_edit::Document::parse(source.text.as_str()).ok()?;
    TimeZone::get(document.get("shop")?.get("time_zone")?.as_str()?).ok()
}

fn head(table: Table<'_>, shop: &mut v1::Shop) -> String {
    let id = table.text("id", "").unwrap_or_default();
    shop.display_name = table.required_text("name", "display_name");
    shop.time_zone = table.required_text("time_zone", "time_zone");
    if let Some(found) = table.item("time_zone", "time_zone")
        && !shop.time_zone.is_empty()
        && TimeZone::get(&shop.time_zone).is_err()
    {
        let message = format!("unknown time zone {:?}; a name such as America/Chicago is wanted", shop.time_zone);
        table.fault(found.offset, "time_zone", message);
    }
    shop.skills = table.names("skills", "skills");
    table.finish();
    id
}

fn calendar((id, table): (String, Table<'_>)) -> v1::Calendar {
    let shifts = table.parsed_list("week", "shifts", text::shift);
    let exceptions = table.parsed_list("except", "exceptions", text::exception);
    table.finish();
    v1::Calendar { id, shifts, exceptions }
}

fn holiday(table: Table<'_>) -> v1::Holiday {
    if !table.has("date") {
        table.missing("date", "date");
    }
    let date = table.parsed("date", "date", |text, _| text::date(text)).map(|date| date.to_string());
    let display_name = table.text("name", "display_name").unwrap_or_default();
    table.finish();
    v1::Holiday { date: date.unwrap_or_default(), display_name }
}

fn bay(table: Table<'_>) -> v1::Bay {
    let bay = v1::Bay {
        id: table.required_text("id", "id"),
        display_name: table.text("name", "display_name").unwrap_or_default(),
        classes: table.names("classes", "classes"),
        downtime: table.parsed_list("down", "downtime", text::period),
    };
    table.finish();
    bay
}

fn equipment(table: Table<'_>) -> v1::Equipment {
    let equipment = v1::Equipment {
        id: table.required_text("id", "id"),
        display_name: table.text("name", "display_name").unwrap_or_default(),
        count: table.integer("count", "count").unwrap_or(1),
        outages: table.parsed_list("out", "outages", outage),
    };
    table.finish();
    equipment
}

/// Parses `2 of 2031-05-06 08:00 .. 12:00 (calibration)`.
fn outage(text: &str, zone: &TimeZone) -> Result<v1::Outage, String> {
    let wrong = || format!("\"{text}\" is not like \"1 of 2031-05-06 08:00 .. 12:00\"");
    let (count, period) = text.split_once(" of ").ok_or_else(wrong)?;
    let count = count.trim().parse().map_err(|_| wrong())?;
    Ok(v1::Outage { period: Some(text::period(period, zone)?), count })
}

fn technician(table: Table<'_>) -> v1::Technician {
    let technician = v1::Technician {
        id: table.required_text("id", "id"),
        display_name: table.text("name", "display_name").unwrap_or_default(),
        calendar: table.required_text("calendar", "calendar"),
        skills: skills(&table),
        absences: table.parsed_list("away", "absences", text::period),
        overtime: table.parsed_list("overtime", "overtime", text::period),
    };
    table.finish();
    technician
}

/// Reads `["body", "paint"]`, or with an efficiency in percent `{ body = 110, paint = 90 }`.
fn skills(table: &Table<'_>) -> Vec<v1::TechnicianSkill> {
    let is_list = table.item("skills", "skills").is_some_and(|found| !found.value.is_inline_table());
    let mut skills = Vec::new();
    if is_list {
        for text in table.texts("skills", "skills") {
            table.note(&format!("skills[{}]", skills.len()), text.offset, "skills");
            skills.push(v1::TechnicianSkill { skill: text.value, efficiency_percent: 100 });
        }
    } else if let Some(entries) = table.table("skills", "skills") {
        for (skill, found) in entries.entries() {
            let field = format!("skills[{}]", skills.len());
            table.note(&field, found.offset, "skills");
            let percent = found.value.as_integer().and_then(|percent| i32::try_from(percent).ok());
            if percent.is_none() {
                let message = format!("the efficiency in {skill} must be a whole number of percent, such as 110");
                table.fault(found.offset, &field, message);
            }
            skills.push(v1::TechnicianSkill { skill, efficiency_percent: percent.unwrap_or(100) });
        }
    }
    skills
}

fn changeover(table: Table<'_>) -> v1::Changeover {
    let changeover = v1::Changeover {
        from_family: table.required_text("from", "from_family"),
        to_family: table.required_text("to", "to_family"),
        minutes: table.integer("minutes", "minutes").unwrap_or_default(),
    };
    if !table.has("minutes") {
        table.missing("minutes", "minutes");
    }
    table.finish();
    changeover
}

fn settings(table: Table<'_>) -> v1::PlanningSettings {
    let setting = |key: &'static str| table.integer(key, key);
    let settings = v1::PlanningSettings {
        grid_minutes: setting("grid_minutes"),
        horizon_days: setting("horizon_days"),
        late_weight: setting("late_weight"),
        flow_weight: setting("flow_weight"),
        overtime_weight: setting("overtime_weight"),
        freeze_minutes: setting("freeze_minutes"),
        person_change_price: setting("person_change_price"),
        bay_change_price: setting("bay_change_price"),
        day_change_price: setting("day_change_price"),
        soon_factor: setting("soon_factor"),
        same_person_price: setting("same_person_price"),
        outside_limit: setting("outside_limit"),
        outside_weight: setting("outside_weight"),
        work_low_percent: setting("work_low_percent"),
        work_high_percent: setting("work_high_percent"),
        late_part_percent: setting("late_part_percent"),
        late_part_days: setting("late_part_days"),
        late_approval_percent: setting("late_approval_percent"),
        hidden_damage_percent: setting("hidden_damage_percent"),
        hidden_work_percent: setting("hidden_work_percent"),
        failed_check_percent: setting("failed_check_percent"),
        rework_percent: setting("rework_percent"),
        absence_percent: setting("absence_percent"),
        learned_percent: setting("learned_percent"),
    };
    table.finish();
    settings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::file::write::write_shop;

    fn read(text: &str) -> ShopFile {
        read_shop(&Source { name: "shop.toml".into(), text: text.into() })
    }

    fn check_faults(text: &str, expected: &[&str]) {
        let faults: Vec<String> = read(text).faults.iter().map(ToString::to_string).collect();
        assert_eq!(faults, expected, "{text}");
    }

    #[test]
    fn the_example_comes_back_as_it_was() {
        let example = read(include_str!("../../examples/shop.toml"));
        assert_eq!(example.faults, []);
        let again = read(&write_shop(&example.id, &example.shop));
        assert_eq!(again.faults, []);
        assert_eq!((again.id, again.shop), (example.id, example.shop));
    }

    #[test]
    fn tells_all_faults_with_their_lines() {
        check_faults(
            r#"
[shop]
name = "Riverside"
time_zone = "America/Chicgo"
skils = ["body"]

[calendar.day]
week = ["Mon-Fri 08:00-17:00", "Sat 8-12"]

[[bay]]
id = "rack-1"
clases = ["rack"]
down = ["2031-05-06 12:00 .. 08:00"]

[[technician]]
id = "ines"
calendar = 7
skills = { body = "good" }

[[helper]]
id = "x"
"#,
            &[
                "shop.toml:4:13: `shop`: unknown time zone \"America/Chicgo\"; a name such as America/Chicago is wanted",
                "shop.toml:5:1: `shop`: unknown key `skils`; did you mean `skills`?",
                "shop.toml:8:32: calendar \"day\": `week`: \"8-12\" is no part of a day such as 08:00-17:00",
                "shop.toml:12:1: bay \"rack-1\": unknown key `clases`; did you mean `classes`?",
                "shop.toml:13:9: bay \"rack-1\": `down`: \"2031-05-06 12:00 .. 08:00\" does not end after it starts",
                "shop.toml:17:12: technician \"ines\": `calendar` must be a text in quotes, not a whole number",
                "shop.toml:18:19: technician \"ines\": the efficiency in body must be a whole number of percent, such as 110",
                "shop.toml:20:3: unknown key `helper`; known here: shop, calendar, holiday, bay, equipment, technician, changeover, settings",
            ],
        );
    }

    #[test]
    fn says_where_the_toml_is_broken() {
        check_faults("[shop]\nname = \"a\"\nname = \"b\"\n", &["shop.toml:3:1: not TOML: duplicate key"]);
        check_faults("[shop\n", &["shop.toml:1:6: not TOML: unclosed table, expected `]`"]);
    }

    #[test]
    fn an_empty_shop_names_what_is_missing() {
        check_faults(
            "x = 1",
            &[
                "shop.toml:1:1: `shop` is missing",
                "shop.toml:1:1: unknown key `x`; known here: shop, calendar, holiday, bay, equipment, technician, changeover, settings",
            ],
        );
    }

    #[test]
    fn knows_where_each_field_stands() {
        let file = read(include_str!("../../examples/shop.toml"));
        let line = |field: &str| {
            let source = Source { name: String::new(), text: include_str!("../../examples/shop.toml").into() };
            let offset = file.places.find(field).expect("is noted");
            source.text.lines().nth(source.place(offset).line - 1).map(str::to_owned)
        };
        assert_eq!(line("bays[0].classes[1]").as_deref(), Some(r#"classes = ["rack", "body"]"#));
        assert_eq!(
            line("technicians[0].skills[1].skill").as_deref(),
            Some("skills = { structural = 110, body = 100 }")
        );
        assert_eq!(line("time_zone").as_deref(), Some(r#"time_zone = "America/Chicago""#));
        assert_eq!(line("technicians[1]").as_deref(), Some("[[technician]]"));
    }
}
