//! The file of repair orders, one or many.
//!
//! ```toml
#![doc = include_str!("../../examples/orders.toml")]
//! ```
//!
//! Times are local to the shop; the grammars of the strings are those of [`super::text`].
//!
//! | table | keys |
//! | --- | --- |
//! | `[[order]]` | `id`, `vehicle`, `note`, `arrival`, `arrived`, `promise`, `late_weight`, `flow_weight`; and to start from a job outline: `outline`, `hours = { operation = hours }` |
//! | `[[order.visit]]` | `id`, `class` (of bay), `bay` (a certain one), `family` (for changeovers), `loose_parts` |
//! | `[[order.operation]]` | `id`, `name`, `hours` or `minutes`, `low_hours` and `high_hours` or `low_minutes` and `high_minutes` (between what the hours may turn out to lie), `crew` (a skill for each person) or `unattended = true`, `visit`, `uses` (`"tower"`, `"tower x 2"`), `stops_at_closing`, `after` (links), `needs` (parts and approvals), `not_before`, `same_person` (an earlier operation), `same_person_required`, `hazards`, `pin = { technicians, start }`, `hold_point = { rework, measure }` (operations that are done again after a fail), `done = { start, end, technicians }`, `running = { start, technicians, hours_left` or `minutes_left, since }`, `paused = { start, technicians, hours_left` or `minutes_left, at, reason }` |
//! | `[[order.part]]` | `id`, `name`, `expected` or `received = true`, `heard` (`ordered`, `expected`, `received`, `wrong`, `damaged`, `returned`), `sure_percent` |
//! | `[[order.approval]]` | `id`, `name`, `expected` or `granted = true` |
//!
//! With `outline = "door"` the tables of the outline come first. A table of the order with the same `id` then changes only
//! the keys that it gives (`after` as a whole); one with a new `id` is added. An operation that gets 0 hours is left out,
//! and what came after it comes after what was before it; so are visits and parts that nothing uses any more.

mod from_outline;
#[cfg(test)]
mod tests;

use std::collections::BTreeSet;

use fitup_proto::v1;
use jiff::tz::TimeZone;

use self::from_outline::from_outline;
use super::read::{Reader, Table};
use super::{Fault, Places, Source, text};

/// The orders of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderFile {
    /// As they stand in it.
    pub orders: Vec<OrderDraft>,
    /// What is wrong with the file beside its orders, by place.
    pub faults: Vec<Fault>,
}

/// An order as its file says.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderDraft {
    /// Its id; empty if the file does not say.
    pub id: String,
    /// The message to send.
    pub order: v1::Order,
    /// Where its fields stand in the file.
    pub places: Places,
    /// What is wrong with it, by place. What is faulty is missing in the message.
    pub faults: Vec<Fault>,
}

impl OrderFile {
    /// Returns all that is wrong with the file, by place.
    pub fn all_faults(&self) -> Vec<Fault> {
        let of_orders = self.orders.iter().flat_map(|draft| &draft.faults);
        let mut faults: Vec<Fault> = self.faults.iter().chain(of_orders).cloned().collect();
        faults.sort_by(|a, b| (a.place, &a.message).cmp(&(b.place, &b.message)));
        faults
    }
}

/// Reads all orders of a file, with all that is wrong with them.
pub fn read_orders(source: &Source, zone: &TimeZone) -> OrderFile {
    let reader = Reader::new(source, zone.clone());
    let mut orders = Vec::new();
    let mut faults = Vec::new();
    if let Some(document) = reader.parse() {
        let root = Table::root(&reader, &document);
        if !root.has("order") {
            root.fault(0, "", "there is no order here; an order starts with [[order]]");
        }
        for table in root.tables("order", "") {
            faults.extend(reader.take_faults());
            reader.take_places();
            let (id, order) = order(table.as_message());
            orders.push(OrderDraft { id, order, places: reader.take_places(), faults: reader.take_faults() });
        }
        root.finish();
    }
    let mut ids = BTreeSet::new();
    for draft in &orders {
        if !draft.id.is_empty() && !ids.insert(&draft.id) {
            let offset = draft.places.find("order_id").unwrap_or_default();
            reader.fault(offset, "", format!("order {:?} stands twice in this file", draft.id));
        }
    }
    faults.extend(reader.take_faults());
    OrderFile { orders, faults }
}

fn order(table: Table<'_>) -> (String, v1::Order) {
    let id = table.required_text("id", "order_id");
    let mut order = from_outline(&table);
    let from_outline: BTreeSet<String> = order.operations.iter().map(|operation| operation.id.clone()).collect();
    order.vehicle = table.required_text("vehicle", "vehicle");
    order.note = table.text("note", "note").unwrap_or_default();
    if !table.has("arrival") {
        table.missing("arrival", "arrival_time");
    }
    order.arrival_time = table.parsed("arrival", "arrival_time", text::proto_instant);
    order.arrived = table.flag("arrived", "arrived");
    order.promise_time = table.parsed("promise", "promise_time", text::proto_instant);
    order.late_weight = table.integer("late_weight", "late_weight");
    order.flow_weight = table.integer("flow_weight", "flow_weight");
    body(&table, &mut order, |_| {});
    let missing: Vec<&str> = order
        .operations
        .iter()
        .filter(|operation| operation.work.is_none() && from_outline.contains(&operation.id))
        .map(|operation| operation.id.as_str())
        .collect();
    if !missing.is_empty() {
        let offset = table.item("outline", "").map_or(table.offset(), |found| found.offset);
        let entries: Vec<String> = missing.iter().map(|id| format!("{id} = ..")).collect();
        let message = format!(
            "the outline asks for the hours of {}; write hours = {{ {} }}",
            missing.join(", "),
            entries.join(", ")
        );
        table.fault(offset, "operations", message);
    }
    table.finish();
    (id, order)
}

/// Reads visits, operations, parts and approvals into an order that may hold some. An outline has the same tables, and
/// reads more from each operation.
pub(crate) fn body(table: &Table<'_>, order: &mut v1::Order, mut more: impl FnMut(&Table<'_>)) {
    for row in table.rows("visit") {
        let index = index_of(&order.visits, &row, |visit| &visit.id);
        visit(row.with_field(format!("visits[{index}]")), slot(&mut order.visits, index));
    }
    for row in table.rows("operation") {
        let index = index_of(&order.operations, &row, |operation| &operation.id);
        let row = row.with_field(format!("operations[{index}]"));
        let operation = slot(&mut order.operations, index);
        self::operation(&row, operation);
        let id = operation.id.clone();
        if row.has("after") {
            order.links.retain(|link| link.to != id);
        }
        links(&row, &id, &mut order.links);
        more(&row);
        row.finish();
    }
    for row in table.rows("part") {
        let index = index_of(&order.parts, &row, |part| &part.id);
        part(row.with_field(format!("parts[{index}]")), slot(&mut order.parts, index));
    }
    for row in table.rows("approval") {
        let index = index_of(&order.approvals, &row, |approval| &approval.id);
        approval(row.with_field(format!("approvals[{index}]")), slot(&mut order.approvals, index));
    }
}

/// Returns the index of the thing that the table changes, or the next free one.
fn index_of<T>(things: &[T], row: &Table<'_>, id: impl Fn(&T) -> &String) -> usize {
    things.iter().position(|thing| row.id().is_some_and(|wanted| wanted == id(thing))).unwrap_or(things.len())
}

fn slot<T: Default>(things: &mut Vec<T>, index: usize) -> &mut T {
    if index == things.len() {
        things.push(T::default());
    }
    &mut things[index]
}

fn visit(table: Table<'_>, visit: &mut v1::Visit) {
    let is_new = visit.id.is_empty();
    visit.id = table.required_text("id", "id");
    set(&mut visit.bay_class, table.text("class", "bay_class"));
    set(&mut visit.family, table.text("family", "family"));
    set(&mut visit.bay, table.text("bay", "bay"));
    if table.flag("loose_parts", "loose_parts") || table.has("loose_parts") {
        visit.loose_parts = table.flag("loose_parts", "loose_parts");
    }
    if is_new && !table.has("class") {
        table.missing("class", "bay_class");
    }
    table.finish();
}

fn operation(table: &Table<'_>, operation: &mut v1::Operation) {
    let is_new = operation.id.is_empty();
    operation.id = table.required_text("id", "id");
    set(&mut operation.display_name, table.text("name", "display_name"));
    if let Some(minutes) = work(table, "hours", "minutes", "work") {
        operation.work = Some(text::duration(minutes));
    }
    if let Some(minutes) = work(table, "low_hours", "low_minutes", "low_work") {
        operation.low_work = Some(text::duration(minutes));
    }
    if let Some(minutes) = work(table, "high_hours", "high_minutes", "high_work") {
        operation.high_work = Some(text::duration(minutes));
    }
    if table.has("crew") {
        operation.crew = table.names("crew", "crew");
    }
    let unattended = table.flag("unattended", "crew");
    if unattended && !operation.crew.is_empty() {
        table.fault(table.offset(), "crew", "it has a crew and is `unattended`; only one can be true");
    } else if is_new && !table.has("crew") && !unattended {
        let message = "it names no crew; give `crew`, or `unattended = true` if it runs by itself, on the clock";
        table.fault(table.offset(), "crew", message);
    }
    set(&mut operation.visit, table.text("visit", "visit"));
    if table.has("uses") {
        operation.equipment = table.parsed_list("uses", "equipment", |text, _| equipment(text));
    }
    if table.has("stops_at_closing") {
        operation.interruptible = table.flag("stops_at_closing", "interruptible");
    }
    if table.has("needs") {
        operation.needs = table.names("needs", "needs");
    }
    if table.has("not_before") {
        operation.earliest_start_time = table.parsed("not_before", "earliest_start_time", text::proto_instant);
    }
    if let Some(earlier) = table.text("same_person", "same_person") {
        let required = table.flag("same_person_required", "same_person.required");
        operation.same_person = Some(v1::SamePerson { operation: earlier, required });
    } else if table.has("same_person_required") {
        let message = "`same_person_required` wants `same_person`, the operation that it is about";
        table.fault(table.offset(), "same_person", message);
    }
    if table.has("hazards") {
        operation.hazards = table.parsed_list("hazards", "hazards", |text, _| hazard(text));
    }
    if let Some(hold) = table.table("hold_point", "hold_point") {
        let rework = hold.names("rework", "rework");
        let measure = hold.text("measure", "measure").unwrap_or_default();
        operation.hold_point = Some(v1::HoldPoint { rework, measure });
        hold.finish();
    }
    if let Some(pin) = table.table("pin", "pin") {
        let technicians = pin.names("technicians", "technicians");
        let start_time = pin.parsed("start", "start_time", text::proto_instant);
        operation.pin = Some(v1::Pin { technicians, start_time });
        pin.finish();
    }
    let done = table.table("done", "progress").map(|row| progress(row, v1::progress::State::Done));
    let running = table.table("running", "progress").map(|row| progress(row, v1::progress::State::Running));
    let paused = table.table("paused", "progress").map(|row| progress(row, v1::progress::State::Paused));
    if [&done, &running, &paused].into_iter().flatten().count() > 1 {
        table.fault(table.offset(), "progress", "it is more than one of `done`, `running` and `paused`");
    }
    operation.progress = done.or(running).or(paused).or(operation.progress.take());
}

fn progress(table: Table<'_>, state: v1::progress::State) -> v1::Progress {
    if !table.has("start") {
        table.missing("start", "start_time");
    }
    let mut progress = v1::Progress {
        state: state.into(),
        start_time: table.parsed("start", "start_time", text::proto_instant),
        technicians: table.names("technicians", "technicians"),
        ..Default::default()
    };
    if state == v1::progress::State::Done {
        if !table.has("end") {
            table.missing("end", "end_time");
        }
        progress.end_time = table.parsed("end", "end_time", text::proto_instant);
    } else {
        let left = work(&table, "hours_left", "minutes_left", "remaining_work");
        if left.is_none() && !table.has("hours_left") && !table.has("minutes_left") {
            table.missing("hours_left", "remaining_work");
        }
        progress.remaining_work = left.map(text::duration);
    }
    if state == v1::progress::State::Running {
        progress.remaining_time = table.parsed("since", "remaining_time", text::proto_instant);
    }
    if state == v1::progress::State::Paused {
        if !table.has("at") {
            table.missing("at", "pause_time");
        }
        progress.pause_time = table.parsed("at", "pause_time", text::proto_instant);
        progress.pause_reason = table.text("reason", "pause_reason").unwrap_or_default();
    }
    table.finish();
    progress
}

/// Reads work in hours or in minutes, whichever is there; returns whole minutes.
pub(crate) fn work(table: &Table<'_>, hours: &'static str, minutes: &'static str, field: &str) -> Option<i64> {
    let in_minutes = table.number(minutes, field);
    let in_hours = table.number(hours, field);
    if let (Some(_), Some(found)) = (&in_minutes, &in_hours) {
        table.fault(found.offset, field, format!("give `{hours}` or `{minutes}`, not both"));
    }
    let (found, minutes_each, key) = match (in_hours, in_minutes) {
        (Some(found), _) => (found, 60.0, hours),
        (None, Some(found)) => (found, 1.0, minutes),
        (None, None) => return None,
    };
    match text::whole_minutes(found.value * minutes_each) {
        Ok(minutes) => Some(minutes),
        Err(problem) => {
            table.fault(found.offset, field, format!("`{key}`: {} {problem}", found.value));
            None
        }
    }
}

fn links(table: &Table<'_>, to: &str, links: &mut Vec<v1::Link>) {
    for found in table.texts("after", "links") {
        match text::link(&found.value) {
            Ok(link) => {
                // Links belong to the whole order, so their paths start at the message.
                table.note_here(format!("links[{}]", links.len()), found.offset, "after");
                if links.is_empty() {
                    table.note_here("links", found.offset, "after");
                }
                links.push(v1::Link { to: to.to_owned(), ..link });
            }
            Err(message) => table.fault(found.offset, "", format!("`after`: {message}")),
        }
    }
}

/// Parses `tower` or `tower x 2`.
fn equipment(text: &str) -> Result<v1::EquipmentNeed, String> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let (equipment, count) = match words[..] {
        [equipment] => (equipment, Some(1)),
        [equipment, "x", count] => (equipment, count.parse().ok()),
        [equipment, count] => (equipment, count.strip_prefix('x').unwrap_or(count).parse().ok()),
        _ => ("", None),
    };
    let count = count.ok_or_else(|| format!("\"{text}\" is not like \"tower\" or \"tower x 2\""))?;
    Ok(v1::EquipmentNeed { equipment: equipment.to_owned(), count })
}

/// Returns what a hazard is called in files, such as `high-voltage`.
pub fn hazard_name(hazard: v1::Hazard) -> String {
    hazard.as_str_name().trim_start_matches("HAZARD_").to_lowercase().replace('_', "-")
}

fn hazard(text: &str) -> Result<i32, String> {
    let all: Vec<v1::Hazard> = (1..).map_while(|number| v1::Hazard::try_from(number).ok()).collect();
    let found = all.iter().find(|hazard| hazard_name(**hazard) == text);
    found.map(|hazard| i32::from(*hazard)).ok_or_else(|| {
        let names: Vec<String> = all.iter().map(|hazard| hazard_name(*hazard)).collect();
        format!("unknown hazard \"{text}\"; there are {}", names.join(", "))
    })
}

/// Returns what was heard of a part as files say it.
pub fn supply_name(state: v1::SupplyState) -> String {
    state.as_str_name().trim_start_matches("SUPPLY_STATE_").to_lowercase()
}

fn supply(text: &str) -> Result<i32, String> {
    let all: Vec<v1::SupplyState> = (1..).map_while(|number| v1::SupplyState::try_from(number).ok()).collect();
    let found = all.iter().find(|state| supply_name(**state) == text);
    found.map(|state| i32::from(*state)).ok_or_else(|| {
        let names: Vec<String> = all.iter().map(|state| supply_name(*state)).collect();
        format!("\"{text}\" is nothing that is heard of parts; there are {}", names.join(", "))
    })
}

fn part(table: Table<'_>, part: &mut v1::Part) {
    part.id = table.required_text("id", "id");
    set(&mut part.display_name, table.text("name", "display_name"));
    if table.has("expected") {
        part.expected_time = table.parsed("expected", "expected_time", text::proto_instant);
    }
    if table.has("received") {
        part.received = table.flag("received", "received");
    }
    if table.has("heard") {
        part.supply_state = table.parsed("heard", "supply_state", |text, _| supply(text)).unwrap_or_default();
    }
    if let Some(percent) = table.integer("sure_percent", "confidence_percent") {
        part.confidence_percent = percent;
    }
    table.finish();
}

fn approval(table: Table<'_>, approval: &mut v1::Approval) {
    approval.id = table.required_text("id", "id");
    set(&mut approval.display_name, table.text("name", "display_name"));
    if table.has("expected") {
        approval.expected_time = table.parsed("expected", "expected_time", text::proto_instant);
    }
    if table.has("granted") {
        approval.granted = table.flag("granted", "granted");
    }
    table.finish();
}

fn set(field: &mut String, value: Option<String>) {
    if let Some(value) = value {
        *field = value;
    }
}
