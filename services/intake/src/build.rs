//! Lines and a rule book make an order; each operation says which lines and which rule made it.

mod lines;
mod links;

use std::collections::{BTreeMap, BTreeSet};

use fitup_model::order::{HoldPoint, Need, OrderOperation, OrderVisit, Progress, SamePersonWish};
use fitup_model::take_in::{EstimateLine, Override, TakeInFacts};
use fitup_model::{Fault, Faults, OrderFacts};

use crate::book::{Activity, OperationTemplate, Reason, Rule, RuleBook};
use crate::cure;
use crate::safety::Caution;
pub(crate) use lines::MARK;

/// So many lines are taken; more is a mistake, not an estimate.
pub const MOST_LINES: usize = 500;
/// So much is settled by hand at most.
pub const MOST_OVERRIDES: usize = 500;
/// An order has so many operations at most; with more of them links would take long, for an order that is refused.
const MOST_OPERATIONS: usize = 1000;

/// Minutes that a line gave to an operation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Share {
    /// Id of the line.
    pub line: String,
    /// Id of the rule.
    pub rule: String,
    /// Minutes; 0 if it only came along.
    pub minutes: u32,
}

/// Where an operation is from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Origin {
    /// Id of the operation.
    pub operation: String,
    /// Its kind in the rule book.
    pub template: String,
    /// Its panel, if there is one for each.
    pub panel: Option<String>,
    /// What lines gave it.
    pub shares: Vec<Share>,
    /// The rules that made it, lines or none.
    pub rules: Vec<String>,
    /// Why, in the words of the rules and of its kind.
    pub reasons: Vec<Reason>,
    /// What must be right before work goes on.
    pub hold: Option<String>,
    /// What the safety rules look for.
    pub does: Vec<Activity>,
    /// What was settled about it by hand: `work`, `crew`, `order`.
    pub settled: Vec<&'static str>,
}

/// An order made from lines, not yet checked against its shop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Built {
    /// The order.
    pub facts: OrderFacts,
    /// Where each of its operations is from, in the same order.
    pub origins: Vec<Origin>,
    /// What rules warn of.
    pub cautions: Vec<Caution>,
    /// Overrides that have nothing to hold on to at present, in words.
    pub resting: Vec<String>,
    /// Ids of required operations that were left out by hand.
    pub left_out: Vec<String>,
}

/// What an operation gathers while lines are read.
#[derive(Debug, Clone, Default)]
pub(crate) struct Node {
    minutes: u32,
    shares: Vec<Share>,
    rules: Vec<String>,
    reasons: Vec<Reason>,
    parts: BTreeSet<String>,
}

/// A kind of operation, by its index in the book, and its panel if there is one for each.
pub(crate) type Key = (usize, Option<String>);

/// Makes an order from lines: `head` says all that lines do not, its operations are not looked at.
///
/// # Errors
/// Everything that is wrong with the lines, the overrides and the conditions, by field.
pub fn build(book: &RuleBook, take_in: &TakeInFacts, head: OrderFacts) -> Result<Built, Vec<Fault>> {
    let mut faults = lines::faults(book, take_in);
    let mut work =
        Work { book, take_in, nodes: BTreeMap::new(), parts: Vec::new(), waiting: Vec::new(), cautions: Vec::new() };
    for (index, line) in take_in.lines.iter().enumerate() {
        work.take(index, line, &mut faults);
    }
    work.bring();
    let (held, cautions) = cure::hold(book, &take_in.conditions);
    for ((template, _), node) in &mut work.nodes {
        let template = &book.operations[*template];
        if node.minutes == 0 {
            node.minutes = template.usual_minutes;
        }
        node.minutes += template.base_minutes;
        if template.does.contains(&Activity::HoldGlass) {
            node.minutes = held;
            work.cautions.extend(cautions.iter().map(|caution| caution.at(&template.id)));
        }
    }
    work.nodes.retain(|_, node| node.minutes > 0);
    for (key, part) in std::mem::take(&mut work.waiting) {
        if let Some(node) = work.nodes.get_mut(&key) {
            node.parts.insert(part);
        }
    }
    if faults.is_empty() && work.nodes.is_empty() {
        faults.add("lines", "no line makes an operation; give them hours");
    }
    faults.into_result(())?;
    work.order(head)
}

struct Work<'a> {
    book: &'a RuleBook,
    take_in: &'a TakeInFacts,
    nodes: BTreeMap<Key, Node>,
    parts: Vec<Need>,
    /// Which operations wait for which part, once all of them are there.
    waiting: Vec<(Key, String)>,
    cautions: Vec<Caution>,
}

impl Built {
    /// Returns an order of which no line made anything.
    pub fn by_hand(facts: OrderFacts) -> Built {
        Built { facts, origins: Vec::new(), cautions: Vec::new(), resting: Vec::new(), left_out: Vec::new() }
    }
}

impl Work<'_> {
    /// Gives the hours of a line to the operations that the first rule that fits names.
    fn take(&mut self, index: usize, line: &EstimateLine, faults: &mut Faults) {
        let book = self.book;
        if !lines::is_known(book, line) {
            return;
        }
        let Some(rule) = book.rules.iter().find(|rule| lines::fits(book, self.take_in, &rule.when, line)) else {
            let kind = book.panel_kind(&line.panel).unwrap_or_default();
            let message = format!(
                "no rule of the rule book takes {:?} on {:?}, a panel of kind {kind:?}; change the line, or add a [[rule]]",
                line.work, line.panel
            );
            faults.add(format!("lines[{index}].work"), message);
            return;
        };
        for ((id, _), minutes) in rule.give.iter().zip(parts_of(line.minutes, &rule.give)) {
            if minutes > 0 {
                self.add(rule, id, Some(line), minutes);
            }
        }
        self.along(rule, Some(line));
    }

    /// Adds what comes along, with lines or with every car.
    fn bring(&mut self) {
        let book = self.book;
        for rule in &book.brings {
            if lines::is_for_every_car(&rule.when) {
                if lines::has_feature(self.take_in, &rule.when) && !self.take_in.lines.is_empty() {
                    self.along(rule, None);
                }
                continue;
            }
            for line in self.take_in.lines.iter().filter(|line| lines::is_known(book, line)) {
                if lines::fits(book, self.take_in, &rule.when, line) {
                    self.along(rule, Some(line));
                }
            }
        }
    }

    /// Adds what a rule adds, brings, warns of, and the part that operations wait for.
    fn along(&mut self, rule: &Rule, line: Option<&EstimateLine>) {
        for (id, minutes) in &rule.add {
            self.add(rule, id, line, *minutes);
        }
        for id in &rule.bring {
            self.add(rule, id, line, 0);
        }
        if let Some(caution) = &rule.caution {
            let operations: Vec<String> = line.into_iter().map(|line| line.panel.clone()).collect();
            let found = self.cautions.iter_mut().find(|other| other.rule == rule.id);
            match found {
                Some(found) => found
                    .about
                    .extend(operations.into_iter().filter(|panel| !found.about.contains(panel)).collect::<Vec<_>>()),
                None => self.cautions.push(Caution {
                    rule: rule.id.clone(),
                    about: operations,
                    message: caution.clone(),
                    source: rule.reason.source.clone(),
                }),
            }
        }
        let Some(line) = line.filter(|line| !line.part_number.is_empty()) else { return };
        let part = self.part(line);
        for id in &rule.part {
            let Some(template) = self.book.operations.iter().position(|template| template.id == *id) else { continue };
            let panel = self.book.operations[template].per_panel.then(|| line.panel.clone());
            self.waiting.push(((template, panel), part.clone()));
        }
    }

    fn add(&mut self, rule: &Rule, id: &str, line: Option<&EstimateLine>, minutes: u32) {
        let Some(index) = self.book.operations.iter().position(|template| template.id == id) else { return };
        let template = &self.book.operations[index];
        let panel = line.filter(|_| template.per_panel).map(|line| line.panel.clone());
        let node = self.nodes.entry((index, panel)).or_default();
        node.minutes += minutes;
        if let Some(line) = line {
            node.shares.push(Share { line: line.id.clone(), rule: rule.id.clone(), minutes });
        }
        if !node.rules.contains(&rule.id) {
            node.rules.push(rule.id.clone());
            node.reasons.push(rule.reason.clone());
        }
    }

    /// Returns the id of the part of a line, and notes the part.
    fn part(&mut self, line: &EstimateLine) -> String {
        let id = lines::part_id(&line.part_number);
        match self.parts.iter_mut().find(|part| part.id == id) {
            Some(part) => {
                part.met &= line.part_received;
                part.expected_time = part.expected_time.max(line.part_expected_time);
            }
            None => self.parts.push(Need {
                id: id.clone(),
                display_name: format!("{}: {}", line.panel, line.part_number),
                expected_time: line.part_expected_time,
                met: line.part_received,
                supply: None,
            }),
        }
        id
    }

    /// Applies the overrides and writes the order.
    fn order(mut self, head: OrderFacts) -> Result<Built, Vec<Fault>> {
        let book = self.book;
        let mut faults = Faults::new();
        let (mut resting, mut left_out) = (Vec::new(), Vec::new());
        let id_of = |(template, panel): &Key| operation_id(&book.operations[*template], panel.as_deref());
        for settled in &self.take_in.overrides {
            if let Override::LeaveOut { operation } = settled {
                let found = self.nodes.keys().find(|key| id_of(key) == *operation).cloned();
                match found {
                    Some(key) => {
                        if book.operations[key.0].required {
                            left_out.push(operation.clone());
                        }
                        self.nodes.remove(&key);
                    }
                    None => resting.push(format!("{operation} is left out already: no line makes it")),
                }
            }
        }
        if self.nodes.is_empty() {
            faults.add("overrides", "leave no operation");
            return faults.into_result(()).map(|()| unreachable!("a fault was added"));
        }
        if self.nodes.len() > MOST_OPERATIONS {
            let message = format!("make {} operations; an order has at most {MOST_OPERATIONS}", self.nodes.len());
            faults.add("lines", message);
            return faults.into_result(()).map(|()| unreachable!("a fault was added"));
        }
        let keys: Vec<Key> = self.nodes.keys().cloned().collect();
        let ids: Vec<String> = keys.iter().map(id_of).collect();
        let panel_of =
            |line: &String| self.take_in.lines.iter().find(|one| one.id == *line).map(|one| one.panel.clone());
        let gives = |key: &Key| self.nodes[key].shares.iter().filter_map(|share| panel_of(&share.line)).collect();
        let gives: Vec<BTreeSet<String>> = keys.iter().map(gives).collect();
        let links = links::links(book, &keys, (&ids, &gives), &self.take_in.overrides, &mut resting, &mut faults);
        let mut facts = OrderFacts { visits: Vec::new(), operations: Vec::new(), links, parts: Vec::new(), ..head };
        let mut origins = Vec::new();
        for (key, id) in keys.iter().zip(&ids) {
            let template = &book.operations[key.0];
            let node = &self.nodes[key];
            let wish = template.same_person.as_ref().and_then(|wish| {
                let panels = [&key.1, &None];
                let other = panels.iter().find_map(|panel| {
                    keys.iter().position(|(other, of)| book.operations[*other].id == wish.operation && of == *panel)
                });
                let other =
                    other.or_else(|| keys.iter().position(|(other, _)| book.operations[*other].id == wish.operation));
                other.map(|other| SamePersonWish { operation: ids[other].clone(), required: wish.required })
            });
            let needs = node.parts.iter().cloned();
            let approvals = template.approvals.iter().filter(|id| facts.approvals.iter().any(|one| one.id == **id));
            let operation = OrderOperation {
                id: id.clone(),
                display_name: match &key.1 {
                    Some(panel) => format!("{}: {panel}", template.name),
                    None => template.name.clone(),
                },
                work_minutes: node.minutes,
                low_work_minutes: None,
                high_work_minutes: None,
                crew: template.crew.clone(),
                visit: template.visit.clone(),
                equipment: template.equipment.clone(),
                interruptible: template.interruptible,
                needs: needs.chain(approvals.cloned()).collect(),
                earliest_start_time: None,
                same_person: wish,
                pin: None,
                hazards: template.hazards.clone(),
                hold_point: template
                    .hold
                    .clone()
                    .map(|measure| HoldPoint { rework: rework(book, key, &keys, &ids), measure }),
                progress: Progress::Waiting,
            };
            let mut reasons = node.reasons.clone();
            reasons.push(template.reason.clone());
            origins.push(Origin {
                operation: id.clone(),
                template: template.id.clone(),
                panel: key.1.clone(),
                shares: node.shares.clone(),
                rules: node.rules.clone(),
                reasons,
                hold: template.hold.clone(),
                does: template.does.clone(),
                settled: Vec::new(),
            });
            facts.operations.push(operation);
        }
        settle(self.take_in, &mut facts, &mut origins, &mut resting, &mut faults);
        // Somebody has to check it: what nobody is on waits for nobody's word.
        for operation in facts.operations.iter_mut().filter(|operation| operation.crew.is_empty()) {
            operation.hold_point = None;
        }
        keep_possible_rework(&mut facts);
        faults.into_result(())?;
        drop_impossible_wishes(&mut facts);
        facts.visits = used_visits(book, &facts.operations);
        facts.parts = self.parts;
        Ok(Built { facts, origins, cautions: self.cautions, resting, left_out })
    }
}

/// Puts hours and crews that were settled by hand in their places.
fn settle(
    take_in: &TakeInFacts,
    facts: &mut OrderFacts,
    origins: &mut [Origin],
    resting: &mut Vec<String>,
    faults: &mut Faults,
) {
    for (index, settled) in take_in.overrides.iter().enumerate() {
        let found = facts.operations.iter().position(|operation| operation.id == settled.operation());
        match (settled, found) {
            (Override::Work { operation, minutes: 0 }, _) => {
                let message = format!("0 minutes of {operation:?}; leave it out instead");
                faults.add(format!("overrides[{index}].work"), message);
            }
            (Override::Work { minutes, .. }, Some(at)) => {
                facts.operations[at].work_minutes = *minutes;
                origins[at].settled.push("work");
            }
            (Override::Crew { crew, .. }, Some(at)) => {
                if crew.is_empty() != facts.operations[at].crew.is_empty() {
                    let message = "a crew cannot become a wait, nor a wait a crew";
                    faults.add(format!("overrides[{index}].crew"), message);
                } else {
                    facts.operations[at].crew = crew.clone();
                    origins[at].settled.push("crew");
                }
            }
            (Override::Link { .. } | Override::Unlink { .. }, Some(at)) => origins[at].settled.push("order"),
            (Override::Work { operation, .. }, None) => resting.push(format!("hours of {operation}: no line makes it")),
            (Override::Crew { operation, .. }, None) => resting.push(format!("crew of {operation}: no line makes it")),
            // Said where links are made.
            (Override::Link { .. } | Override::Unlink { .. } | Override::LeaveOut { .. }, _) => {}
        }
    }
    for origin in origins {
        origin.settled.dedup();
    }
}

/// Returns the id of an operation of this kind.
pub(crate) fn operation_id(template: &OperationTemplate, panel: Option<&str>) -> String {
    match panel {
        Some(panel) => format!("{}-{panel}", template.id),
        None => template.id.clone(),
    }
}

/// Returns the ids of what a fail of a check brings: what the book names, on the panel of the check if it has one.
fn rework(book: &RuleBook, (check, panel): &Key, keys: &[Key], ids: &[String]) -> Vec<String> {
    let named = &book.operations[*check].rework;
    let is_of = |(template, of): &Key| {
        named.contains(&book.operations[*template].id) && (panel.is_none() || of.is_none() || of == panel)
    };
    keys.iter().zip(ids).filter(|(key, _)| is_of(key)).map(|(_, id)| id.clone()).collect()
}

/// Takes rework away that is not there, or that links do not lead to the check from: settled by hand, they may not.
pub(crate) fn keep_possible_rework(facts: &mut OrderFacts) {
    let ids: Vec<String> = facts.operations.iter().map(|operation| operation.id.clone()).collect();
    let index = |id: &str| ids.iter().position(|other| other == id);
    let links: Vec<(usize, usize)> =
        facts.links.iter().filter_map(|link| Some((index(&link.from)?, index(&link.to)?))).collect();
    for (check, operation) in facts.operations.iter_mut().enumerate() {
        let Some(hold_point) = &mut operation.hold_point else { continue };
        let leads = |from: usize| from != check && crate::graph::reached(ids.len(), &links, from)[check];
        hold_point.rework.retain(|id| index(id).is_some_and(leads));
    }
}

/// Takes wishes for the same person away that no links lead to.
pub(crate) fn drop_impossible_wishes(facts: &mut OrderFacts) {
    let ids: Vec<String> = facts.operations.iter().map(|operation| operation.id.clone()).collect();
    let index = |id: &str| ids.iter().position(|other| other == id);
    let links: Vec<(usize, usize)> =
        facts.links.iter().filter_map(|link| Some((index(&link.from)?, index(&link.to)?))).collect();
    for at in 0..facts.operations.len() {
        let Some(wish) = &facts.operations[at].same_person else { continue };
        let leads =
            index(&wish.operation).is_some_and(|from| from != at && crate::graph::reached(ids.len(), &links, from)[at]);
        // Nobody of a wait can be seen again.
        let attended = facts.operations.iter().any(|one| one.id == wish.operation && !one.crew.is_empty());
        if !leads || !attended || facts.operations[at].crew.is_empty() {
            facts.operations[at].same_person = None;
        }
    }
}

/// Returns the visits of the book that operations are in, by their first operations.
fn used_visits(book: &RuleBook, operations: &[OrderOperation]) -> Vec<OrderVisit> {
    let mut visits: Vec<OrderVisit> = Vec::new();
    for id in operations.iter().filter_map(|operation| operation.visit.as_ref()) {
        if visits.iter().any(|visit| visit.id == *id) {
            continue;
        }
        visits.extend(book.visits.iter().find(|visit| visit.id == *id).map(|visit| OrderVisit {
            id: visit.id.clone(),
            bay_class: visit.class.clone(),
            loose_parts: visit.loose_parts,
            family: visit.family.clone(),
            bay: None,
        }));
    }
    visits
}

/// Splits minutes by percent, so that the parts add up to the whole: what is left after rounding down goes to the
/// largest remainders (Hamilton's method of apportionment).
fn parts_of(minutes: u32, give: &[(String, u32)]) -> Vec<u32> {
    let exact: Vec<u64> = give.iter().map(|(_, percent)| u64::from(minutes) * u64::from(*percent)).collect();
    let mut parts: Vec<u32> = exact.iter().map(|hundredths| (hundredths / 100) as u32).collect();
    let mut left = minutes - parts.iter().sum::<u32>().min(minutes);
    let mut by_rest: Vec<usize> = (0..parts.len()).collect();
    by_rest.sort_by_key(|&index| (std::cmp::Reverse(exact[index] % 100), index));
    for index in by_rest {
        if left == 0 {
            break;
        }
        parts[index] += 1;
        left -= 1;
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_add_up() {
        let give = |percents: &[u32]| percents.iter().map(|percent| (String::new(), *percent)).collect::<Vec<_>>();
        assert_eq!(parts_of(100, &give(&[33, 33, 34])), [33, 33, 34]);
        assert_eq!(parts_of(7, &give(&[50, 50])), [4, 3]);
        assert_eq!(parts_of(1, &give(&[40, 60])), [0, 1]);
        for minutes in 0..200 {
            assert_eq!(parts_of(minutes, &give(&[12, 29, 17, 42])).iter().sum::<u32>(), minutes);
        }
    }
}
