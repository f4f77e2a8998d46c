//! What an order takes over from the job outline that it names.

use std::collections::BTreeMap;

use fitup_proto::v1;

use crate::file::read::{Found, Table, number_of};
use crate::file::text;
use crate::outline::{self, Outline};

/// Returns what the outline that the order names gives, with the hours that the order gives; nothing without one.
pub(super) fn from_outline(table: &Table<'_>) -> v1::Order {
    let hours = hours(table);
    let Some(name) = table.text("outline", "") else {
        if table.has("hours") {
            table.fault(table.offset(), "", "`hours` of an order go with `outline`");
        }
        return v1::Order::default();
    };
    let offset = table.item("outline", "").map_or(table.offset(), |found| found.offset);
    let outline = match Outline::find(&name) {
        Ok(outline) => outline,
        Err(error) => {
            table.fault(offset, "operations", error.to_string());
            return v1::Order::default();
        }
    };
    for (id, found) in &hours {
        if outline.operation(id).is_none() {
            let ids: Vec<&str> = outline.skeleton.operations.iter().map(|operation| operation.id.as_str()).collect();
            let message = format!("`hours`: outline \"{name}\" has no operation \"{id}\"{}", outline::hint(id, &ids));
            table.fault(found.offset, "", message);
        }
    }
    let given: BTreeMap<String, i64> = hours.iter().map(|(id, found)| (id.clone(), found.value)).collect();
    let wanted = table.rows("operation").iter().filter_map(Table::id).map(str::to_owned).collect();
    let order = outline.expand(&given, &wanted);
    for (index, operation) in order.operations.iter().enumerate() {
        table.note(&format!("operations[{index}]"), offset, "outline");
        if let Some(found) = hours.get(&operation.id) {
            table.note(&format!("operations[{index}].work"), found.offset, "hours");
        }
    }
    for field in ["visits", "links", "parts", "approvals"] {
        table.note(field, offset, "outline");
    }
    order
}

/// Reads `hours = { pull = 3.5 }` into minutes.
fn hours(table: &Table<'_>) -> BTreeMap<String, Found<i64>> {
    let mut hours = BTreeMap::new();
    let Some(row) = table.table("hours", "") else { return hours };
    for (id, found) in row.entries() {
        let minutes = number_of(found.value).ok_or_else(|| "must be a number of hours".to_owned());
        match minutes.and_then(|number| text::whole_minutes(number * 60.0)) {
            Ok(value) => {
                hours.insert(id, Found { value, offset: found.offset });
            }
            Err(problem) => row.fault(found.offset, "", format!("`{id}` {problem}")),
        }
    }
    hours
}
