//! What differs between two states of a shop.

use std::fmt;

use fitup_proto::v1;

/// One thing that differs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// Field of the shop that holds it.
    pub field: &'static str,
    /// What happens to it.
    pub kind: ChangeKind,
    /// What it is, such as `bay rack-1`.
    pub thing: String,
}

/// What happens to a thing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChangeKind {
    /// It is new.
    Added,
    /// It stays, and is different.
    Changed,
    /// It goes.
    Removed,
}

impl ChangeKind {
    /// Returns it as a word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Added => "added",
            Self::Changed => "changed",
            Self::Removed => "removed",
        }
    }
}

impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.thing, self.kind.word())
    }
}

/// Returns what differs, field by field.
pub fn changes(old: &v1::Shop, new: &v1::Shop) -> Vec<Change> {
    let mut changes = Vec::new();
    let mut whole = |field, thing: &str, differs: bool| {
        if differs {
            changes.push(Change { field, kind: ChangeKind::Changed, thing: thing.to_owned() });
        }
    };
    whole("display_name", "name", old.display_name != new.display_name);
    whole("time_zone", "time zone", old.time_zone != new.time_zone);
    changes.extend(keyed("skills", "skill", &old.skills, &new.skills, String::clone));
    changes.extend(keyed("calendars", "calendar", &old.calendars, &new.calendars, |calendar| calendar.id.clone()));
    changes.extend(keyed("holidays", "holiday", &old.holidays, &new.holidays, |holiday| holiday.date.clone()));
    changes.extend(keyed("bays", "bay", &old.bays, &new.bays, |bay| bay.id.clone()));
    changes.extend(keyed("equipment", "equipment", &old.equipment, &new.equipment, |pool| pool.id.clone()));
    changes.extend(keyed("technicians", "technician", &old.technicians, &new.technicians, |person| person.id.clone()));
    let families = |changeover: &v1::Changeover| format!("{} to {}", changeover.from_family, changeover.to_family);
    changes.extend(keyed("changeovers", "changeover", &old.changeovers, &new.changeovers, families));
    let settings = |shop: &v1::Shop| shop.settings.unwrap_or_default();
    if settings(old) != settings(new) {
        changes.push(Change { field: "settings", kind: ChangeKind::Changed, thing: "settings".to_owned() });
    }
    changes
}

fn keyed<T: PartialEq>(
    field: &'static str,
    thing: &str,
    old: &[T],
    new: &[T],
    key: impl Fn(&T) -> String,
) -> Vec<Change> {
    let mut changes = Vec::new();
    let change = |kind, id: String| Change { field, kind, thing: format!("{thing} {id}") };
    for one in new {
        match old.iter().find(|other| key(other) == key(one)) {
            None => changes.push(change(ChangeKind::Added, key(one))),
            Some(other) if other != one => changes.push(change(ChangeKind::Changed, key(one))),
            Some(_) => {}
        }
    }
    for one in old {
        if !new.iter().any(|other| key(other) == key(one)) {
            changes.push(change(ChangeKind::Removed, key(one)));
        }
    }
    if changes.is_empty() && old != new {
        changes.push(Change { field, kind: ChangeKind::Changed, thing: format!("the order of {field}") });
    }
    changes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_what_differs() {
        let bay = |id: &str, class: &str| v1::Bay { id: id.into(), classes: vec![class.into()], ..v1::Bay::default() };
        let old = v1::Shop { bays: vec![bay("a", "x"), bay("b", "x")], ..v1::Shop::default() };
        let new = v1::Shop {
            display_name: "New".into(),
            bays: vec![bay("b", "y"), bay("c", "x")],
            settings: Some(v1::PlanningSettings { late_weight: Some(4), ..Default::default() }),
            ..v1::Shop::default()
        };
        let told: Vec<String> = changes(&old, &new).iter().map(ToString::to_string).collect();
        assert_eq!(told, ["name changed", "bay b changed", "bay c added", "bay a removed", "settings changed"]);
        assert_eq!(changes(&old, &old), []);
        let turned = v1::Shop { bays: vec![bay("b", "x"), bay("a", "x")], ..v1::Shop::default() };
        assert_eq!(changes(&old, &turned)[0].to_string(), "the order of bays changed");
    }
}
