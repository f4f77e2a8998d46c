//! The facts of shops as rows: each kind of row is read by one statement for many shops.

use fitup_model::ShopFacts;
use fitup_model::shop::{
    CalendarException, DayWindow, EquipmentOutage, FamilyChangeover, Holiday, Period, PlanningSettings, Shift, ShopBay,
    ShopEquipment, ShopTechnician, TechnicianSkill, WeekCalendar,
};
use jiff::civil::{Date, Weekday};

use super::Connection;
use super::rows::{Children, instant, number, optional_number};
use crate::error::Error;
use crate::record::ShopRecord;

#[derive(sqlx::FromRow)]
struct ShopRow {
    shop_id: String,
    display_name: String,
    time_zone: String,
    grid_minutes: Option<i64>,
    horizon_days: Option<i64>,
    late_weight: Option<i64>,
    flow_weight: Option<i64>,
    overtime_weight: Option<i64>,
    freeze_minutes: Option<i64>,
    person_change_price: Option<i64>,
    bay_change_price: Option<i64>,
    day_change_price: Option<i64>,
    soon_factor: Option<i64>,
    same_person_price: Option<i64>,
    outside_limit: Option<i64>,
    outside_weight: Option<i64>,
    work_low_percent: Option<i64>,
    work_high_percent: Option<i64>,
    late_part_percent: Option<i64>,
    late_part_days: Option<i64>,
    late_approval_percent: Option<i64>,
    hidden_damage_percent: Option<i64>,
    hidden_work_percent: Option<i64>,
    failed_check_percent: Option<i64>,
    rework_percent: Option<i64>,
    absence_percent: Option<i64>,
    learned_percent: Option<i64>,
    revision: i64,
    version: i64,
    create_time: i64,
    update_time: i64,
    published_plan_id: Option<String>,
}

/// Which shops: those with ids from `first` to `last`, both included.
#[derive(Clone, Copy)]
pub struct Range<'a> {
    pub first: &'a str,
    pub last: &'a str,
}

/// Parents of child rows: a shop, a thing of it by id, and a part of that by position.
type Shop = String;
type Thing = (String, String);
type Part = (String, String, i64);

/// The children of shops.
struct Parts {
    skills: Children<Shop, String>,
    calendars: Children<Shop, String>,
    shifts: Children<Thing, (i64, DayWindow)>,
    shift_days: Children<Part, Weekday>,
    shift_breaks: Children<Part, DayWindow>,
    exceptions: Children<Thing, (i64, CalendarException)>,
    exception_openings: Children<Part, DayWindow>,
    holidays: Children<Shop, Holiday>,
    bays: Children<Shop, (String, String)>,
    bay_classes: Children<Thing, String>,
    bay_downtime: Children<Thing, Period>,
    equipment: Children<Shop, (String, String, i64)>,
    outages: Children<Thing, EquipmentOutage>,
    technicians: Children<Shop, (String, String, String)>,
    technician_skills: Children<Thing, TechnicianSkill>,
    absences: Children<Thing, Period>,
    overtime: Children<Thing, Period>,
    changeovers: Children<Shop, FamilyChangeover>,
}

/// Returns shops by id.
pub async fn load(connection: &mut Connection, range: Range<'_>) -> Result<Vec<ShopRecord>, Error> {
    let rows: Vec<ShopRow> = sqlx::query_as(
        "select shop.*, plan_id as published_plan_id
        from shop
        left join plan on plan.shop_id = shop.shop_id and plan.state = 'published'
        where shop.shop_id between $1 and $2
        order by shop.shop_id",
    )
    .bind(range.first)
    .bind(range.last)
    .fetch_all(&mut *connection)
    .await?;
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let mut parts = Parts::load(connection, range).await?;
    rows.into_iter().map(|row| parts.record(row)).collect()
}

/// Returns what says that a version of something is still the current one. Something else by the same name has another
/// time of creation.
pub fn etag(create_time: i64, version: i64) -> String {
    format!("{create_time:x}-{version:x}")
}

impl Parts {
    fn record(&mut self, row: ShopRow) -> Result<ShopRecord, Error> {
        let shop = &row.shop_id;
        Ok(ShopRecord {
            facts: ShopFacts {
                skills: self.skills.take(shop),
                calendars: self.calendars(shop),
                holidays: self.holidays.take(shop),
                bays: self.bays(shop),
                equipment: self.equipment(shop)?,
                technicians: self.technicians(shop),
                changeovers: self.changeovers.take(shop),
                settings: settings(&row)?,
                id: row.shop_id,
                display_name: row.display_name,
                time_zone: row.time_zone,
            },
            revision: row.revision,
            etag: etag(row.create_time, row.version),
            published_plan: row.published_plan_id,
            create_time: instant(row.create_time)?,
            update_time: instant(row.update_time)?,
        })
    }

    fn calendars(&mut self, shop: &Shop) -> Vec<WeekCalendar> {
        let mut calendars = Vec::new();
        for id in self.calendars.take(shop) {
            let thing = (shop.clone(), id);
            let part = |position| (thing.0.clone(), thing.1.clone(), position);
            let mut shifts = Vec::new();
            for (position, window) in self.shifts.take(&thing) {
                let days = self.shift_days.take(&part(position));
                shifts.push(Shift { days, window, breaks: self.shift_breaks.take(&part(position)) });
            }
            let mut exceptions = Vec::new();
            for (position, exception) in self.exceptions.take(&thing) {
                let open = self.exception_openings.take(&part(position));
                exceptions.push(CalendarException { open, ..exception });
            }
            calendars.push(WeekCalendar { id: thing.1, shifts, exceptions });
        }
        calendars
    }

    fn bays(&mut self, shop: &Shop) -> Vec<ShopBay> {
        let mut bays = Vec::new();
        for (id, display_name) in self.bays.take(shop) {
            let thing = (shop.clone(), id);
            let (classes, downtime) = (self.bay_classes.take(&thing), self.bay_downtime.take(&thing));
            bays.push(ShopBay { id: thing.1, display_name, classes, downtime });
        }
        bays
    }

    fn equipment(&mut self, shop: &Shop) -> Result<Vec<ShopEquipment>, Error> {
        let mut equipment = Vec::new();
        for (id, display_name, count) in self.equipment.take(shop) {
            let thing = (shop.clone(), id);
            let outages = self.outages.take(&thing);
            equipment.push(ShopEquipment { id: thing.1, display_name, count: number(count)?, outages });
        }
        Ok(equipment)
    }

    fn technicians(&mut self, shop: &Shop) -> Vec<ShopTechnician> {
        let mut technicians = Vec::new();
        for (id, display_name, calendar) in self.technicians.take(shop) {
            let thing = (shop.clone(), id);
            technicians.push(ShopTechnician {
                display_name,
                calendar,
                skills: self.technician_skills.take(&thing),
                absences: self.absences.take(&thing),
                overtime: self.overtime.take(&thing),
                id: thing.1,
            });
        }
        technicians
    }

    async fn load(connection: &mut Connection, range: Range<'_>) -> Result<Parts, Error> {
        /// Reads the rows of one statement and makes a child with its parent of each.
        macro_rules! children {
            ($sql:literal, $type:ty, |$row:pat_param| $child:expr) => {{
                let rows: Vec<$type> =
                    sqlx::query_as($sql).bind(range.first).bind(range.last).fetch_all(&mut *connection).await?;
                rows.into_iter().map(|$row| Ok($child)).collect::<Result<_, Error>>()?
            }};
        }
        Ok(Parts {
            skills: children!(
                "select shop_id, skill_id
                from skill
                where shop_id between $1 and $2
                order by shop_id, position",
                (String, String),
                |row| row
            ),
            calendars: children!(
                "select shop_id, calendar_id
                from calendar
                where shop_id between $1 and $2
                order by shop_id, position",
                (String, String),
                |row| row
            ),
            shifts: children!(
                "select shop_id, calendar_id, shift_position, start_minute, end_minute
                from shift
                where shop_id between $1 and $2
                order by shop_id, calendar_id, shift_position",
                (String, String, i64, i64, i64),
                |(shop, calendar, position, start, end)| ((shop, calendar), (position, day_window(start, end)?))
            ),
            shift_days: children!(
                "select shop_id, calendar_id, shift_position, weekday
                from shift_day
                where shop_id between $1 and $2
                order by shop_id, calendar_id, shift_position, position",
                (String, String, i64, i64),
                |(shop, calendar, shift, day)| ((shop, calendar, shift), weekday(day)?)
            ),
            shift_breaks: children!(
                "select shop_id, calendar_id, shift_position, start_minute, end_minute
                from shift_break
                where shop_id between $1 and $2
                order by shop_id, calendar_id, shift_position, position",
                (String, String, i64, i64, i64),
                |(shop, calendar, shift, start, end)| ((shop, calendar, shift), day_window(start, end)?)
            ),
            exceptions: children!(
                "select shop_id, calendar_id, exception_position, start_date, end_date, note
                from calendar_exception
                where shop_id between $1 and $2
                order by shop_id, calendar_id, exception_position",
                (String, String, i64, String, String, String),
                |(shop, calendar, position, start, end, note)| {
                    let (start_date, end_date, open) = (date(&start)?, date(&end)?, Vec::new());
                    ((shop, calendar), (position, CalendarException { start_date, end_date, open, note }))
                }
            ),
            exception_openings: children!(
                "select shop_id, calendar_id, exception_position, start_minute, end_minute
                from calendar_exception_opening
                where shop_id between $1 and $2
                order by shop_id, calendar_id, exception_position, position",
                (String, String, i64, i64, i64),
                |(shop, calendar, exception, start, end)| ((shop, calendar, exception), day_window(start, end)?)
            ),
            holidays: children!(
                "select shop_id, date, display_name
                from holiday
                where shop_id between $1 and $2
                order by shop_id, position",
                (String, String, String),
                |(shop, day, display_name)| (shop, Holiday { date: date(&day)?, display_name })
            ),
            bays: children!(
                "select shop_id, bay_id, display_name
                from bay
                where shop_id between $1 and $2
                order by shop_id, position",
                (String, String, String),
                |(shop, bay, name)| (shop, (bay, name))
            ),
            bay_classes: children!(
                "select shop_id, bay_id, class_id
                from bay_class
                where shop_id between $1 and $2
                order by shop_id, bay_id, position",
                (String, String, String),
                |(shop, bay, class)| ((shop, bay), class)
            ),
            bay_downtime: children!(
                "select shop_id, bay_id, start_time, end_time, note
                from bay_downtime
                where shop_id between $1 and $2
                order by shop_id, bay_id, position",
                (String, String, i64, i64, String),
                |(shop, bay, start, end, note)| ((shop, bay), period(start, end, note)?)
            ),
            equipment: children!(
                "select shop_id, equipment_id, display_name, count
                from equipment
                where shop_id between $1 and $2
                order by shop_id, position",
                (String, String, String, i64),
                |(shop, equipment, name, count)| (shop, (equipment, name, count))
            ),
            outages: children!(
                "select shop_id, equipment_id, start_time, end_time, note, count
                from equipment_outage
                where shop_id between $1 and $2
                order by shop_id, equipment_id, position",
                (String, String, i64, i64, String, i64),
                |(shop, equipment, start, end, note, count)| {
                    let outage = EquipmentOutage { period: period(start, end, note)?, count: number(count)? };
                    ((shop, equipment), outage)
                }
            ),
            technicians: children!(
                "select shop_id, technician_id, display_name, calendar_id
                from technician
                where shop_id between $1 and $2
                order by shop_id, position",
                (String, String, String, String),
                |(shop, technician, name, calendar)| (shop, (technician, name, calendar))
            ),
            technician_skills: children!(
                "select shop_id, technician_id, skill_id, efficiency_percent
                from technician_skill
                where shop_id between $1 and $2
                order by shop_id, technician_id, position",
                (String, String, String, i64),
                |(shop, technician, skill, percent)| {
                    ((shop, technician), TechnicianSkill { skill, efficiency_percent: number(percent)? })
                }
            ),
            absences: children!(
                "select shop_id, technician_id, start_time, end_time, note
                from technician_period
                where shop_id between $1 and $2
                    and kind = 'absence'
                order by shop_id, technician_id, position",
                (String, String, i64, i64, String),
                |(shop, technician, start, end, note)| ((shop, technician), period(start, end, note)?)
            ),
            overtime: children!(
                "select shop_id, technician_id, start_time, end_time, note
                from technician_period
                where shop_id between $1 and $2
                    and kind = 'overtime'
                order by shop_id, technician_id, position",
                (String, String, i64, i64, String),
                |(shop, technician, start, end, note)| ((shop, technician), period(start, end, note)?)
            ),
            changeovers: children!(
                "select shop_id, from_family, to_family, minutes
                from changeover
                where shop_id between $1 and $2
                order by shop_id, position",
                (String, String, String, i64),
                |(shop, from_family, to_family, minutes)| {
                    (shop, FamilyChangeover { from_family, to_family, minutes: number(minutes)? })
                }
            ),
        })
    }
}

fn settings(row: &ShopRow) -> Result<PlanningSettings, Error> {
    Ok(PlanningSettings {
        grid_minutes: optional_number(row.grid_minutes)?,
        horizon_days: optional_number(row.horizon_days)?,
        late_weight: optional_number(row.late_weight)?,
        flow_weight: optional_number(row.flow_weight)?,
        overtime_weight: optional_number(row.overtime_weight)?,
        freeze_minutes: optional_number(row.freeze_minutes)?,
        person_change_price: optional_number(row.person_change_price)?,
        bay_change_price: optional_number(row.bay_change_price)?,
        day_change_price: optional_number(row.day_change_price)?,
        soon_factor: optional_number(row.soon_factor)?,
        same_person_price: optional_number(row.same_person_price)?,
        outside_limit: optional_number(row.outside_limit)?,
        outside_weight: optional_number(row.outside_weight)?,
        work_low_percent: optional_number(row.work_low_percent)?,
        work_high_percent: optional_number(row.work_high_percent)?,
        late_part_percent: optional_number(row.late_part_percent)?,
        late_part_days: optional_number(row.late_part_days)?,
        late_approval_percent: optional_number(row.late_approval_percent)?,
        hidden_damage_percent: optional_number(row.hidden_damage_percent)?,
        hidden_work_percent: optional_number(row.hidden_work_percent)?,
        failed_check_percent: optional_number(row.failed_check_percent)?,
        rework_percent: optional_number(row.rework_percent)?,
        absence_percent: optional_number(row.absence_percent)?,
        learned_percent: optional_number(row.learned_percent)?,
    })
}

fn day_window(start: i64, end: i64) -> Result<DayWindow, Error> {
    Ok(DayWindow { start_minute: number(start)?, end_minute: number(end)? })
}

fn period(start: i64, end: i64, note: String) -> Result<Period, Error> {
    Ok(Period { start_time: instant(start)?, end_time: instant(end)?, note })
}

fn weekday(day: i64) -> Result<Weekday, Error> {
    Weekday::from_monday_one_offset(number(day)?).map_err(|error| Error::Corrupt(error.to_string()))
}

fn date(text: &str) -> Result<Date, Error> {
    text.parse().map_err(|_| Error::Corrupt(format!("date {text:?} cannot be read")))
}
