//! Clocks and checks: what may be done to an operation in which state, and what comes of it.

use jiff::Timestamp;

use super::unattended::{self, minutes_after};
use super::{Floor, FloorKind, FloorNote, Refused, WorkEvent, called, index_of, minutes_left, rework};
use crate::fault::Fault;
use crate::order::{Order, OrderFacts, OrderOperation, Progress};

/// Applies what is done on an operation, and returns its order after it.
///
/// # Errors
/// What was said wrongly, or everything in the facts that forbids it.
pub fn apply_work(
    floor: &Floor<'_>,
    order: &str,
    operation: &str,
    event: &WorkEvent,
) -> Result<(OrderFacts, FloorNote), Refused> {
    let mut order = floor.order(order)?.clone();
    let index = index_of(&order, operation)?;
    not_before_it_came(floor, &order)?;
    unattended::settle(&mut order, floor.at);
    let mut step = Step { floor, order, index, note: FloorNote::new(kind(event), floor.at) };
    step.note.order = Some(step.order.id.clone());
    step.note.operation = Some(operation.to_owned());
    step.note.planned_end_time = floor.planned(&step.order.id, operation).map(|planned| planned.end_time);
    if step.operation().crew.is_empty() {
        return Err(step.of_itself());
    }
    match event {
        WorkEvent::On { technicians, bay } => step.on(technicians, bay.as_deref())?,
        WorkEvent::Off { technicians, remaining_minutes } => step.off(technicians, *remaining_minutes)?,
        WorkEvent::Pause { reason, remaining_minutes } => step.pause(reason, *remaining_minutes)?,
        WorkEvent::Finish => step.finish()?,
        WorkEvent::Reopen { remaining_minutes, reason } => step.reopen(*remaining_minutes, reason)?,
        WorkEvent::Check { passed, measurement, reason } => step.check(*passed, measurement, reason)?,
    }
    let visit = step.operation().visit.clone();
    let visit = visit.and_then(|id| step.order.visits.iter().find(|visit| visit.id == id));
    step.note.bay = visit.and_then(|visit| visit.bay.clone());
    unattended::settle(&mut step.order, floor.at);
    let Step { order, note, .. } = step;
    // What the event made of the order has to hold together like anything else that is entered.
    let order = Order::new(order, floor.shop).map_err(Refused::Faults)?;
    Ok((order.into_facts(), note))
}

/// Refuses an event on a car that was not there yet. One that is still to come may have come early.
fn not_before_it_came(floor: &Floor<'_>, order: &OrderFacts) -> Result<(), Refused> {
    if !order.arrived || floor.at >= order.arrival_time {
        return Ok(());
    }
    let (at, came) = (floor.say(floor.at), floor.say(order.arrival_time));
    let message =
        format!("{at} is before order {} came, {came}; if it came sooner, change its arrival first", order.id);
    Err(Refused::fault("event_time", message))
}

/// Refuses an event of running work that happened before the last word about it: its minutes would be counted twice.
pub(super) fn not_before_last_word(floor: &Floor<'_>, operation: &OrderOperation) -> Result<(), Refused> {
    let Progress::Running { start_time, remaining_time, .. } = &operation.progress else { return Ok(()) };
    let since = remaining_time.unwrap_or(*start_time).max(*start_time);
    if floor.at >= since {
        return Ok(());
    }
    let message = format!("{} is before it was last clocked, {}", floor.say(floor.at), floor.say(since));
    Err(Refused::fault("event_time", message))
}

fn kind(event: &WorkEvent) -> FloorKind {
    match event {
        WorkEvent::On { .. } => FloorKind::On,
        WorkEvent::Off { .. } => FloorKind::Off,
        WorkEvent::Pause { .. } => FloorKind::Pause,
        WorkEvent::Finish => FloorKind::Finish,
        WorkEvent::Reopen { .. } => FloorKind::Reopen,
        WorkEvent::Check { passed: true, .. } => FloorKind::Pass,
        WorkEvent::Check { passed: false, .. } => FloorKind::Fail,
    }
}

/// An event under way on an operation of an order.
struct Step<'f> {
    floor: &'f Floor<'f>,
    order: OrderFacts,
    index: usize,
    note: FloorNote,
}

impl Step<'_> {
    fn operation(&self) -> &OrderOperation {
        &self.order.operations[self.index]
    }

    fn called(&self) -> String {
        called(&self.order, self.operation())
    }

    fn set(&mut self, progress: Progress) {
        self.order.operations[self.index].progress = progress;
    }

    /// Says that nobody clocks unattended work.
    fn of_itself(&self) -> Refused {
        let operation = self.operation();
        let until = match &operation.progress {
            Progress::Running { remaining_minutes, remaining_time: Some(since), .. } => {
                minutes_after(*since, *remaining_minutes)
            }
            _ => None,
        };
        let until = until.map_or(String::new(), |until| format!("; it runs until {}", self.floor.say(until)));
        let message = format!("{} is unattended: it begins and ends by itself{until}", self.called());
        Refused::forbidden(message)
    }

    fn refuse(&self, state: &str, next: &str) -> Refused {
        Refused::forbidden(format!("{} {state}; {next}", self.called()))
    }

    fn on(&mut self, technicians: &[String], bay: Option<&str>) -> Result<(), Refused> {
        let at = self.floor.at;
        if matches!(self.operation().progress, Progress::Done { .. }) {
            return Err(self.refuse("is done", "reopen it first"));
        }
        not_before_last_word(self.floor, self.operation())?;
        let crew = self.crew(technicians)?;
        let mut reasons = self.busy_elsewhere(&crew, technicians.is_empty());
        let progress = match self.operation().progress.clone() {
            Progress::Waiting => {
                reasons.extend(self.not_ready());
                self.enter_bay(bay, &mut reasons)?;
                let remaining_minutes = self.operation().work_minutes;
                Progress::Running {
                    start_time: at,
                    technicians: crew.clone(),
                    remaining_minutes,
                    remaining_time: Some(at),
                }
            }
            Progress::Paused { start_time, remaining_minutes, pause_time, .. } => {
                if at < pause_time {
                    reasons.push(format!("{} paused at {}", self.called(), self.floor.say(pause_time)));
                }
                Progress::Running { start_time, technicians: crew.clone(), remaining_minutes, remaining_time: Some(at) }
            }
            Progress::Running { start_time, technicians: mut on, .. } => {
                let already: Vec<&String> = crew.iter().filter(|id| on.contains(id)).collect();
                for id in already {
                    reasons.push(format!("{id} is on {} already", self.called()));
                }
                on.extend(crew.iter().cloned());
                if on.len() > self.operation().crew.len() {
                    let places = self.operation().crew.len();
                    reasons.push(format!("{} has room for {places}; clock somebody off, or swap", self.called()));
                }
                let remaining_minutes = minutes_left(self.floor.shop, self.operation(), at);
                Progress::Running { start_time, technicians: on, remaining_minutes, remaining_time: Some(at) }
            }
            Progress::Done { .. } => unreachable!("refused above"),
        };
        if !reasons.is_empty() {
            return Err(Refused::Forbidden(reasons));
        }
        self.order.arrived = true;
        self.order.arrival_time = self.order.arrival_time.min(at);
        self.note.booked_minutes = Some(self.operation().work_minutes);
        self.note.technicians = crew;
        self.set(progress);
        Ok(())
    }

    /// Returns who clocks on: those named, else the pinned or planned crew.
    fn crew(&self, named: &[String]) -> Result<Vec<String>, Refused> {
        let operation = self.operation();
        let pinned = operation.pin.as_ref().map(|pin| &pin.technicians).filter(|people| !people.is_empty());
        let planned = self.floor.planned(&self.order.id, &operation.id).map(|planned| &planned.technicians);
        let crew = match (named, pinned.or(planned)) {
            ([], Some(planned)) => planned.clone(),
            ([], None) => {
                return Err(Refused::fault("technicians", "no crew is planned for it; say who clocks on"));
            }
            _ => named.to_vec(),
        };
        let mut faults = Vec::new();
        self.floor.check_people("technicians", &crew, &mut faults);
        for (index, id) in crew.iter().enumerate() {
            let known = self.floor.shop.technicians.iter().any(|person| person.id == *id);
            if known && !operation.crew.iter().any(|skill| self.floor.has_skill(id, skill)) {
                let message = format!("{id:?} does not have skill {}", operation.crew.join(" or "));
                faults.push(Fault { path: format!("technicians[{index}]"), message });
            }
        }
        if faults.is_empty() { Ok(crew) } else { Err(Refused::Faults(faults)) }
    }

    /// Returns who of the crew is on other work; a crew that is only planned may be another one.
    fn busy_elsewhere(&self, crew: &[String], as_planned: bool) -> Vec<String> {
        let mut reasons = Vec::new();
        let next = if as_planned { "clock off there first, or name who does it" } else { "clock off there first" };
        for order in self.floor.orders {
            for operation in &order.operations {
                if order.id == self.order.id && operation.id == self.operation().id {
                    continue;
                }
                if let Progress::Running { technicians, .. } = &operation.progress {
                    for id in technicians.iter().filter(|id| crew.contains(id)) {
                        reasons.push(format!("{id} is on {}; {next}", called(order, operation)));
                    }
                }
            }
        }
        reasons
    }

    /// Returns why the operation cannot begin yet: what comes before it, and what it needs.
    fn not_ready(&self) -> Vec<String> {
        let (order, operation) = (&self.order, self.operation());
        let mut reasons = Vec::new();
        for link in order.links.iter().filter(|link| link.to == operation.id) {
            let Some(before) = order.operation(&link.from) else { continue };
            let check = if before.hold_point.is_some() { ", a hold point," } else { "" };
            match &before.progress {
                Progress::Done { end_time, .. } => {
                    let from = minutes_after(*end_time, link.min_wait_minutes).unwrap_or(*end_time);
                    if self.floor.at < from {
                        let (waits, from) = (link.min_wait_minutes, self.floor.say(from));
                        reasons.push(format!("{} waits {waits} min after {}: until {from}", self.called(), before.id));
                    }
                }
                Progress::Running { remaining_minutes, remaining_time: Some(since), .. } if before.crew.is_empty() => {
                    let until = minutes_after(*since, *remaining_minutes).unwrap_or(*since);
                    reasons.push(format!("{} runs until {}", called(order, before), self.floor.say(until)));
                }
                Progress::Running { .. } | Progress::Paused { .. } => {
                    reasons.push(format!("{}{check} is not done", called(order, before)));
                }
                Progress::Waiting => reasons.push(format!("{}{check} has not started", called(order, before))),
            }
        }
        for (kind, needs) in [("part", &order.parts), ("approval", &order.approvals)] {
            for need in needs.iter().filter(|need| !need.met && operation.needs.contains(&need.id)) {
                let expected =
                    need.expected_time.map_or(String::new(), |time| format!(", expected {}", self.floor.say(time)));
                let next = if kind == "part" { "; say that it is received when it is" } else { "" };
                reasons.push(format!("{kind} {} of order {} is not there{expected}{next}", need.id, order.id));
            }
        }
        reasons
    }

    /// Says in which bay the visit of the operation is, if it begins with it.
    fn enter_bay(&mut self, named: Option<&str>, reasons: &mut Vec<String>) -> Result<(), Refused> {
        let operation = self.operation();
        let Some(visit) = operation.visit.clone() else { return Ok(()) };
        let others = self.order.operations.iter().filter(|other| other.visit.as_ref() == Some(&visit));
        let entered = others.into_iter().any(|other| other.progress != Progress::Waiting);
        let planned = self.floor.planned(&self.order.id, &operation.id).and_then(|planned| planned.bay.clone());
        let called = self.called();
        let Some(visit) = self.order.visits.iter_mut().find(|other| other.id == visit) else { return Ok(()) };
        if entered {
            match (named, &visit.bay) {
                (Some(named), Some(bay)) if named != bay => {
                    reasons.push(format!("{called} goes on in {bay}, where its visit began, not in {named}"));
                }
                _ => {}
            }
            return Ok(());
        }
        let bay = named.map(str::to_owned).or_else(|| visit.bay.clone()).or(planned);
        let Some(id) = bay else {
            let message = format!("it begins visit {:?}; say in which bay of class {}", visit.id, visit.bay_class);
            return Err(Refused::fault("bay", message));
        };
        let Some(bay) = self.floor.shop.bays.iter().find(|other| other.id == id) else {
            let known: Vec<&str> = self.floor.shop.bays.iter().map(|bay| bay.id.as_str()).collect();
            return Err(Refused::fault("bay", format!("no bay {id:?}; there are: {}", known.join(", "))));
        };
        if !bay.classes.contains(&visit.bay_class) {
            return Err(Refused::fault("bay", format!("bay {id:?} is not of class {:?}", visit.bay_class)));
        }
        visit.bay = Some(id.clone());
        reasons.extend(self.taken(&id));
        Ok(())
    }

    /// Returns which other car is in a bay, and what is not done there yet.
    fn taken(&self, bay: &str) -> Option<String> {
        self.floor.orders.iter().filter(|other| other.id != self.order.id).find_map(|other| {
            let mut other = other.clone();
            unattended::settle(&mut other, self.floor.at);
            let visit = other.visits.iter().find(|visit| {
                let of = || other.operations.iter().filter(|one| one.visit.as_ref() == Some(&visit.id));
                visit.bay.as_deref() == Some(bay) && of().any(|one| one.progress != Progress::Waiting)
            })?;
            let left = other
                .operations
                .iter()
                .find(|one| one.visit.as_ref() == Some(&visit.id) && !matches!(one.progress, Progress::Done { .. }))?;
            Some(format!("{bay} has order {} in it, {} is not done there; take another bay", other.id, left.id))
        })
    }

    fn off(&mut self, technicians: &[String], remaining_minutes: Option<u32>) -> Result<(), Refused> {
        let Progress::Running { start_time, technicians: on, .. } = self.operation().progress.clone() else {
            return Err(self.refuse("is not running", "nobody is clocked on"));
        };
        let mut faults = Vec::new();
        self.floor.check_people("technicians", technicians, &mut faults);
        if !faults.is_empty() {
            return Err(Refused::Faults(faults));
        }
        let strangers: Vec<String> = technicians
            .iter()
            .filter(|id| !on.contains(id))
            .map(|id| format!("{id} is not on {}; {} is", self.called(), on.join(" and ")))
            .collect();
        if !strangers.is_empty() {
            return Err(Refused::Forbidden(strangers));
        }
        let left: Vec<String> =
            on.iter().filter(|id| !technicians.is_empty() && !technicians.contains(id)).cloned().collect();
        let remaining = self.remaining(remaining_minutes)?;
        self.note.booked_minutes = Some(remaining);
        self.note.technicians = on.iter().filter(|id| !left.contains(id)).cloned().collect();
        if left.is_empty() {
            self.stop(start_time, on, remaining, "clocked off");
        } else {
            let remaining_time = Some(self.floor.at);
            self.set(Progress::Running { start_time, technicians: left, remaining_minutes: remaining, remaining_time });
        }
        Ok(())
    }

    fn pause(&mut self, reason: &str, remaining_minutes: Option<u32>) -> Result<(), Refused> {
        if reason.trim().is_empty() {
            return Err(Refused::fault("reason", "say why it stops"));
        }
        let Progress::Running { start_time, technicians, .. } = self.operation().progress.clone() else {
            return Err(self.refuse("is not running", "only running work pauses"));
        };
        let remaining = self.remaining(remaining_minutes)?;
        self.note.booked_minutes = Some(remaining);
        self.note.technicians.clone_from(&technicians);
        self.note.reason = reason.to_owned();
        self.stop(start_time, technicians, remaining, reason);
        Ok(())
    }

    fn stop(&mut self, start_time: Timestamp, technicians: Vec<String>, remaining_minutes: u32, reason: &str) {
        let (pause_time, reason) = (self.floor.at, reason.to_owned());
        self.set(Progress::Paused { start_time, pause_time, technicians, remaining_minutes, reason });
    }

    /// Returns the booked minutes left, at least 1 as long as it is not done.
    fn remaining(&self, told: Option<u32>) -> Result<u32, Refused> {
        not_before_last_word(self.floor, self.operation())?;
        let left = told.unwrap_or_else(|| minutes_left(self.floor.shop, self.operation(), self.floor.at));
        Ok(left.max(1))
    }

    fn finish(&mut self) -> Result<(), Refused> {
        if self.operation().hold_point.is_some() {
            return Err(self.refuse("is a hold point", "say whether it passed or failed"));
        }
        self.end("only what has started can end")
    }

    fn end(&mut self, next: &str) -> Result<(), Refused> {
        not_before_last_word(self.floor, self.operation())?;
        let (start_time, technicians) = match self.operation().progress.clone() {
            Progress::Running { start_time, technicians, .. } | Progress::Paused { start_time, technicians, .. } => {
                (start_time, technicians)
            }
            Progress::Done { .. } => return Err(self.refuse("is done", "reopen it if that is not so")),
            Progress::Waiting => return Err(self.refuse("has not started", next)),
        };
        let end_time = self.floor.at;
        (self.note.start_time, self.note.end_time) = (Some(start_time), Some(end_time));
        self.note.booked_minutes = Some(self.operation().work_minutes);
        self.note.technicians.clone_from(&technicians);
        self.set(Progress::Done { start_time, end_time, technicians });
        Ok(())
    }

    fn reopen(&mut self, remaining_minutes: u32, reason: &str) -> Result<(), Refused> {
        let Progress::Done { start_time, end_time, technicians } = self.operation().progress.clone() else {
            return Err(self.refuse("is not done", "only what is done can be reopened"));
        };
        let mut faults = Vec::new();
        if remaining_minutes == 0 {
            faults.push(Fault { path: "remaining_work".into(), message: "say how much work is left".into() });
        }
        if reason.trim().is_empty() {
            faults.push(Fault { path: "reason".into(), message: "say why it is not done".into() });
        }
        if !faults.is_empty() {
            return Err(Refused::Faults(faults));
        }
        let id = self.operation().id.clone();
        let after = self.order.links.iter().filter(|link| link.from == id);
        let started: Vec<String> = after
            .filter_map(|link| self.order.operation(&link.to))
            .filter(|after| after.progress != Progress::Waiting)
            .map(|after| {
                format!(
                    "{} comes after {id} and has started; enter what is left as work of its own",
                    called(&self.order, after)
                )
            })
            .collect();
        if !started.is_empty() {
            return Err(Refused::Forbidden(started));
        }
        self.note.reason = reason.to_owned();
        self.note.technicians.clone_from(&technicians);
        self.note.booked_minutes = Some(remaining_minutes);
        let reason = reason.to_owned();
        self.set(Progress::Paused { start_time, pause_time: end_time, technicians, remaining_minutes, reason });
        Ok(())
    }

    fn check(&mut self, passed: bool, measurement: &str, reason: &str) -> Result<(), Refused> {
        if self.operation().hold_point.is_none() {
            return Err(self.refuse("is no hold point", "finish it instead"));
        }
        self.end("clock on to check it")?;
        self.note.measurement = measurement.to_owned();
        self.note.reason = reason.to_owned();
        if !passed {
            self.note.added = rework::insert(&mut self.order, self.index);
        }
        Ok(())
    }
}
