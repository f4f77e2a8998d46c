//! Writes the children of a shop.

use fitup_model::ShopFacts;

use super::Connection;
use super::rows::{insert, micros, positions};
use crate::error::Error;

/// Removes the children of a shop that are part of its facts.
pub async fn remove(connection: &mut Connection, shop: &str) -> Result<(), Error> {
    for statement in [
        "delete from skill where shop_id = $1",
        "delete from calendar where shop_id = $1",
        "delete from holiday where shop_id = $1",
        "delete from bay where shop_id = $1",
        "delete from equipment where shop_id = $1",
        "delete from technician where shop_id = $1",
        "delete from changeover where shop_id = $1",
    ] {
        sqlx::query(statement).bind(shop).execute(&mut *connection).await?;
    }
    Ok(())
}

/// Inserts the children of a shop.
pub async fn add(connection: &mut Connection, facts: &ShopFacts) -> Result<(), Error> {
    let shop = facts.id.as_str();
    let skills: Vec<_> = positions(&facts.skills).collect();
    insert(connection, "skill (shop_id, position, skill_id)", &skills, |values, (position, skill)| {
        values.push_bind(shop).push_bind(*position).push_bind(skill.as_str());
    })
    .await?;
    add_calendars(connection, facts).await?;
    let holidays: Vec<_> = positions(&facts.holidays).collect();
    insert(connection, "holiday (shop_id, position, date, display_name)", &holidays, |values, (position, holiday)| {
        values.push_bind(shop).push_bind(*position);
        values.push_bind(holiday.date.to_string()).push_bind(holiday.display_name.as_str());
    })
    .await?;
    add_bays(connection, facts).await?;
    add_equipment(connection, facts).await?;
    add_technicians(connection, facts).await?;
    let changeovers: Vec<_> = positions(&facts.changeovers).collect();
    let table = "changeover (shop_id, position, from_family, to_family, minutes)";
    insert(connection, table, &changeovers, |values, (position, changeover)| {
        values.push_bind(shop).push_bind(*position).push_bind(changeover.from_family.as_str());
        values.push_bind(changeover.to_family.as_str()).push_bind(i64::from(changeover.minutes));
    })
    .await
}

async fn add_calendars(connection: &mut Connection, facts: &ShopFacts) -> Result<(), Error> {
    let shop = facts.id.as_str();
    let calendars: Vec<_> = positions(&facts.calendars).collect();
    insert(connection, "calendar (shop_id, position, calendar_id)", &calendars, |values, (position, calendar)| {
        values.push_bind(shop).push_bind(*position).push_bind(calendar.id.as_str());
    })
    .await?;

    let (mut shifts, mut days, mut breaks) = (Vec::new(), Vec::new(), Vec::new());
    let (mut exceptions, mut openings) = (Vec::new(), Vec::new());
    for calendar in &facts.calendars {
        for (position, shift) in positions(&calendar.shifts) {
            let part = (calendar.id.as_str(), position);
            shifts.push((part, shift.window));
            days.extend(positions(&shift.days).map(|(position, day)| (part, position, *day)));
            breaks.extend(positions(&shift.breaks).map(|(position, window)| (part, position, *window)));
        }
        for (position, exception) in positions(&calendar.exceptions) {
            let part = (calendar.id.as_str(), position);
            exceptions.push((part, exception));
            openings.extend(positions(&exception.open).map(|(position, window)| (part, position, *window)));
        }
    }
    let table = "shift (shop_id, calendar_id, shift_position, start_minute, end_minute)";
    insert(connection, table, &shifts, |values, ((calendar, shift), window)| {
        values.push_bind(shop).push_bind(*calendar).push_bind(*shift);
        values.push_bind(i64::from(window.start_minute)).push_bind(i64::from(window.end_minute));
    })
    .await?;
    let table = "shift_day (shop_id, calendar_id, shift_position, position, weekday)";
    insert(connection, table, &days, |values, ((calendar, shift), position, day)| {
        values.push_bind(shop).push_bind(*calendar).push_bind(*shift).push_bind(*position);
        values.push_bind(i64::from(day.to_monday_one_offset()));
    })
    .await?;
    let table = "shift_break (shop_id, calendar_id, shift_position, position, start_minute, end_minute)";
    insert(connection, table, &breaks, |values, ((calendar, shift), position, window)| {
        values.push_bind(shop).push_bind(*calendar).push_bind(*shift).push_bind(*position);
        values.push_bind(i64::from(window.start_minute)).push_bind(i64::from(window.end_minute));
    })
    .await?;
    let table = "calendar_exception (shop_id, calendar_id, exception_position, start_date, end_date, note)";
    insert(connection, table, &exceptions, |values, ((calendar, position), exception)| {
        values.push_bind(shop).push_bind(*calendar).push_bind(*position);
        values.push_bind(exception.start_date.to_string()).push_bind(exception.end_date.to_string());
        values.push_bind(exception.note.as_str());
    })
    .await?;
    let table =
        "calendar_exception_opening (shop_id, calendar_id, exception_position, position, start_minute, end_minute)";
    insert(connection, table, &openings, |values, ((calendar, exception), position, window)| {
        values.push_bind(shop).push_bind(*calendar).push_bind(*exception).push_bind(*position);
        values.push_bind(i64::from(window.start_minute)).push_bind(i64::from(window.end_minute));
    })
    .await
}

async fn add_bays(connection: &mut Connection, facts: &ShopFacts) -> Result<(), Error> {
    let shop = facts.id.as_str();
    let (mut classes, mut downtime) = (Vec::new(), Vec::new());
    for bay in &facts.bays {
        classes.extend(positions(&bay.classes).map(|(position, class)| (bay.id.as_str(), position, class.as_str())));
        downtime.extend(positions(&bay.downtime).map(|(position, period)| (bay.id.as_str(), position, period)));
    }
    let bays: Vec<_> = positions(&facts.bays).collect();
    insert(connection, "bay (shop_id, position, bay_id, display_name)", &bays, |values, (position, bay)| {
        values.push_bind(shop).push_bind(*position).push_bind(bay.id.as_str()).push_bind(bay.display_name.as_str());
    })
    .await?;
    let table = "bay_class (shop_id, bay_id, position, class_id)";
    insert(connection, table, &classes, |values, (bay, position, class)| {
        values.push_bind(shop).push_bind(*bay).push_bind(*position).push_bind(*class);
    })
    .await?;
    let table = "bay_downtime (shop_id, bay_id, position, start_time, end_time, note)";
    insert(connection, table, &downtime, |values, (bay, position, period)| {
        values.push_bind(shop).push_bind(*bay).push_bind(*position);
        values.push_bind(micros(period.start_time)).push_bind(micros(period.end_time)).push_bind(period.note.as_str());
    })
    .await
}

async fn add_equipment(connection: &mut Connection, facts: &ShopFacts) -> Result<(), Error> {
    let shop = facts.id.as_str();
    let mut outages = Vec::new();
    for equipment in &facts.equipment {
        let id = equipment.id.as_str();
        outages.extend(positions(&equipment.outages).map(|(position, outage)| (id, position, outage)));
    }
    let equipment: Vec<_> = positions(&facts.equipment).collect();
    let table = "equipment (shop_id, position, equipment_id, display_name, count)";
    insert(connection, table, &equipment, |values, (position, equipment)| {
        values.push_bind(shop).push_bind(*position).push_bind(equipment.id.as_str());
        values.push_bind(equipment.display_name.as_str()).push_bind(i64::from(equipment.count));
    })
    .await?;
    let table = "equipment_outage (shop_id, equipment_id, position, start_time, end_time, note, count)";
    insert(connection, table, &outages, |values, (equipment, position, outage)| {
        let period = &outage.period;
        values.push_bind(shop).push_bind(*equipment).push_bind(*position);
        values.push_bind(micros(period.start_time)).push_bind(micros(period.end_time)).push_bind(period.note.as_str());
        values.push_bind(i64::from(outage.count));
    })
    .await
}

async fn add_technicians(connection: &mut Connection, facts: &ShopFacts) -> Result<(), Error> {
    let shop = facts.id.as_str();
    let (mut skills, mut periods) = (Vec::new(), Vec::new());
    for technician in &facts.technicians {
        let id = technician.id.as_str();
        skills.extend(positions(&technician.skills).map(|(position, skill)| (id, position, skill)));
        for (kind, list) in [("absence", &technician.absences), ("overtime", &technician.overtime)] {
            periods.extend(positions(list).map(|(position, period)| (id, kind, position, period)));
        }
    }
    let technicians: Vec<_> = positions(&facts.technicians).collect();
    let table = "technician (shop_id, position, technician_id, display_name, calendar_id)";
    insert(connection, table, &technicians, |values, (position, technician)| {
        values.push_bind(shop).push_bind(*position).push_bind(technician.id.as_str());
        values.push_bind(technician.display_name.as_str()).push_bind(technician.calendar.as_str());
    })
    .await?;
    let table = "technician_skill (shop_id, technician_id, position, skill_id, efficiency_percent)";
    insert(connection, table, &skills, |values, (technician, position, skill)| {
        values.push_bind(shop).push_bind(*technician).push_bind(*position).push_bind(skill.skill.as_str());
        values.push_bind(i64::from(skill.efficiency_percent));
    })
    .await?;
    let table = "technician_period (shop_id, technician_id, kind, position, start_time, end_time, note)";
    insert(connection, table, &periods, |values, (technician, kind, position, period)| {
        values.push_bind(shop).push_bind(*technician).push_bind(*kind).push_bind(*position);
        values.push_bind(micros(period.start_time)).push_bind(micros(period.end_time)).push_bind(period.note.as_str());
    })
    .await
}
