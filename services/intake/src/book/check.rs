//! What makes the tables of a rule book hold together.

use std::collections::HashSet;

use fitup_model::order::SamePersonWish;

use super::read::place;
use super::{Adhesive, BookFault, MOST_FAULTS, OperationTemplate, Reason, Rule, RuleBook};
use crate::graph;

/// Notes faults at the table that they are about.
struct Notes<'t> {
    text: &'t str,
    faults: &'t mut Vec<BookFault>,
}

impl Notes<'_> {
    /// Notes a fault of the `index`th table of a name.
    fn at(&mut self, table: &str, index: usize, message: String) {
        if self.faults.len() >= MOST_FAULTS {
            return;
        }
        let header = if matches!(table, "book" | "safety") { format!("[{table}]") } else { format!("[[{table}]]") };
        let mut starts =
            self.text.match_indices(&header).filter(|(at, _)| *at == 0 || self.text[..*at].ends_with('\n'));
        let (line, column) = place(self.text, starts.nth(index).map_or(0, |(at, _)| at));
        self.faults.push(BookFault { line, column, message });
    }
}

/// Notes all that does not hold together, and puts the operations into an order in which each follows what it comes
/// after.
pub fn check(text: &str, book: &mut RuleBook, faults: &mut Vec<BookFault>) {
    let mut notes = Notes { text, faults };
    if book.operations.is_empty() {
        notes.at("book", 0, "the book has no [[operation]]; it makes no order".into());
    }
    ids(&mut notes, "visit", book.visits.iter().map(|visit| visit.id.as_str()));
    ids(&mut notes, "operation", book.operations.iter().map(|operation| operation.id.as_str()));
    ids(&mut notes, "rule", book.rules.iter().map(|rule| rule.id.as_str()));
    ids(&mut notes, "bring", book.brings.iter().map(|rule| rule.id.as_str()));
    ids(&mut notes, "adhesive", book.adhesives.iter().map(|adhesive| adhesive.id.as_str()));
    for (index, operation) in book.operations.iter().enumerate() {
        let label = format!("operation {:?}", operation.id);
        let mut note = |message: String| notes.at("operation", index, format!("{label}: {message}"));
        if operation.id.len() > 24 {
            note("its id is longer than 24 characters".into());
        }
        if let Some(visit) = operation.visit.as_ref().filter(|id| book.visits.iter().all(|visit| visit.id != **id)) {
            note(format!("there is no visit {visit:?}"));
        }
        if let Some(SamePersonWish { operation: other, .. }) = &operation.same_person
            && (book.operation(other).is_none() || *other == operation.id)
        {
            note(format!("there is no other operation {other:?}"));
        }
        if operation.crew.len() > 4 {
            note("at most 4 people".into());
        }
        if operation.crew.is_empty() && operation.interruptible {
            note("unattended work runs on the clock and does not stop".into());
        }
        if operation.equipment.iter().any(|need| need.count == 0 || need.equipment.is_empty()) {
            note("`uses` is like \"tower\" or \"tower x 2\"".into());
        }
        if operation.reason.source.is_empty() {
            note(SOURCE.into());
        }
        for message in rework(book, operation) {
            note(message);
        }
    }
    follows(&mut notes, book);
    for index in 0..book.rules.len() {
        rule(&mut notes, "rule", index, &book.rules[index], book);
        let total: u32 = book.rules[index].give.iter().map(|(_, percent)| percent).sum();
        if total != 100 {
            let message = format!("rule {:?}: `give` adds up to {total} percent, not to 100", book.rules[index].id);
            notes.at("rule", index, message);
        }
    }
    for index in 0..book.brings.len() {
        rule(&mut notes, "bring", index, &book.brings[index], book);
        if !book.brings[index].give.is_empty() {
            notes.at("bring", index, format!("bring {:?}: `give` is for rules", book.brings[index].id));
        }
    }
    for (index, adhesive) in book.adhesives.iter().enumerate() {
        if let Some(problem) = adhesive_problem(adhesive) {
            notes.at("adhesive", index, format!("adhesive {:?}: {problem}", adhesive.id));
        }
        reason(&mut notes, ("adhesive", index), &format!("adhesive {:?}", adhesive.id), &adhesive.reason, false);
    }
}

/// Returns what is wrong with the rework of a check.
fn rework(book: &RuleBook, check: &OperationTemplate) -> Vec<String> {
    let mut problems = Vec::new();
    if !check.rework.is_empty() && check.hold.is_none() {
        problems.push("`rework` belongs to a check: say with `hold` what must be right".to_owned());
    }
    if !check.rework.is_empty() && check.crew.is_empty() {
        problems.push("`rework` wants a `crew`: somebody has to say that the check failed".to_owned());
    }
    for (index, id) in check.rework.iter().enumerate() {
        if check.rework[..index].contains(id) {
            problems.push(format!("`rework` names {id:?} twice"));
        } else if *id == check.id {
            problems.push(format!("`rework` names {id:?} itself; it is checked again anyhow"));
        } else if book.operation(id).is_none() {
            problems.push(format!("`rework`: there is no operation {id:?}"));
        } else if !leads_to(book, id, &check.id) {
            problems.push(format!("`rework`: no [[follow]] leads from {id:?} to {:?}", check.id));
        }
    }
    problems
}

/// Tells whether what follows what leads from one template to another, by any number of steps.
fn leads_to(book: &RuleBook, first: &str, then: &str) -> bool {
    let (mut seen, mut stack) = (HashSet::from([first]), vec![first]);
    while let Some(at) = stack.pop() {
        let next = book.follows.iter().filter(|follow| follow.first == at).map(|follow| follow.then.as_str());
        for next in next {
            if next == then {
                return true;
            }
            if seen.insert(next) {
                stack.push(next);
            }
        }
    }
    false
}

const SOURCE: &str = "`source` is missing: name where it is from, or \"common practice, no source\"";

fn reason(notes: &mut Notes<'_>, (table, index): (&str, usize), label: &str, reason: &Reason, why: bool) {
    if why && reason.why.is_empty() {
        notes.at(table, index, format!("{label}: `why` is missing"));
    }
    if reason.source.is_empty() {
        notes.at(table, index, format!("{label}: {SOURCE}"));
    }
}

fn ids<'a>(notes: &mut Notes<'_>, table: &str, ids: impl Iterator<Item = &'a str>) {
    let mut seen = HashSet::new();
    for (index, id) in ids.enumerate() {
        let inner = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if id.is_empty() || !id.chars().all(inner) || id.starts_with('-') || id.ends_with('-') || id.len() > 63 {
            let message = format!("{table} {id:?}: `id` wants lower-case letters, digits and inner hyphens");
            notes.at(table, index, message);
        } else if !seen.insert(id.to_owned()) {
            notes.at(table, index, format!("{table} {id:?} is there twice"));
        }
    }
}

fn follows(notes: &mut Notes<'_>, book: &mut RuleBook) {
    // A table may make several; what is wrong with one is told at the first table that says it.
    for follow in &book.follows {
        for id in [&follow.first, &follow.then] {
            if book.operation(id).is_none() {
                notes.at("follow", 0, format!("follow {:?}: there is no operation {id:?}", follow.then));
            }
        }
        if follow.reason.why.is_empty() || follow.reason.source.is_empty() {
            notes.at("follow", 0, format!("follow {:?}: give `why` and `source`", follow.then));
        }
    }
    let ids: Vec<&str> = book.operations.iter().map(|operation| operation.id.as_str()).collect();
    let links: Vec<(usize, usize)> = book
        .follows
        .iter()
        .filter_map(|follow| {
            let index = |id: &str| ids.iter().position(|other| *other == id);
            Some((index(&follow.first)?, index(&follow.then)?))
        })
        .collect();
    match graph::sorted(ids.len(), &links) {
        Ok(order) => {
            let mut operations: Vec<_> = std::mem::take(&mut book.operations).into_iter().map(Some).collect();
            book.operations = order.into_iter().filter_map(|index| operations[index].take()).collect();
            turns(notes, book);
        }
        Err(circle) => {
            let names: Vec<&str> = circle.into_iter().map(|index| ids[index]).collect();
            notes.at("follow", 0, format!("these operations wait for one another: {}", names.join(", ")));
        }
    }
}

/// Notes visits that would have to take turns: no plan could keep a car in both.
fn turns(notes: &mut Notes<'_>, book: &RuleBook) {
    // Operations of one visit are one place; each operation without a visit is a place of its own.
    let place = |id: &str| {
        let index = book.operations.iter().position(|operation| operation.id == id)?;
        let visit = book.operations[index].visit.as_ref();
        let visit = visit.and_then(|visit| book.visits.iter().position(|other| other.id == *visit));
        Some(visit.unwrap_or(book.visits.len() + index))
    };
    let links: Vec<(usize, usize)> = book
        .follows
        .iter()
        .filter_map(|follow| Some((place(&follow.first)?, place(&follow.then)?)))
        .filter(|(first, then)| first != then)
        .collect();
    if let Err(circle) = graph::sorted(book.visits.len() + book.operations.len(), &links) {
        let names = circle.into_iter().map(|place| match place.checked_sub(book.visits.len()) {
            None => format!("visit {}", book.visits[place].id),
            Some(index) => book.operations[index].id.clone(),
        });
        let names: Vec<String> = names.collect();
        notes.at("follow", 0, format!("these would take turns, so no car could be in both: {}", names.join(", ")));
    }
}

fn rule(notes: &mut Notes<'_>, table: &str, index: usize, rule: &Rule, book: &RuleBook) {
    let label = format!("{table} {:?}", rule.id);
    let shares = rule.give.iter().chain(&rule.add).map(|(id, _)| id);
    for id in shares.chain(&rule.bring).chain(&rule.part) {
        if book.operation(id).is_none() {
            notes.at(table, index, format!("{label}: there is no operation {id:?}"));
        }
    }
    for (kind, used, known) in [
        ("work", &rule.when.works, &book.works),
        ("work", &rule.when.beside, &book.works),
        ("labour", &rule.when.labours, &book.labours),
        ("feature", &rule.when.features, &book.features),
    ] {
        for word in used.iter().filter(|word| !known.contains(word)) {
            notes.at(table, index, format!("{label}: there is no {kind} {word:?}"));
        }
    }
    let kinds: Vec<&str> = book.panels.iter().map(|panel| panel.kind.as_str()).collect();
    for panel in rule.when.panels.iter().filter(|panel| !panel.contains('*') && !kinds.contains(&panel.as_str())) {
        notes.at(table, index, format!("{label}: there is no kind of panel {panel:?}; for names use `*`"));
    }
    for id in rule.bring.iter().filter_map(|id| book.operation(id)) {
        if id.base_minutes + id.usual_minutes == 0
            && !rule.add.iter().chain(&rule.give).any(|(other, _)| *other == id.id)
        {
            notes.at(
                table,
                index,
                format!("{label}: operation {:?} has neither `hours` nor `usual_hours` of its own", id.id),
            );
        }
    }
    reason(notes, (table, index), &label, &rule.reason, true);
}

fn adhesive_problem(adhesive: &Adhesive) -> Option<&'static str> {
    let rises = |numbers: &[i32]| !numbers.is_empty() && numbers.windows(2).all(|pair| pair[0] < pair[1]);
    if !rises(&adhesive.temperatures) || !rises(&adhesive.humidities) {
        return Some("`temperatures` and `humidities` must rise, with at least one each");
    }
    let rows_fit = adhesive.minutes.len() == adhesive.humidities.len();
    if !rows_fit || adhesive.minutes.iter().any(|row| row.len() != adhesive.temperatures.len()) {
        return Some("`hours` wants a list for each humidity, with a number for each temperature");
    }
    adhesive.minutes.iter().flatten().any(|minutes| *minutes == 0).then_some("`hours` are more than 0")
}
