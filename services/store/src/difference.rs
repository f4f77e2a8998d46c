//! What differs between two versions of facts, for the audit trail: each field by its path, with its value before and
//! after.
//!
//! Things with an id are found by it (`operations[bake].work_minutes`), so that one that moves is not taken for
//! changed; what has none is one value with its list.

use std::collections::BTreeMap;

use fitup_model::{OrderFacts, ShopFacts};
use serde_json::{Map, Value, json};

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
        add(format!("{path}.shifts"), list(&calendar.shifts));
        add(format!("{path}.exceptions"), list(&calendar.exceptions));
    }
    add("holidays".into(), list(&shop.holidays));
    for bay in &shop.bays {
        let path = format!("bays[{}]", bay.id);
        add(format!("{path}.display_name"), json!(bay.display_name));
        add(format!("{path}.classes"), json!(bay.classes));
        add(format!("{path}.downtime"), list(&bay.downtime));
    }
    for equipment in &shop.equipment {
        let path = format!("equipment[{}]", equipment.id);
        add(format!("{path}.display_name"), json!(equipment.display_name));
        add(format!("{path}.count"), json!(equipment.count));
        add(format!("{path}.outages"), list(&equipment.outages));
    }
    for technician in &shop.technicians {
        let path = format!("technicians[{}]", technician.id);
        add(format!("{path}.display_name"), json!(technician.display_name));
        add(format!("{path}.calendar"), json!(technician.calendar));
        add(format!("{path}.skills"), list(&technician.skills));
        add(format!("{path}.absences"), list(&technician.absences));
        add(format!("{path}.overtime"), list(&technician.overtime));
    }
    add("changeovers".into(), list(&shop.changeovers));
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
    ] {
        add(format!("settings.{name}"), json!(value));
    }
    fields
}

/// Returns the fields of an order.
pub fn order_fields(order: &OrderFacts) -> Fields {
    let mut fields = Fields::new();
    let mut add = |path: String, value: Value| fields.insert(path, value);
    let time = |time: Option<jiff::Timestamp>| json!(time.map(|time| time.to_string()));
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
        add(format!("{path}.crew"), json!(operation.crew));
        add(format!("{path}.visit"), json!(operation.visit));
        add(format!("{path}.equipment"), list(&operation.equipment));
        add(format!("{path}.interruptible"), json!(operation.interruptible));
        add(format!("{path}.needs"), json!(operation.needs));
        add(format!("{path}.earliest_start_time"), time(operation.earliest_start_time));
        add(format!("{path}.same_person"), optional(&operation.same_person));
        add(format!("{path}.pin"), optional(&operation.pin));
        add(format!("{path}.hazards"), list(&operation.hazards));
        add(format!("{path}.progress"), text(&operation.progress));
    }
    add("links".into(), list(&order.links));
    for (kind, needs) in [("parts", &order.parts), ("approvals", &order.approvals)] {
        for need in needs {
            let path = format!("{kind}[{}]", need.id);
            add(format!("{path}.display_name"), json!(need.display_name));
            add(format!("{path}.expected_time"), time(need.expected_time));
            add(format!("{path}.met"), json!(need.met));
        }
    }
    fields
}

/// Returns a value without an id of its own, in words for people.
fn text(value: &impl std::fmt::Debug) -> Value {
    Value::String(format!("{value:?}"))
}

fn optional(value: &Option<impl std::fmt::Debug>) -> Value {
    value.as_ref().map_or(Value::Null, text)
}

fn list(values: &[impl std::fmt::Debug]) -> Value {
    values.iter().map(text).collect()
}

#[cfg(test)]
mod tests {
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
}
