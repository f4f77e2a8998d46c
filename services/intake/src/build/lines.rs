//! What is wrong with lines, and which rules they fit.

use std::collections::HashMap;

use fitup_model::Faults;
use fitup_model::take_in::{EstimateLine, TakeInFacts};

use super::MOST_LINES;
use crate::book::{self, Match, RuleBook};
use crate::merge;

/// Hours of one line at most, in minutes.
const LONGEST_LINE: u32 = 200 * 60;
/// A panel's name is part of the ids of its operations.
const LONGEST_PANEL: usize = 38;

/// Returns everything that is wrong with lines and conditions by themselves.
pub fn faults(book: &RuleBook, take_in: &TakeInFacts) -> Faults {
    let mut faults = Faults::new();
    if take_in.lines.is_empty() {
        faults.add("lines", "there is none; an order is made from at least one");
    }
    if take_in.lines.len() > MOST_LINES {
        faults.add("lines", format!("{} lines; at most {MOST_LINES}", take_in.lines.len()));
    }
    let mut seen: HashMap<&str, usize> = HashMap::new();
    for (index, line) in take_in.lines.iter().enumerate() {
        let mut add = |field: &str, message: String| faults.add(format!("lines[{index}].{field}"), message);
        if !is_id(&line.id, 63) {
            add("id", format!("{:?} is not an id: use lower-case letters, digits and inner hyphens", line.id));
        } else if seen.insert(&line.id, index).is_some() {
            add("id", format!("line {:?} is there twice; each line has an id of its own", line.id));
        }
        if !is_id(&line.panel, LONGEST_PANEL) || merge::whole(&line.panel) != line.panel {
            let message = format!(
                "{:?} is no name of a panel: use up to {LONGEST_PANEL} lower-case letters, digits and inner hyphens, such as \"front-door-left\", and no \"-s1\" at its end",
                line.panel
            );
            add("panel", message);
        } else if book.panel_kind(&line.panel).is_none() {
            let message = format!("no [[panel]] of the rule book fits {:?}; add its name to one", line.panel);
            add("panel", message);
        }
        if !book.works.contains(&line.work) {
            add("work", format!("unknown work {:?}; there are {}", line.work, book.works.join(", ")));
        }
        if !line.labour.is_empty() && !book.labours.contains(&line.labour) {
            add("labour", format!("unknown labour {:?}; there are {}", line.labour, book.labours.join(", ")));
        }
        if line.minutes > LONGEST_LINE {
            add("work_time", format!("{} minutes; at most {LONGEST_LINE}", line.minutes));
        }
        if !line.part_number.is_empty() {
            if line.part_number.chars().count() > 60 || line.part_number.chars().any(char::is_control) {
                add("part_number", "at most 60 characters, and no control characters".into());
            } else if !line.part_number.chars().any(|letter| letter.is_ascii_alphanumeric()) {
                add("part_number", format!("{:?} has no letter or digit", line.part_number));
            }
            if !line.part_received && line.part_expected_time.is_none() {
                let message = format!("say when part {:?} is expected, or that it is there", line.part_number);
                add("part_expected_time", message);
            }
        } else if line.part_received || line.part_expected_time.is_some() {
            add("part_number", "is missing, but the line says when the part comes".into());
        }
        if line.note.chars().count() > 500 {
            add("note", "at most 500 characters".into());
        }
    }
    for (index, feature) in take_in.features.iter().enumerate() {
        if !book.features.contains(feature) {
            let message = format!("unknown feature {feature:?}; there are {}", book.features.join(", "));
            faults.add(format!("features[{index}]"), message);
        } else if take_in.features[..index].contains(feature) {
            faults.add(format!("features[{index}]"), format!("{feature:?} is there twice"));
        }
    }
    let conditions = &take_in.conditions;
    if let Some(id) = conditions.adhesive.as_ref().filter(|id| book.adhesives.iter().all(|one| one.id != **id)) {
        let known: Vec<&str> = book.adhesives.iter().map(|adhesive| adhesive.id.as_str()).collect();
        let known = if known.is_empty() { "it has none".to_owned() } else { format!("it has {}", known.join(", ")) };
        let message = format!("there is no [[adhesive]] {id:?} in the rule book; {known}");
        faults.add("conditions.adhesive", message);
    }
    for (field, value, range) in [
        ("temperature_celsius", conditions.temperature_celsius, -40..=60),
        ("surface_celsius", conditions.surface_celsius, -40..=120),
        ("humidity_percent", conditions.humidity_percent, 1..=100),
    ] {
        if value.is_some_and(|value| !range.contains(&value)) {
            let message = format!("is not between {} and {}", range.start(), range.end());
            faults.add(format!("conditions.{field}"), message);
        }
    }
    faults
}

/// Tells whether the words of a line are known, so that rules can be asked.
pub fn is_known(book: &RuleBook, line: &EstimateLine) -> bool {
    book.works.contains(&line.work)
        && is_id(&line.panel, LONGEST_PANEL)
        && merge::whole(&line.panel) == line.panel
        && book.panel_kind(&line.panel).is_some()
        && (line.labour.is_empty() || book.labours.contains(&line.labour))
}

/// Tells whether a match says nothing about lines.
pub fn is_for_every_car(when: &Match) -> bool {
    when.works.is_empty()
        && when.panels.is_empty()
        && when.labours.is_empty()
        && when.condition.is_none()
        && when.beside.is_empty()
}

/// Tells whether the car has what a match asks for.
pub fn has_feature(take_in: &TakeInFacts, when: &Match) -> bool {
    when.features.is_empty() || when.features.iter().any(|feature| take_in.features.contains(feature))
}

/// Tells whether a line fits a match.
pub fn fits(book: &RuleBook, take_in: &TakeInFacts, when: &Match, line: &EstimateLine) -> bool {
    let kind = book.panel_kind(&line.panel).unwrap_or_default();
    let panel = |word: &String| word == kind || (word.contains('*') && book::fits(word, &line.panel));
    let neighbours = || take_in.lines.iter().filter(|other| other.panel == line.panel);
    let condition = || neighbours().find_map(|other| other.condition);
    (when.works.is_empty() || when.works.contains(&line.work))
        && (when.panels.is_empty() || when.panels.iter().any(panel))
        && (when.labours.is_empty() || when.labours.contains(&line.labour))
        && (when.condition.is_none() || when.condition == line.condition.or_else(condition))
        && (when.beside.is_empty()
            || neighbours().any(|other| other.id != line.id && when.beside.contains(&other.work)))
        && has_feature(take_in, when)
}

/// Returns the id of a part by its number: the number itself, as far as an id can say it. One without a digit might be
/// taken for something else that an operation needs, and is marked as a part.
pub fn part_id(number: &str) -> String {
    let marked = if number.chars().any(|letter| letter.is_ascii_digit()) { "" } else { MARK };
    let mut id = String::from(marked);
    for word in number.split(|letter: char| !letter.is_ascii_alphanumeric()).filter(|word| !word.is_empty()) {
        if !id.is_empty() && !id.ends_with('-') {
            id.push('-');
        }
        id.push_str(&word.to_ascii_lowercase());
    }
    id.truncate(63);
    id.trim_end_matches('-').to_owned()
}

/// Before the number of each part stood this once, and orders remember it.
pub const MARK: &str = "part-";

fn is_id(text: &str, longest: usize) -> bool {
    let inner = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    !text.is_empty()
        && text.len() <= longest
        && text.chars().all(inner)
        && !text.starts_with('-')
        && !text.ends_with('-')
}

#[cfg(test)]
mod tests {
    use super::part_id;

    #[test]
    fn ids_of_parts() {
        assert_eq!(part_id("44-71 A/2"), "44-71-a-2");
        assert_eq!(part_id("/71-204"), "71-204");
        assert_eq!(part_id("insurer"), "part-insurer");
        assert_eq!(part_id(&"9".repeat(60)).len(), 60);
    }
}
