//! What orders are made from.

use fitup_intake::{Built, Caution, LAST_WORD, Origin};
use fitup_model::take_in::{Conditions, EstimateLine, Override, PartCondition, TakeInFacts};
use fitup_proto::v1;

use super::fields::{At, each, minutes, optional_instant, optional_minutes, optional_text, to_instant, to_minutes};
use super::names::{self, Collection};

/// Returns the name of what an order was made from.
pub fn name(shop: &str, order: &str) -> String {
    format!("{}/takeIn", names::child(shop, Collection::Orders, order))
}

/// Reads lines.
pub fn lines(lines: &[v1::EstimateLine], at: &At) -> Vec<EstimateLine> {
    each(lines, "lines", at, |line, at| EstimateLine {
        id: line.id.clone(),
        panel: line.panel.clone(),
        work: line.work.clone(),
        labour: line.labour.clone(),
        minutes: minutes(line.work_time.as_ref(), &at.field("work_time")),
        part_number: line.part_number.clone(),
        condition: match v1::estimate_line::Condition::try_from(line.condition) {
            Ok(v1::estimate_line::Condition::Unspecified) => None,
            Ok(v1::estimate_line::Condition::New) => Some(PartCondition::New),
            Ok(v1::estimate_line::Condition::Used) => Some(PartCondition::Used),
            Err(_) => {
                at.field("condition").fault("is no condition of a part");
                None
            }
        },
        part_expected_time: optional_instant(line.part_expected_time.as_ref(), &at.field("part_expected_time")),
        part_received: line.part_received,
        note: line.note.clone(),
    })
}

/// Reads overrides.
pub fn overrides(overrides: &[v1::Override], at: &At) -> Vec<Override> {
    each(overrides, "overrides", at, settled)
}

fn settled(settled: &v1::Override, at: &At) -> Override {
    use v1::r#override::Settled;
    let named = |field: &'static str, id: &str| {
        if id.is_empty() {
            at.field(field).fault("is required");
        }
        id.to_owned()
    };
    match &settled.settled {
        Some(Settled::Work(work)) => Override::Work {
            operation: named("work", &work.operation),
            minutes: minutes(work.work.as_ref(), &at.field("work")),
        },
        Some(Settled::Crew(crew)) => {
            if crew.crew.is_empty() || crew.crew.iter().any(|skill| skill.is_empty() || skill.contains(' ')) {
                at.field("crew").fault("name a skill for each person");
            }
            Override::Crew { operation: named("crew", &crew.operation), crew: crew.crew.clone() }
        }
        Some(Settled::Link(link)) => {
            let min_wait_minutes = optional_minutes(link.min_wait.as_ref(), &at.field("link")).unwrap_or(0);
            let max_wait_minutes = optional_minutes(link.max_wait.as_ref(), &at.field("link"));
            if max_wait_minutes.is_some_and(|longest| longest < min_wait_minutes) {
                at.field("link").fault("the longest wait is shorter than the shortest");
            }
            let (from, to) = (named("link", &link.from), named("link", &link.to));
            Override::Link { from, to, min_wait_minutes, max_wait_minutes }
        }
        Some(Settled::Unlink(unlink)) => {
            Override::Unlink { from: named("unlink", &unlink.from), to: named("unlink", &unlink.to) }
        }
        Some(Settled::LeaveOut(operation)) => Override::LeaveOut { operation: named("leave_out", operation) },
        None => {
            at.fault("settles nothing");
            Override::LeaveOut { operation: "-".into() }
        }
    }
}

/// Reads the air of the day.
pub fn conditions(conditions: &v1::Conditions) -> Conditions {
    Conditions {
        adhesive: optional_text(&conditions.adhesive),
        temperature_celsius: conditions.temperature_celsius,
        humidity_percent: conditions.humidity_percent,
        surface_celsius: conditions.surface_celsius,
    }
}

/// Writes what an order was made from.
pub fn write(
    (shop, order): (&str, v1::Order),
    facts: &TakeInFacts,
    rule_book_revision: i64,
    built: &Built,
    cautions: &[Caution],
) -> v1::TakeIn {
    v1::TakeIn {
        name: format!("{}/takeIn", order.name),
        origins: built.origins.iter().map(to_origin).collect(),
        cautions: cautions.iter().map(to_caution).collect(),
        resting: built.resting.clone(),
        effects: Vec::new(),
        last_word: LAST_WORD.into(),
        order: Some(v1::Order { name: names::child(shop, Collection::Orders, &built.facts.id), ..order }),
        ..write_facts(facts, rule_book_revision)
    }
}

/// Writes what an order was made from, without what was made of it.
pub fn write_facts(facts: &TakeInFacts, rule_book_revision: i64) -> v1::TakeIn {
    v1::TakeIn {
        lines: facts.lines.iter().map(to_line).collect(),
        overrides: facts.overrides.iter().map(to_override).collect(),
        features: facts.features.clone(),
        conditions: Some(v1::Conditions {
            adhesive: facts.conditions.adhesive.clone().unwrap_or_default(),
            temperature_celsius: facts.conditions.temperature_celsius,
            humidity_percent: facts.conditions.humidity_percent,
            surface_celsius: facts.conditions.surface_celsius,
        }),
        rule_book_revision,
        ..Default::default()
    }
}

fn to_line(line: &EstimateLine) -> v1::EstimateLine {
    let condition = match line.condition {
        None => v1::estimate_line::Condition::Unspecified,
        Some(PartCondition::New) => v1::estimate_line::Condition::New,
        Some(PartCondition::Used) => v1::estimate_line::Condition::Used,
    };
    v1::EstimateLine {
        id: line.id.clone(),
        panel: line.panel.clone(),
        work: line.work.clone(),
        labour: line.labour.clone(),
        work_time: Some(to_minutes(line.minutes)),
        part_number: line.part_number.clone(),
        condition: condition.into(),
        part_expected_time: line.part_expected_time.map(to_instant),
        part_received: line.part_received,
        note: line.note.clone(),
    }
}

fn to_override(settled: &Override) -> v1::Override {
    use v1::r#override::Settled;
    let settled = match settled.clone() {
        Override::Work { operation, minutes } => {
            Settled::Work(v1::r#override::Work { operation, work: Some(to_minutes(minutes)) })
        }
        Override::Crew { operation, crew } => Settled::Crew(v1::r#override::Crew { operation, crew }),
        Override::Link { from, to, min_wait_minutes, max_wait_minutes } => Settled::Link(v1::Link {
            from,
            to,
            min_wait: (min_wait_minutes > 0).then(|| to_minutes(min_wait_minutes)),
            max_wait: max_wait_minutes.map(to_minutes),
        }),
        Override::Unlink { from, to } => Settled::Unlink(v1::r#override::Unlink { from, to }),
        Override::LeaveOut { operation } => Settled::LeaveOut(operation),
    };
    v1::Override { settled: Some(settled) }
}

fn to_origin(origin: &Origin) -> v1::Origin {
    let share = |share: &fitup_intake::Share| v1::origin::Share {
        line: share.line.clone(),
        rule: share.rule.clone(),
        work: Some(to_minutes(share.minutes)),
    };
    let mut why: Vec<String> = origin.reasons.iter().map(|reason| reason.why.clone()).collect();
    let mut sources: Vec<String> = origin.reasons.iter().map(|reason| reason.source.clone()).collect();
    for texts in [&mut why, &mut sources] {
        let mut seen = std::collections::HashSet::new();
        texts.retain(|text| !text.is_empty() && seen.insert(text.clone()));
    }
    v1::Origin {
        operation: origin.operation.clone(),
        kind: origin.template.clone(),
        panel: origin.panel.clone().unwrap_or_default(),
        shares: origin.shares.iter().map(share).collect(),
        rules: origin.rules.clone(),
        why,
        sources,
        hold_point: origin.hold.clone().unwrap_or_default(),
        settled: origin.settled.iter().map(|word| (*word).to_owned()).collect(),
    }
}

/// Writes a caution.
pub fn to_caution(caution: &Caution) -> v1::Caution {
    v1::Caution {
        rule: caution.rule.clone(),
        about: caution.about.clone(),
        message: caution.message.clone(),
        source: caution.source.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::convert::fields::collect;

    #[test]
    fn overrides_come_back_as_they_were() {
        let link = |longest| Override::Link {
            from: "a".into(),
            to: "b".into(),
            min_wait_minutes: 5,
            max_wait_minutes: longest,
        };
        let all = [
            Override::Work { operation: "a".into(), minutes: 30 },
            Override::Crew { operation: "a".into(), crew: vec!["body".into()] },
            link(None),
            link(Some(9)),
            Override::Unlink { from: "a".into(), to: "b".into() },
            Override::LeaveOut { operation: "a".into() },
        ];
        let messages: Vec<v1::Override> = all.iter().map(to_override).collect();
        let (back, faults) = collect(|at| overrides(&messages, at));
        assert_eq!((back.as_slice(), faults.len()), (all.as_slice(), 0));
        let (_, faults) = collect(|at| overrides(&[v1::Override::default()], at));
        assert_eq!(faults[0].to_string(), "overrides[0]: settles nothing");
    }

    #[test]
    fn lines_come_back_as_they_were() {
        let line = EstimateLine {
            id: "1".into(),
            panel: "hood".into(),
            work: "replace".into(),
            labour: "body".into(),
            minutes: 90,
            part_number: "4471".into(),
            condition: Some(PartCondition::Used),
            part_expected_time: Some(jiff::Timestamp::UNIX_EPOCH),
            part_received: false,
            note: "n".into(),
        };
        let (back, faults) = collect(|at| lines(&[to_line(&line)], at));
        assert_eq!((back, faults.len()), (vec![line], 0));
        let wrong = v1::EstimateLine { condition: 9, ..Default::default() };
        let (_, faults) = collect(|at| lines(&[wrong], at));
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert_eq!(told, ["lines[0].work_time: is required", "lines[0].condition: is no condition of a part"]);
    }
}
