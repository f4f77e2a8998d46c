//! Orders from lines, and rule books, as JSON.

use fitup_proto::v1;
use fitup_proto::v1::r#override::Settled;
use serde::Serialize;

use super::{Order, id_of, instant, set, word};
use crate::wire::minutes;

/// Answer of `rulebook export`.
#[derive(Debug, Serialize)]
pub struct RuleBook<'t> {
    /// Its revision; 0 is the built-in one.
    pub revision: i64,
    /// The whole file.
    pub text: &'t str,
}

/// Answer of `rulebook apply`.
#[derive(Debug, Serialize)]
pub struct RuleBookDone {
    /// Its revision.
    pub revision: i64,
    /// What was done: `applied`, `unchanged`, `checked`.
    pub done: &'static str,
}

/// Answer of the verbs of `take-in`.
#[derive(Debug, Serialize)]
pub struct TakeIn {
    saved: bool,
    rule_book_revision: i64,
    order: Order,
    lines: Vec<Line>,
    overrides: Vec<Override>,
    features: Vec<String>,
    conditions: Conditions,
    origins: Vec<Origin>,
    resting: Vec<String>,
    effects: Vec<Effect>,
    cautions: Vec<Caution>,
    last_word: String,
}

#[derive(Debug, Serialize)]
struct Line {
    line: String,
    panel: String,
    work: String,
    minutes: i64,
    labour: Option<String>,
    part: Option<String>,
    condition: Option<String>,
    expected: Option<String>,
    received: bool,
    note: Option<String>,
}

#[derive(Debug, Default, Serialize)]
struct Override {
    kind: &'static str,
    operation: String,
    after: Option<String>,
    minutes: Option<i64>,
    crew: Vec<String>,
    min_wait_minutes: Option<i64>,
    max_wait_minutes: Option<i64>,
}

#[derive(Debug, Serialize)]
struct Conditions {
    adhesive: Option<String>,
    temperature_celsius: Option<i32>,
    humidity_percent: Option<i32>,
    surface_celsius: Option<i32>,
}

#[derive(Debug, Serialize)]
struct Origin {
    operation: String,
    kind: String,
    panel: Option<String>,
    shares: Vec<Share>,
    rules: Vec<String>,
    why: Vec<String>,
    sources: Vec<String>,
    hold_point: Option<String>,
    settled: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Share {
    line: String,
    rule: String,
    minutes: i64,
}

#[derive(Debug, Serialize)]
struct Effect {
    order: Option<String>,
    promise: Option<String>,
    completion_before: Option<String>,
    completion_after: Option<String>,
}

/// Something that asks for caution.
#[derive(Debug, Serialize)]
pub struct Caution {
    rule: String,
    about: Vec<String>,
    message: String,
    source: String,
}

impl TakeIn {
    /// Returns the answer.
    pub fn new(take_in: &v1::TakeIn, saved: bool) -> Self {
        let conditions = take_in.conditions.clone().unwrap_or_default();
        Self {
            saved,
            rule_book_revision: take_in.rule_book_revision,
            order: Order::from(&take_in.order.clone().unwrap_or_default()),
            lines: take_in.lines.iter().map(line).collect(),
            overrides: take_in.overrides.iter().filter_map(|one| one.settled.as_ref()).map(settled).collect(),
            features: take_in.features.clone(),
            conditions: Conditions {
                adhesive: set(&conditions.adhesive),
                temperature_celsius: conditions.temperature_celsius,
                humidity_percent: conditions.humidity_percent,
                surface_celsius: conditions.surface_celsius,
            },
            origins: take_in.origins.iter().map(origin).collect(),
            resting: take_in.resting.clone(),
            effects: take_in.effects.iter().map(effect).collect(),
            cautions: take_in.cautions.iter().map(Caution::from).collect(),
            last_word: take_in.last_word.clone(),
        }
    }
}

impl From<&v1::Caution> for Caution {
    fn from(caution: &v1::Caution) -> Self {
        let v1::Caution { rule, about, message, source } = caution.clone();
        Self { rule, about, message, source }
    }
}

fn line(line: &v1::EstimateLine) -> Line {
    Line {
        line: line.id.clone(),
        panel: line.panel.clone(),
        work: line.work.clone(),
        minutes: line.work_time.as_ref().map_or(0, minutes),
        labour: set(&line.labour),
        part: set(&line.part_number),
        condition: (line.condition != 0).then(|| word(line.condition().as_str_name(), "CONDITION_")),
        expected: instant(line.part_expected_time.as_ref()),
        received: line.part_received,
        note: set(&line.note),
    }
}

fn settled(settled: &Settled) -> Override {
    match settled.clone() {
        Settled::Work(work) => Override {
            kind: "work",
            operation: work.operation,
            minutes: work.work.as_ref().map(minutes),
            ..Default::default()
        },
        Settled::Crew(crew) => {
            Override { kind: "crew", operation: crew.operation, crew: crew.crew, ..Default::default() }
        }
        Settled::Link(link) => Override {
            kind: "link",
            operation: link.to,
            after: Some(link.from),
            min_wait_minutes: link.min_wait.as_ref().map(minutes),
            max_wait_minutes: link.max_wait.as_ref().map(minutes),
            ..Default::default()
        },
        Settled::Unlink(unlink) => {
            Override { kind: "unlink", operation: unlink.to, after: Some(unlink.from), ..Default::default() }
        }
        Settled::LeaveOut(operation) => Override { kind: "leave_out", operation, ..Default::default() },
    }
}

fn origin(origin: &v1::Origin) -> Origin {
    let share = |share: &v1::origin::Share| Share {
        line: share.line.clone(),
        rule: share.rule.clone(),
        minutes: share.work.as_ref().map_or(0, minutes),
    };
    Origin {
        operation: origin.operation.clone(),
        kind: origin.kind.clone(),
        panel: set(&origin.panel),
        shares: origin.shares.iter().map(share).collect(),
        rules: origin.rules.clone(),
        why: origin.why.clone(),
        sources: origin.sources.clone(),
        hold_point: set(&origin.hold_point),
        settled: origin.settled.clone(),
    }
}

fn effect(effect: &v1::PromiseEffect) -> Effect {
    Effect {
        order: id_of(&effect.order),
        promise: instant(effect.promise_time.as_ref()),
        completion_before: instant(effect.completion_before_time.as_ref()),
        completion_after: instant(effect.completion_after_time.as_ref()),
    }
}
