//! Job outlines: reusable routings of typical repairs, from which an order is made by filling in hours.
//!
//! An outline is a TOML file in `client/outlines`, built into the program under its file name. `[outline]` heads it; `[[visit]]`,
//! `[[operation]]`, `[[part]]` and `[[approval]]` are those of an order ([`crate::file::order`]) without its times:
//!
//! ```toml
#![doc = include_str!("../outlines/door.toml")]
//! ```
//!
//! | table | keys |
//! | --- | --- |
//! | `[outline]` | `id`, `title`, `description`, `caution` |
//! | `[[operation]]` | as in an order; `hours` is what is taken if the writer says nothing, and 0 means left out; `ask = true` instead makes the writer say; `usual = [1, 3]` tells from how many to how many hours it usually takes |
//!
//! An outline names skills, bay classes and equipment by ids that the shop must have; the server tells which it has not.

use std::collections::{BTreeMap, BTreeSet};

use fitup_proto::v1;
use jiff::tz::TimeZone;

use crate::file::read::{Reader, Table, nearest, number_of};
use crate::file::{Fault, Source, order};
use crate::wire::duration;

/// The outlines built in: the name and the text of each file in `client/outlines`, by name.
const LIBRARY: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/outlines.rs"));

/// A reusable routing.
#[derive(Debug, Clone, PartialEq)]
pub struct Outline {
    /// Its name in files and commands.
    pub id: String,
    /// A line about it.
    pub title: String,
    /// What it covers and what it leaves out.
    pub description: String,
    /// What can hurt, and whose word rules.
    pub caution: String,
    /// Visits, operations, links, parts and approvals. Operations whose hours are asked have no work.
    pub skeleton: v1::Order,
    /// From how many to how many minutes operations usually take, where the outline says.
    pub usual: BTreeMap<String, (i64, i64)>,
}

/// Why there is no such outline.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("there is no outline \"{name}\"{hint}")]
pub struct UnknownOutline {
    /// The name asked for.
    pub name: String,
    /// What was meant, or what there is.
    pub hint: String,
}

/// Returns all outlines, by id.
pub fn library() -> Vec<Outline> {
    LIBRARY.iter().map(|(id, text)| built_in(id, text)).collect()
}

fn built_in(id: &str, text: &str) -> Outline {
    let source = Source { name: format!("outlines/{id}.toml"), text: text.to_owned() };
    read_outline(&source).0
}

/// Returns "; did you mean `x`?", or what there is.
pub fn hint(word: &str, known: &[&str]) -> String {
    match nearest(word, known) {
        Some(near) => format!("; did you mean \"{near}\"?"),
        None => format!("; there are {}", known.join(", ")),
    }
}

impl Outline {
    /// Returns the outline of that name.
    ///
    /// # Errors
    ///
    /// If there is none.
    pub fn find(name: &str) -> Result<Self, UnknownOutline> {
        match LIBRARY.iter().find(|(id, _)| *id == name) {
            Some((id, text)) => Ok(built_in(id, text)),
            None => {
                let ids: Vec<&str> = LIBRARY.iter().map(|(id, _)| *id).collect();
                Err(UnknownOutline { name: name.to_owned(), hint: hint(name, &ids) })
            }
        }
    }

    /// Returns the operation of that id.
    pub fn operation(&self, id: &str) -> Option<&v1::Operation> {
        self.skeleton.operations.iter().find(|operation| operation.id == id)
    }

    /// Returns the operations that the writer must give hours for.
    pub fn asked(&self) -> Vec<&str> {
        let asked = self.skeleton.operations.iter().filter(|operation| operation.work.is_none());
        asked.map(|operation| operation.id.as_str()).collect()
    }

    /// Returns visits, operations, links, parts and approvals with these `minutes`.
    ///
    /// Operations that have none and are asked for keep no work. Those of 0 minutes are left out, unless `wanted` names
    /// them: then their work is open too. What came after one left out comes, with its wait, after what was before it.
    pub fn expand(&self, minutes: &BTreeMap<String, i64>, wanted: &BTreeSet<String>) -> v1::Order {
        let mut order = self.skeleton.clone();
        for operation in &mut order.operations {
            match minutes.get(&operation.id) {
                Some(&minutes) => operation.work = Some(duration(minutes)),
                None if wanted.contains(&operation.id) && is_none_left(operation) => operation.work = None,
                None => {}
            }
        }
        let left_out: Vec<String> =
            order.operations.iter().filter(|operation| is_none_left(operation)).map(|left| left.id.clone()).collect();
        for id in &left_out {
            leave_out(&mut order, id);
        }
        drop_unused(&mut order);
        order
    }
}

fn is_none_left(operation: &v1::Operation) -> bool {
    operation.work.as_ref().is_some_and(|work| work.seconds == 0)
}

fn leave_out(order: &mut v1::Order, id: &str) {
    order.operations.retain(|operation| operation.id != id);
    for operation in &mut order.operations {
        operation.same_person.take_if(|same| same.operation == id);
    }
    let (touching, mut links): (Vec<_>, Vec<_>) =
        std::mem::take(&mut order.links).into_iter().partition(|link| link.from == id || link.to == id);
    for before in touching.iter().filter(|link| link.to == id) {
        for after in touching.iter().filter(|link| link.from == id) {
            if !links.iter().any(|link| link.from == before.from && link.to == after.to) {
                links.push(v1::Link { from: before.from.clone(), ..after.clone() });
            }
        }
    }
    order.links = links;
}

fn drop_unused(order: &mut v1::Order) {
    let operations = &order.operations;
    let needed: BTreeSet<&String> = operations.iter().flat_map(|operation| &operation.needs).collect();
    order.visits.retain(|visit| operations.iter().any(|operation| operation.visit == visit.id));
    order.parts.retain(|part| needed.contains(&part.id));
    order.approvals.retain(|approval| needed.contains(&approval.id));
}

/// Reads an outline, with all that is wrong with it.
pub fn read_outline(source: &Source) -> (Outline, Vec<Fault>) {
    let reader = Reader::new(source, TimeZone::UTC);
    let mut outline = Outline {
        id: String::new(),
        title: String::new(),
        description: String::new(),
        caution: String::new(),
        skeleton: v1::Order::default(),
        usual: BTreeMap::new(),
    };
    if let Some(document) = reader.parse() {
        let root = Table::root(&reader, &document);
        match root.table("outline", "") {
            Some(head) => {
                outline.id = head.required_text("id", "");
                outline.title = head.required_text("title", "");
                outline.description = head.required_text("description", "").trim().to_owned();
                outline.caution = head.text("caution", "").unwrap_or_default().trim().to_owned();
                head.finish();
            }
            None => root.missing("outline", ""),
        }
        let usual = &mut outline.usual;
        order::body(&root, &mut outline.skeleton, |row| asking(row, usual));
        root.finish();
    }
    (outline, reader.take_faults())
}

/// Reads `ask` and `usual` of an operation, and checks that its hours are either given or asked.
fn asking(row: &Table<'_>, usual: &mut BTreeMap<String, (i64, i64)>) {
    let id = row.id().unwrap_or_default().to_owned();
    let has_work = row.has("hours") || row.has("minutes");
    if row.flag("ask", "") == has_work {
        row.fault(row.offset(), "", "give `hours` or `minutes`, or `ask = true`, and only one of them");
    }
    let Some(found) = row.item("usual", "") else { return };
    let bounds: Option<Vec<f64>> = found.value.as_array().and_then(|list| list.iter().map(number_of).collect());
    match bounds.as_deref() {
        Some(&[low, high]) if 0.0 < low && low <= high => {
            let minutes = |hours: f64| (hours * 60.0).round() as i64;
            usual.insert(id, (minutes(low), minutes(high)));
        }
        _ => row.fault(found.offset, "", "`usual` must be two numbers of hours such as [1, 3], the smaller first"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every outline reads without a fault, is called what its file is called, and hangs together: names resolve, links
    /// have no cycle, and what can hurt carries a caution.
    #[test]
    fn the_library_is_sound() {
        for (name, text) in LIBRARY {
            let (outline, faults) = read_outline(&Source { name: (*name).into(), text: (*text).into() });
            assert_eq!(faults, [], "{name}");
            assert_eq!(outline.id, *name);
            let order = &outline.skeleton;
            let ids: BTreeSet<&str> = order.operations.iter().map(|operation| operation.id.as_str()).collect();
            assert_eq!(ids.len(), order.operations.len(), "{name}: operations are unique");
            for link in &order.links {
                assert!(ids.contains(link.from.as_str()), "{name}: {} comes after unknown {}", link.to, link.from);
            }
            for operation in &order.operations {
                let id = &operation.id;
                let visit = &operation.visit;
                assert!(visit.is_empty() || order.visits.iter().any(|v| v.id == *visit), "{name}: {id} in {visit}");
                for need in &operation.needs {
                    let known = order.parts.iter().any(|part| part.id == *need)
                        || order.approvals.iter().any(|approval| approval.id == *need);
                    assert!(known, "{name}: {id} needs unknown {need}");
                }
                if let Some(same) = &operation.same_person {
                    assert!(ids.contains(same.operation.as_str()), "{name}: {id}: same person as unknown");
                }
                assert!(operation.hazards.is_empty() || !outline.caution.is_empty(), "{name}: {id} wants a caution");
            }
            assert!(order.visits.iter().all(|v| order.operations.iter().any(|o| o.visit == v.id)), "{name}: visits");
            assert!(!has_cycle(order), "{name}: links have a cycle");
        }
    }

    fn has_cycle(order: &v1::Order) -> bool {
        let mut open: BTreeSet<&str> = order.operations.iter().map(|operation| operation.id.as_str()).collect();
        loop {
            let free: Vec<&str> = open
                .iter()
                .copied()
                .filter(|id| !order.links.iter().any(|link| link.to == **id && open.contains(link.from.as_str())))
                .collect();
            if free.is_empty() {
                return !open.is_empty();
            }
            open.retain(|id| !free.contains(id));
        }
    }

    #[test]
    fn what_is_left_out_is_bridged() {
        let text = r#"
[outline]
id = "x"
title = "x"
description = "x"
[[visit]]
id = "booth"
class = "booth"
[[operation]]
id = "a"
ask = true
crew = ["body"]
[[operation]]
id = "b"
hours = 0
usual = [0.5, 1]
crew = ["refinish"]
visit = "booth"
after = ["a"]
needs = ["paint"]
[[operation]]
id = "c"
hours = 1
crew = ["body"]
after = ["b + 30 min"]
[[part]]
id = "paint"
"#;
        let (outline, faults) = read_outline(&Source { name: "x".into(), text: text.into() });
        assert_eq!(faults, []);
        assert_eq!(outline.asked(), ["a"]);
        assert_eq!(outline.usual["b"], (30, 60));
        let without = outline.expand(&BTreeMap::from([("a".to_owned(), 60)]), &BTreeSet::new());
        let min_wait = Some(duration(30));
        let link = v1::Link { from: "a".into(), to: "c".into(), min_wait, max_wait: None };
        assert_eq!(without.links, [link]);
        assert_eq!((without.visits.len(), without.parts.len(), without.operations.len()), (0, 0, 2));
        let with = outline.expand(&BTreeMap::from([("b".to_owned(), 45)]), &BTreeSet::new());
        assert_eq!((with.visits.len(), with.parts.len(), with.operations.len()), (1, 1, 3));
        assert_eq!(with.operations[0].work, None);
    }

    #[test]
    fn an_unknown_outline_gets_a_hint() {
        let error = Outline::find("dor").expect_err("is unknown").to_string();
        assert_eq!(error, "there is no outline \"dor\"; did you mean \"door\"?");
    }
}
