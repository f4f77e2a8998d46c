//! What a request to take an order in asks for, and what is made of it.

use fitup_intake::build::{MOST_LINES, MOST_OVERRIDES};
use fitup_intake::safety::{self, Case};
use fitup_intake::{Built, Caution, RuleBook, build, merge};
use fitup_model::order::OrderState;
use fitup_model::take_in::{Conditions, EstimateLine, Override, TakeInFacts};
use fitup_model::{Fault, Order, OrderFacts};
use fitup_proto::v1;
use fitup_store::{Refusal, RuleBookRecord, TakeInStored};

use crate::convert::names;
use crate::convert::{self, intake};
use crate::shop_service::checked;

/// What a request asks for.
pub struct Asked {
    pub mode: v1::take_in_order_request::Mode,
    head: OrderFacts,
    lines: Vec<EstimateLine>,
    overrides: Vec<Override>,
    forget: Vec<String>,
    features: Vec<String>,
    conditions: Option<Conditions>,
    pub faults: Vec<Fault>,
}

/// What is made of it.
pub struct Made {
    pub facts: TakeInFacts,
    pub built: Built,
    pub cautions: Vec<Caution>,
}

impl Asked {
    /// Reads a request of which `faults` are known; see [`Asked::faults`].
    pub fn read(request: &v1::TakeInOrderRequest, mut faults: Vec<Fault>) -> Asked {
        use v1::take_in_order_request::Mode;
        names::check_id(&request.order_id, "order_id").err().into_iter().for_each(|found| faults.push(found));
        let mode = Mode::try_from(request.mode).unwrap_or(Mode::Unspecified);
        if mode == Mode::Unspecified {
            faults.push(fault("mode", "is required: new, replace or supplement".into()));
        }
        let order = request.order.clone().unwrap_or_default();
        if !order.operations.is_empty()
            || !order.visits.is_empty()
            || !order.links.is_empty()
            || !order.parts.is_empty()
        {
            faults.push(fault("order", "has operations, visits, links or parts; those are made from lines".into()));
        }
        if mode == Mode::New && request.order.is_none() {
            faults.push(fault("order", "is required for a new order".into()));
        }
        let (read, found) = convert::collect(|at| {
            let head_at = at.field("order");
            let mut order = order.clone();
            if mode != Mode::New {
                // Only its approvals are looked at.
                order.arrival_time = order.arrival_time.or(Some(convert::to_instant(jiff::Timestamp::UNIX_EPOCH)));
            }
            let head = convert::order::facts(&request.order_id, &order, &head_at);
            (head, intake::lines(&request.lines, at), intake::overrides(&request.overrides, at))
        });
        faults.extend(found);
        let (head, lines, overrides) = read;
        Asked {
            mode,
            head,
            lines,
            overrides,
            forget: request.forget.clone(),
            features: request.features.clone(),
            conditions: request.conditions.as_ref().map(intake::conditions),
            faults,
        }
    }

    /// Makes the order, from what is known inside or outside of a transaction.
    pub fn made(mut self, known: &TakeInStored) -> Result<Made, Refusal> {
        use v1::take_in_order_request::Mode;
        let order = &self.head.id;
        match (self.mode, &known.order) {
            (Mode::New, Some(_)) => {
                let message =
                    format!("order {order:?} is there already; take its changed lines in, or choose another id");
                return Err(Refusal::Forbidden(message));
            }
            (Mode::Replace | Mode::Supplement, None) => {
                return Err(Refusal::Forbidden(format!("there is no order {order:?} yet; take it in as a new one")));
            }
            (_, Some(stored)) if stored.cancelled => {
                return Err(Refusal::Forbidden(format!("order {order:?} is cancelled and stays as it is")));
            }
            (_, Some(stored)) if known.take_in.is_none() && stored.state() == OrderState::Complete => {
                return Err(Refusal::Forbidden(format!("order {order:?} is complete")));
            }
            _ => {}
        }
        let book = parsed(&known.book)?;
        let facts = self.facts(known);
        let head = known.order.clone().unwrap_or_else(|| self.head.clone());
        let mut head = OrderFacts { cancelled: false, ..head };
        for approval in &self.head.approvals {
            if head.approvals.iter().all(|one| one.id != approval.id) {
                head.approvals.push(approval.clone());
            }
        }
        let mut faults = std::mem::take(&mut self.faults);
        let built = match build(&book, &facts, head.clone()) {
            Ok(built) => built,
            Err(found) => {
                faults.extend(self.placed(&facts, found));
                return Err(Refusal::Faults(faults));
            }
        };
        let before = known.take_in.as_ref().and_then(|(facts, record)| {
            let book = RuleBook::parse(&record.text).ok()?;
            build(&book, facts, head.clone()).ok()
        });
        let built = match &known.order {
            Some(stored) => merge(&book, stored, before.as_ref(), built),
            None => built,
        };
        let shop = checked(&known.shop)?;
        if let Err(found) = Order::new(built.facts.clone(), &shop) {
            faults.extend(found.into_iter().map(|found| about(&built.facts, found)));
        }
        let cautions = match safety::check(&Case { book: &book, take_in: &facts, built: &built }) {
            Ok(cautions) => cautions,
            Err(found) => {
                faults.extend(self.placed(&facts, found).into_iter().map(|found| about(&built.facts, found)));
                Vec::new()
            }
        };
        if faults.is_empty() { Ok(Made { facts, built, cautions }) } else { Err(Refusal::Faults(faults)) }
    }

    /// Joins what is asked for with what was there.
    fn facts(&self, known: &TakeInStored) -> TakeInFacts {
        use v1::take_in_order_request::Mode;
        let stored = known.take_in.as_ref().map(|(facts, _)| facts.clone()).unwrap_or_default();
        let lines = if self.mode == Mode::Supplement {
            let mut lines = stored.lines;
            for line in &self.lines {
                match lines.iter_mut().find(|other| other.id == line.id) {
                    Some(other) => *other = line.clone(),
                    None => lines.push(line.clone()),
                }
            }
            lines
        } else {
            self.lines.clone()
        };
        let mut overrides = stored.overrides;
        overrides.retain(|settled| !self.forget.iter().any(|operation| settled.operation() == operation));
        for settled in &self.overrides {
            overrides.retain(|other| !settled.replaces(other));
            overrides.push(settled.clone());
        }
        let mut features = stored.features;
        // One that is told twice stays twice, to be told as a fault.
        let new: Vec<String> = self.features.iter().filter(|feature| !features.contains(feature)).cloned().collect();
        features.extend(new);
        let conditions = self.conditions.clone().unwrap_or(stored.conditions);
        TakeInFacts { lines, overrides, features, conditions }
    }

    /// Returns faults with the places that the request has for them: its lines may be others than those of the order.
    fn placed(&self, facts: &TakeInFacts, faults: Vec<Fault>) -> Vec<Fault> {
        let place = |path: &str| -> Option<String> {
            let (list, rest) = path.split_once('[')?;
            let (index, rest) = rest.split_once(']')?;
            let index: usize = index.parse().ok()?;
            let at = match list {
                "lines" => {
                    let line = facts.lines.get(index)?;
                    // Of two with one id the second is at fault.
                    if self.lines.get(index) == Some(line) {
                        Some(index)
                    } else {
                        self.lines.iter().position(|other| other == line)
                    }
                }
                "overrides" => {
                    let settled = facts.overrides.get(index)?;
                    self.overrides.iter().position(|other| other == settled)
                }
                "features" => {
                    let feature = facts.features.get(index)?;
                    self.features.iter().position(|other| other == feature)
                }
                _ => return None,
            };
            Some(match at {
                Some(at) => format!("{list}[{at}]{rest}"),
                None => format!("stored.{path}"),
            })
        };
        faults.into_iter().map(|fault| Fault { path: place(&fault.path).unwrap_or(fault.path), ..fault }).collect()
    }
}

/// Returns a fault of the order that would be, with the operation that it is about: the request has no such field.
pub fn about(facts: &OrderFacts, fault: Fault) -> Fault {
    let index = fault.path.strip_prefix("operations[").and_then(|rest| rest.split_once(']'));
    let found = index.and_then(|(index, rest)| Some((facts.operations.get(index.parse::<usize>().ok()?)?, rest)));
    match found {
        Some((operation, rest)) => {
            let message = if fault.message.contains(&format!("{:?}", operation.id)) {
                fault.message
            } else {
                format!("operation {:?}: {}", operation.id, fault.message)
            };
            Fault { path: format!("order.operations.{}{rest}", operation.id), message }
        }
        None if fault.path.starts_with("overrides") || fault.path.starts_with("lines") => fault,
        None => Fault { path: format!("order.{}", fault.path), ..fault },
    }
}

/// Returns what there is so much of that it is not read at all: lines are compared with lines, and what is settled with
/// what was.
pub fn too_many(request: &v1::TakeInOrderRequest) -> Vec<Fault> {
    let approvals = request.order.as_ref().map_or(0, |order| order.approvals.len());
    let counts = [
        ("lines", request.lines.len(), MOST_LINES),
        ("overrides", request.overrides.len(), MOST_OVERRIDES),
        ("forget", request.forget.len(), MOST_OVERRIDES),
        ("features", request.features.len(), MOST_OVERRIDES),
        ("order.approvals", approvals, MOST_OVERRIDES),
    ];
    let over = counts.into_iter().filter(|(_, count, most)| count > most);
    over.map(|(path, count, most)| fault(path, format!("{count} entries; at most {most}"))).collect()
}

fn parsed(record: &RuleBookRecord) -> Result<RuleBook, Refusal> {
    RuleBook::parse(&record.text).map_err(|faults| {
        let first = faults.first().map(ToString::to_string).unwrap_or_default();
        Refusal::Forbidden(format!("the rule book no longer holds together; apply a mended one: {first}"))
    })
}

pub fn fault(path: &str, message: String) -> Fault {
    Fault { path: path.to_owned(), message }
}
