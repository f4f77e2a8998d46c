//! What differs between two versions of facts, for the audit trail: each field by its path, with its value before and
//! after.
//!
//! Things with an id are found by it (`operations[bake].work_minutes`), so that one that moves is not taken for
//! changed; what has none is one value with its list. The form of values stays as it is: old entries are read with new
//! ones.

use std::collections::BTreeMap;

use fitup_model::{OrderFacts, ShopFacts, TakeInFacts};
use serde_json::{Map, Value, json};

use crate::record::HoldRecord;
use crate::value;

/// Fields by their paths.
pub type Fields = BTreeMap<String, Value>;

/// Changed fields.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Difference(BTreeMap<String, (Value, Value)>);

impl Difference {
    /// Returns what differs; a field that is missing is null.
    pub fn between(mut before: Fields, after: Fields) -> Difference {
        let mut changed = BTreeMap::new();
        for (path, value) in after {
            let old = before.remove(&path).unwrap_or(Value::Null);
            if old != value {
                changed.insert(path, (old, value));
            }
        }
        for (path, old) in before.into_iter().filter(|(_, old)| !old.is_null()) {
            changed.insert(path, (old, Value::Null));
        }
        Difference(changed)
    }

    /// Returns the change of one field.
    pub fn of(path: &str, before: impl Into<Value>, after: impl Into<Value>) -> Difference {
        Difference(BTreeMap::from([(path.to_owned(), (before.into(), after.into()))]))
    }

    /// Returns an object from paths to `[before, after]`.
    pub fn to_json(&self) -> String {
        let fields = self.0.iter().map(|(path, (before, after))| (path.clone(), json!([before, after])));
        Value::Object(fields.collect::<Map<String, Value>>()).to_string()
    }
}

/// Returns the fields of a shop.
pub fn shop_fields(shop: &ShopFacts) -> Fields {
    let mut fields = Fields::new();
    let mut add = |path: String, value: Value| fields.insert(path, value);
    add("display_name".into(), json!(shop.display_name));
    add("time_zone".into(), json!(shop.time_zone));
    add("skills".into(), json!(shop.skills));
    for calendar in &shop.calendars {
        let path = format!("calendars[{}]", calendar.id);
        add(format!("{path}.shifts"), value::list(&calendar.shifts, value::shift));
        add(format!("{path}.exceptions"), value::list(&calendar.exceptions, value::exception));
    }
    add("holidays".into(), value::list(&shop.holidays, value::holiday));
    for bay in &shop.bays {
        let path = format!("bays[{}]", bay.id);
        add(format!("{path}.display_name"), json!(bay.display_name));
        add(format!("{path}.classes"), json!(bay.classes));
        add(format!("{path}.downtime"), value::list(&bay.downtime, value::period));
    }
    for equipment in &shop.equipment {
        let path = format!("equipment[{}]", equipment.id);
        add(format!("{path}.display_name"), json!(equipment.display_name));
        add(format!("{path}.count"), json!(equipment.count));
        add(format!("{path}.outages"), value::list(&equipment.outages, value::outage));
    }
    for technician in &shop.technicians {
        let path = format!("technicians[{}]", technician.id);
        add(format!("{path}.display_name"), json!(technician.display_name));
        add(format!("{path}.calendar"), json!(technician.calendar));
        add(format!("{path}.skills"), value::list(&technician.skills, value::skill));
        add(format!("{path}.absences"), value::list(&technician.absences, value::period));
        add(format!("{path}.overtime"), value::list(&technician.overtime, value::period));
    }
    add("changeovers".into(), value::list(&shop.changeovers, value::changeover));
    let settings = &shop.settings;
    for (name, value) in [
        ("grid_minutes", settings.grid_minutes),
        ("horizon_days", settings.horizon_days),
        ("late_weight", settings.late_weight),
        ("flow_weight", settings.flow_weight),
        ("overtime_weight", settings.overtime_weight),
        ("freeze_minutes", settings.freeze_minutes),
        ("person_change_price", settings.person_change_price),
        ("bay_change_price", settings.bay_change_price),
        ("day_change_price", settings.day_change_price),
        ("soon_factor", settings.soon_factor),
        ("same_person_price", settings.same_person_price),
        ("outside_limit", settings.outside_limit),
        ("outside_weight", settings.outside_weight),
        ("work_low_percent", settings.work_low_percent),
        ("work_high_percent", settings.work_high_percent),
        ("late_part_percent", settings.late_part_percent),
        ("late_part_days", settings.late_part_days),
        ("late_approval_percent", settings.late_approval_percent),
        ("hidden_damage_percent", settings.hidden_damage_percent),
        ("hidden_work_percent", settings.hidden_work_percent),
        ("failed_check_percent", settings.failed_check_percent),
        ("rework_percent", settings.rework_percent),
        ("absence_percent", settings.absence_percent),
        ("learned_percent", settings.learned_percent),
    ] {
        add(format!("settings.{name}"), json!(value));
    }
    fields
}

/// Returns the fields of an order.
pub fn order_fields(order: &OrderFacts) -> Fields {
    let mut fields = Fields::new();
    let mut add = |path: String, value: Value| fields.insert(path, value);
    let time = |time: Option<jiff::Timestamp>| json!(time.map(value::time));
    add("vehicle".into(), json!(order.vehicle));
    add("note".into(), json!(order.note));
    add("cancelled".into(), json!(order.cancelled));
    add("arrival_time".into(), time(Some(order.arrival_time)));
    add("arrived".into(), json!(order.arrived));
    add("promise_time".into(), time(order.promise_time));
    add("late_weight".into(), json!(order.late_weight));
    add("flow_weight".into(), json!(order.flow_weight));
    for visit in &order.visits {
        let path = format!("visits[{}]", visit.id);
        add(format!("{path}.bay_class"), json!(visit.bay_class));
        add(format!("{path}.loose_parts"), json!(visit.loose_parts));
        add(format!("{path}.family"), json!(visit.family));
        add(format!("{path}.bay"), json!(visit.bay));
    }
    for operation in &order.operations {
        let path = format!("operations[{}]", operation.id);
        add(format!("{path}.display_name"), json!(operation.display_name));
        add(format!("{path}.work_minutes"), json!(operation.work_minutes));
        add(format!("{path}.low_work_minutes"), json!(operation.low_work_minutes));
        add(format!("{path}.high_work_minutes"), json!(operation.high_work_minutes));
        add(format!("{path}.crew"), json!(operation.crew));
        add(format!("{path}.visit"), json!(operation.visit));
        add(format!("{path}.equipment"), value::list(&operation.equipment, value::equipment));
        add(format!("{path}.interruptible"), json!(operation.interruptible));
        add(format!("{path}.needs"), json!(operation.needs));
        add(format!("{path}.earliest_start_time"), time(operation.earliest_start_time));
        add(format!("{path}.same_person"), json!(operation.same_person.as_ref().map(value::same_person)));
        add(format!("{path}.pin"), json!(operation.pin.as_ref().map(value::pin)));
        add(format!("{path}.hazards"), value::list(&operation.hazards, value::hazard));
        add(format!("{path}.hold_point"), json!(operation.hold_point.as_ref().map(value::hold_point)));
        add(format!("{path}.progress"), value::progress(&operation.progress));
    }
    add("links".into(), value::list(&order.links, value::link));
    for (kind, needs) in [("parts", &order.parts), ("approvals", &order.approvals)] {
        for need in needs {
            let path = format!("{kind}[{}]", need.id);
            add(format!("{path}.display_name"), json!(need.display_name));
            add(format!("{path}.expected_time"), time(need.expected_time));
            add(format!("{path}.met"), json!(need.met));
            add(format!("{path}.supply"), json!(need.supply.as_ref().map(value::supply)));
        }
    }
    fields
}

/// Returns the fields of a hold, beside those of its order.
pub fn hold_fields(hold: &HoldRecord) -> Fields {
    let time = |time: Option<jiff::Timestamp>| json!(time.map(value::time));
    let dates = &hold.dates;
    let fields = [
        ("state", json!(value::hold_state(hold.state))),
        ("promised", json!(value::quoted_date(hold.promised))),
        ("earliest_time", time(Some(dates.earliest))),
        ("likely_time", time(dates.likely)),
        ("p80_time", time(dates.p80)),
        ("safe_time", time(dates.safe)),
        ("plan", json!(hold.plan)),
        ("expire_time", time(Some(hold.expire_time))),
        ("end_time", time(hold.end_time)),
    ];
    fields.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()
}

/// Returns the fields of what an order was made from.
pub fn take_in_fields(facts: &TakeInFacts, rule_book: i64) -> Fields {
    let mut fields = Fields::new();
    for line in &facts.lines {
        fields.insert(format!("lines[{}]", line.id), value::line(line));
    }
    fields.insert("overrides".into(), value::list(&facts.overrides, value::settled));
    fields.insert("features".into(), json!(facts.features));
    let conditions = &facts.conditions;
    fields.insert("conditions.adhesive".into(), json!(conditions.adhesive));
    fields.insert("conditions.temperature_celsius".into(), json!(conditions.temperature_celsius));
    fields.insert("conditions.humidity_percent".into(), json!(conditions.humidity_percent));
    fields.insert("conditions.surface_celsius".into(), json!(conditions.surface_celsius));
    fields.insert("rule_book_revision".into(), json!(rule_book));
    fields
}

#[cfg(test)]
mod tests {
    use fitup_model::order::{
        EquipmentNeed, Hazard, HoldPoint, OrderLink, OrderOperation, Pin, Progress, SamePersonWish, Supply, SupplyState,
    };
    use fitup_model::shop::{
        CalendarException, DayWindow, EquipmentOutage, FamilyChangeover, Holiday, Period, Shift, TechnicianSkill,
    };
    use jiff::Timestamp;
    use jiff::civil::{Date, Weekday};

    use super::*;

    #[test]
    fn only_changed_fields_are_told() {
        let fields =
            |pairs: &[(&str, Value)]| pairs.iter().map(|(path, value)| ((*path).into(), value.clone())).collect();
        let before = fields(&[("a", json!(1)), ("b", json!(2)), ("c", json!(3)), ("e", Value::Null)]);
        let after = fields(&[("a", json!(1)), ("b", json!(4)), ("d", json!(5)), ("f", Value::Null)]);
        let difference = Difference::between(before, after);
        assert_eq!(difference.to_json(), r#"{"b":[2,4],"c":[3,null],"d":[null,5]}"#);
    }

    /// What is written is kept for ever, so its form must not change with the types of the program.
    #[test]
    fn values_have_a_form_of_their_own() {
        let time = |second| Timestamp::from_second(second).expect("not that far away");
        let waiting = order(Progress::Waiting);
        let planned = OrderFacts {
            operations: vec![OrderOperation {
                equipment: vec![EquipmentNeed { equipment: "frame".into(), count: 1 }],
                same_person: Some(SamePersonWish { operation: "b".into(), required: true }),
                pin: Some(Pin { technicians: vec!["ada".into()], start_time: Some(time(60)) }),
                hazards: vec![Hazard::HighVoltage],
                ..waiting.operations[0].clone()
            }],
            links: vec![OrderLink { from: "a".into(), to: "b".into(), min_wait_minutes: 5, max_wait_minutes: None }],
            ..waiting.clone()
        };
        let told = Difference::between(order_fields(&waiting), order_fields(&planned)).to_json();
        let expected = [
            r#"{"links":[[],[{"from":"a","to":"b","min_wait_minutes":5,"max_wait_minutes":null}]],"#,
            r#""operations[a].equipment":[[],[{"equipment":"frame","count":1}]],"#,
            r#""operations[a].hazards":[[],["high-voltage"]],"#,
            r#""operations[a].pin":[null,{"technicians":["ada"],"start_time":"1970-01-01T00:01:00Z"}],"#,
            r#""operations[a].same_person":[null,{"operation":"b","required":true}]}"#,
        ];
        assert_eq!(told, expected.concat());
        let done = Progress::Done { start_time: time(0), end_time: time(60), technicians: vec!["ada".into()] };
        let told = Difference::between(order_fields(&waiting), order_fields(&order(done))).to_json();
        let expected = [
            r#"{"operations[a].progress":[{"state":"waiting"},{"state":"done","#,
            r#""start_time":"1970-01-01T00:00:00Z","end_time":"1970-01-01T00:01:00Z","technicians":["ada"]}]}"#,
        ];
        assert_eq!(told, expected.concat());

        let running = |remaining_time| {
            let (start_time, technicians) = (time(0), Vec::new());
            Progress::Running { start_time, technicians, remaining_minutes: 9, remaining_time }
        };
        assert_eq!(
            value::progress(&running(None)).to_string(),
            r#"{"state":"running","start_time":"1970-01-01T00:00:00Z","technicians":[],"remaining_minutes":9}"#
        );
        assert_eq!(
            value::progress(&running(Some(time(60)))).to_string(),
            [
                r#"{"state":"running","start_time":"1970-01-01T00:00:00Z","technicians":[],"remaining_minutes":9,"#,
                r#""remaining_time":"1970-01-01T00:01:00Z"}"#,
            ]
            .concat()
        );
        let paused = Progress::Paused {
            start_time: time(0),
            pause_time: time(60),
            technicians: vec!["ada".into()],
            remaining_minutes: 9,
            reason: "clips".into(),
        };
        assert_eq!(
            value::progress(&paused).to_string(),
            [
                r#"{"state":"paused","start_time":"1970-01-01T00:00:00Z","pause_time":"1970-01-01T00:01:00Z","#,
                r#""technicians":["ada"],"remaining_minutes":9,"reason":"clips"}"#,
            ]
            .concat()
        );
        let hold_point = HoldPoint { rework: vec!["pull".into()], measure: "mm".into() };
        assert_eq!(value::hold_point(&hold_point).to_string(), r#"{"rework":["pull"],"measure":"mm"}"#);
        let supply = Supply { state: SupplyState::Wrong, confidence_percent: Some(80) };
        assert_eq!(value::supply(&supply).to_string(), r#"{"state":"wrong","confidence_percent":80}"#);

        let window = DayWindow { start_minute: 480, end_minute: 960 };
        let shift = Shift { days: vec![Weekday::Monday], window, breaks: vec![window] };
        assert_eq!(
            value::shift(&shift).to_string(),
            r#"{"days":[1],"start_minute":480,"end_minute":960,"breaks":[{"start_minute":480,"end_minute":960}]}"#
        );
        let period = Period { start_time: time(0), end_time: time(60), note: "n".into() };
        assert_eq!(
            value::outage(&EquipmentOutage { period, count: 2 }).to_string(),
            r#"{"start_time":"1970-01-01T00:00:00Z","end_time":"1970-01-01T00:01:00Z","note":"n","count":2}"#
        );
        let date = |day| Date::new(2031, 5, day).expect("a date");
        let exception =
            CalendarException { start_date: date(1), end_date: date(2), open: vec![window], note: "n".into() };
        assert_eq!(
            value::exception(&exception).to_string(),
            [
                r#"{"start_date":"2031-05-01","end_date":"2031-05-02","#,
                r#""open":[{"start_minute":480,"end_minute":960}],"note":"n"}"#,
            ]
            .concat()
        );
        let holiday = Holiday { date: date(1), display_name: "d".into() };
        assert_eq!(value::holiday(&holiday).to_string(), r#"{"date":"2031-05-01","display_name":"d"}"#);
        let skill = TechnicianSkill { skill: "body".into(), efficiency_percent: 90 };
        assert_eq!(value::skill(&skill).to_string(), r#"{"skill":"body","efficiency_percent":90}"#);
        let changeover = FamilyChangeover { from_family: "a".into(), to_family: "b".into(), minutes: 5 };
        assert_eq!(value::changeover(&changeover).to_string(), r#"{"from_family":"a","to_family":"b","minutes":5}"#);
    }

    fn order(progress: Progress) -> OrderFacts {
        let operation = OrderOperation {
            id: "a".into(),
            display_name: String::new(),
            work_minutes: 30,
            low_work_minutes: None,
            high_work_minutes: None,
            crew: Vec::new(),
            visit: None,
            equipment: Vec::new(),
            interruptible: false,
            needs: Vec::new(),
            earliest_start_time: None,
            same_person: None,
            pin: None,
            hazards: Vec::new(),
            hold_point: None,
            progress,
        };
        OrderFacts {
            id: "o".into(),
            vehicle: String::new(),
            note: String::new(),
            cancelled: false,
            arrival_time: Timestamp::UNIX_EPOCH,
            arrived: true,
            promise_time: None,
            late_weight: None,
            flow_weight: None,
            visits: Vec::new(),
            operations: vec![operation],
            links: Vec::new(),
            parts: Vec::new(),
            approvals: Vec::new(),
        }
    }
}
