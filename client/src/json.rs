//! What `--json` prints: types of our own, apart from the contract, so that scripts do not break when it grows.
//!
//! Rules: one object a line; keys are added, never renamed or removed; instants are RFC 3339 in UTC; times are whole
//! minutes and say so; ids stand alone, without the resource names of the contract; what is not known is `null`.

use fitup_proto::v1;
use serde::Serialize;

use crate::commands::shop::changes::Change;
use crate::file::order::hazard_name;
use crate::file::text::{from_proto, minutes, write_exception, write_shift};
use crate::names::last;
use crate::outline;

/// Something was done to one thing.
#[derive(Debug, Serialize)]
pub struct Done {
    /// Its id.
    pub id: String,
    /// What: `entered`, `checked`, `cancelled`, `removed`, `published`.
    pub done: &'static str,
}

/// Answer of `shop apply`.
#[derive(Debug, Serialize)]
pub struct Applied {
    shop: String,
    created: bool,
    dry_run: bool,
    changes: Vec<Changed>,
}

#[derive(Debug, Serialize)]
struct Changed {
    thing: String,
    change: &'static str,
}

impl Applied {
    /// Returns the answer; no changes at all mean that the shop is new.
    pub fn new(id: &str, changes: Option<&[Change]>, dry_run: bool) -> Self {
        let one = |change: &Change| Changed { thing: change.thing.clone(), change: change.kind.word() };
        let created = changes.is_none();
        Self { shop: id.to_owned(), created, dry_run, changes: changes.unwrap_or_default().iter().map(one).collect() }
    }
}

/// Answer of `order change`.
#[derive(Debug, Serialize)]
pub struct OrderChanged {
    /// Id of the order.
    pub id: String,
    /// Fields that differ.
    pub fields: Vec<String>,
    /// Nothing was changed.
    pub dry_run: bool,
}

/// A line of `shop list`.
#[derive(Debug, Serialize)]
pub struct ShopLine {
    /// Id.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// IANA name.
    pub time_zone: String,
    /// How many.
    pub bays: usize,
    /// How many.
    pub technicians: usize,
    /// Counts the changes of the shop and its orders.
    pub revision: i64,
    /// Id of the plan that the floor works by.
    pub published_plan: Option<String>,
}

impl From<&v1::Shop> for ShopLine {
    fn from(shop: &v1::Shop) -> Self {
        Self {
            id: last(&shop.name).to_owned(),
            name: shop.display_name.clone(),
            time_zone: shop.time_zone.clone(),
            bays: shop.bays.len(),
            technicians: shop.technicians.len(),
            revision: shop.revision,
            published_plan: id_of(&shop.published_plan),
        }
    }
}

/// Answer of `shop show`.
#[derive(Debug, Serialize)]
pub struct Shop {
    #[serde(flatten)]
    line: ShopHead,
    skills: Vec<String>,
    calendars: Vec<Calendar>,
    holidays: Vec<Holiday>,
    bays: Vec<Bay>,
    equipment: Vec<Equipment>,
    technicians: Vec<Technician>,
    changeovers: Vec<Changeover>,
    settings: Settings,
}

#[derive(Debug, Serialize)]
struct ShopHead {
    id: String,
    name: String,
    time_zone: String,
    revision: i64,
    published_plan: Option<String>,
}

#[derive(Debug, Serialize)]
struct Calendar {
    id: String,
    week: Vec<String>,
    except: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Holiday {
    date: String,
    name: String,
}

#[derive(Debug, Serialize)]
struct Period {
    start: Option<String>,
    end: Option<String>,
    note: String,
}

#[derive(Debug, Serialize)]
struct Bay {
    id: String,
    name: String,
    classes: Vec<String>,
    down: Vec<Period>,
}

#[derive(Debug, Serialize)]
struct Equipment {
    id: String,
    name: String,
    count: i32,
    out: Vec<Outage>,
}

#[derive(Debug, Serialize)]
struct Outage {
    count: i32,
    #[serde(flatten)]
    period: Period,
}

#[derive(Debug, Serialize)]
struct Technician {
    id: String,
    name: String,
    calendar: String,
    skills: Vec<Skill>,
    away: Vec<Period>,
    overtime: Vec<Period>,
}

#[derive(Debug, Serialize)]
struct Skill {
    skill: String,
    efficiency_percent: i32,
}

#[derive(Debug, Serialize)]
struct Changeover {
    from: String,
    to: String,
    minutes: i32,
}

#[derive(Debug, Serialize)]
struct Settings {
    grid_minutes: Option<i32>,
    horizon_days: Option<i32>,
    late_weight: Option<i32>,
    flow_weight: Option<i32>,
    overtime_weight: Option<i32>,
    freeze_minutes: Option<i32>,
    person_change_price: Option<i32>,
    bay_change_price: Option<i32>,
    day_change_price: Option<i32>,
    soon_factor: Option<i32>,
    same_person_price: Option<i32>,
    outside_limit: Option<i32>,
    outside_weight: Option<i32>,
}

impl Shop {
    /// Returns all facts of a shop.
    pub fn new(id: &str, shop: &v1::Shop) -> Self {
        let settings = shop.settings.unwrap_or_default();
        Self {
            line: ShopHead {
                id: id.to_owned(),
                name: shop.display_name.clone(),
                time_zone: shop.time_zone.clone(),
                revision: shop.revision,
                published_plan: id_of(&shop.published_plan),
            },
            skills: shop.skills.clone(),
            calendars: shop.calendars.iter().map(calendar).collect(),
            holidays: shop.holidays.iter().map(holiday).collect(),
            bays: shop.bays.iter().map(bay).collect(),
            equipment: shop.equipment.iter().map(equipment).collect(),
            technicians: shop.technicians.iter().map(technician).collect(),
            changeovers: shop.changeovers.iter().map(changeover).collect(),
            settings: Settings {
                grid_minutes: settings.grid_minutes,
                horizon_days: settings.horizon_days,
                late_weight: settings.late_weight,
                flow_weight: settings.flow_weight,
                overtime_weight: settings.overtime_weight,
                freeze_minutes: settings.freeze_minutes,
                person_change_price: settings.person_change_price,
                bay_change_price: settings.bay_change_price,
                day_change_price: settings.day_change_price,
                soon_factor: settings.soon_factor,
                same_person_price: settings.same_person_price,
                outside_limit: settings.outside_limit,
                outside_weight: settings.outside_weight,
            },
        }
    }
}

fn calendar(calendar: &v1::Calendar) -> Calendar {
    Calendar {
        id: calendar.id.clone(),
        week: calendar.shifts.iter().map(write_shift).collect(),
        except: calendar.exceptions.iter().map(write_exception).collect(),
    }
}

fn holiday(holiday: &v1::Holiday) -> Holiday {
    Holiday { date: holiday.date.clone(), name: holiday.display_name.clone() }
}

fn period(period: &v1::Period) -> Period {
    Period {
        start: instant(period.start_time.as_ref()),
        end: instant(period.end_time.as_ref()),
        note: period.note.clone(),
    }
}

fn bay(bay: &v1::Bay) -> Bay {
    Bay {
        id: bay.id.clone(),
        name: bay.display_name.clone(),
        classes: bay.classes.clone(),
        down: bay.downtime.iter().map(period).collect(),
    }
}

fn equipment(equipment: &v1::Equipment) -> Equipment {
    let outage = |outage: &v1::Outage| Outage {
        count: outage.count,
        period: period(outage.period.as_ref().unwrap_or(&v1::Period::default())),
    };
    Equipment {
        id: equipment.id.clone(),
        name: equipment.display_name.clone(),
        count: equipment.count,
        out: equipment.outages.iter().map(outage).collect(),
    }
}

fn technician(technician: &v1::Technician) -> Technician {
    let skill = |skill: &v1::TechnicianSkill| Skill {
        skill: skill.skill.clone(),
        efficiency_percent: if skill.efficiency_percent == 0 { 100 } else { skill.efficiency_percent },
    };
    Technician {
        id: technician.id.clone(),
        name: technician.display_name.clone(),
        calendar: technician.calendar.clone(),
        skills: technician.skills.iter().map(skill).collect(),
        away: technician.absences.iter().map(period).collect(),
        overtime: technician.overtime.iter().map(period).collect(),
    }
}

fn changeover(changeover: &v1::Changeover) -> Changeover {
    let (from, to) = (changeover.from_family.clone(), changeover.to_family.clone());
    Changeover { from, to, minutes: changeover.minutes }
}

/// A line of `order list`.
#[derive(Debug, Serialize)]
pub struct OrderLine {
    id: String,
    vehicle: String,
    state: String,
    progress: String,
    arrival: Option<String>,
    arrived: bool,
    promise: Option<String>,
    planned_completion: Option<String>,
}

impl OrderLine {
    /// Returns a line about an order; `progress` is in words.
    pub fn new(order: &v1::Order, progress: String, completion: Option<prost_types::Timestamp>) -> Self {
        Self {
            id: last(&order.name).to_owned(),
            vehicle: order.vehicle.clone(),
            state: word(order.state().as_str_name(), "STATE_"),
            progress,
            arrival: instant(order.arrival_time.as_ref()),
            arrived: order.arrived,
            promise: instant(order.promise_time.as_ref()),
            planned_completion: instant(completion.as_ref()),
        }
    }
}

/// Answer of `order show`.
#[derive(Debug, Serialize)]
pub struct Order {
    id: String,
    vehicle: String,
    note: String,
    state: String,
    arrival: Option<String>,
    arrived: bool,
    promise: Option<String>,
    late_weight: Option<i32>,
    flow_weight: Option<i32>,
    visits: Vec<Visit>,
    operations: Vec<Operation>,
    links: Vec<Link>,
    parts: Vec<Part>,
    approvals: Vec<Part>,
    etag: String,
}

#[derive(Debug, Serialize)]
struct Visit {
    id: String,
    class: String,
    loose_parts: bool,
    family: Option<String>,
    bay: Option<String>,
}

#[derive(Debug, Serialize)]
struct Operation {
    id: String,
    name: String,
    work_minutes: Option<i64>,
    crew: Vec<String>,
    visit: Option<String>,
    equipment: Vec<Need>,
    stops_at_closing: bool,
    needs: Vec<String>,
    not_before: Option<String>,
    same_person: Option<String>,
    same_person_required: bool,
    pinned_technicians: Vec<String>,
    pinned_start: Option<String>,
    hazards: Vec<String>,
    state: String,
    start: Option<String>,
    end: Option<String>,
    technicians: Vec<String>,
    minutes_left: Option<i64>,
}

#[derive(Debug, Serialize)]
struct Need {
    equipment: String,
    count: i32,
}

#[derive(Debug, Serialize)]
struct Link {
    from: String,
    to: String,
    min_wait_minutes: i64,
    max_wait_minutes: Option<i64>,
}

#[derive(Debug, Serialize)]
struct Part {
    id: String,
    name: String,
    expected: Option<String>,
    there: bool,
}

impl From<&v1::Order> for Order {
    fn from(order: &v1::Order) -> Self {
        let part = |id: &str, name: &str, expected: Option<&prost_types::Timestamp>, there| Part {
            id: id.to_owned(),
            name: name.to_owned(),
            expected: instant(expected),
            there,
        };
        Self {
            id: last(&order.name).to_owned(),
            vehicle: order.vehicle.clone(),
            note: order.note.clone(),
            state: word(order.state().as_str_name(), "STATE_"),
            arrival: instant(order.arrival_time.as_ref()),
            arrived: order.arrived,
            promise: instant(order.promise_time.as_ref()),
            late_weight: order.late_weight,
            flow_weight: order.flow_weight,
            visits: order.visits.iter().map(visit).collect(),
            operations: order.operations.iter().map(operation).collect(),
            links: order.links.iter().map(link).collect(),
            parts: order
                .parts
                .iter()
                .map(|one| part(&one.id, &one.display_name, one.expected_time.as_ref(), one.received))
                .collect(),
            approvals: order
                .approvals
                .iter()
                .map(|one| part(&one.id, &one.display_name, one.expected_time.as_ref(), one.granted))
                .collect(),
            etag: order.etag.clone(),
        }
    }
}

fn visit(visit: &v1::Visit) -> Visit {
    Visit {
        id: visit.id.clone(),
        class: visit.bay_class.clone(),
        loose_parts: visit.loose_parts,
        family: set(&visit.family),
        bay: set(&visit.bay),
    }
}

fn operation(operation: &v1::Operation) -> Operation {
    let progress = operation.progress.clone().unwrap_or_default();
    let pin = operation.pin.clone().unwrap_or_default();
    let state = match progress.state() {
        v1::progress::State::Unspecified => "open".to_owned(),
        state => word(state.as_str_name(), "STATE_"),
    };
    let hazards = operation.hazards.iter().filter_map(|&hazard| v1::Hazard::try_from(hazard).ok());
    let need = |need: &v1::EquipmentNeed| Need { equipment: need.equipment.clone(), count: need.count.max(1) };
    Operation {
        id: operation.id.clone(),
        name: operation.display_name.clone(),
        work_minutes: operation.work.as_ref().map(minutes),
        crew: operation.crew.clone(),
        visit: set(&operation.visit),
        equipment: operation.equipment.iter().map(need).collect(),
        stops_at_closing: operation.interruptible,
        needs: operation.needs.clone(),
        not_before: instant(operation.earliest_start_time.as_ref()),
        same_person: operation.same_person.as_ref().map(|same| same.operation.clone()),
        same_person_required: operation.same_person.as_ref().is_some_and(|same| same.required),
        pinned_technicians: pin.technicians,
        pinned_start: instant(pin.start_time.as_ref()),
        hazards: hazards.map(hazard_name).collect(),
        state,
        start: instant(progress.start_time.as_ref()),
        end: instant(progress.end_time.as_ref()),
        technicians: progress.technicians,
        minutes_left: progress.remaining_work.as_ref().map(minutes),
    }
}

fn link(link: &v1::Link) -> Link {
    Link {
        from: link.from.clone(),
        to: link.to.clone(),
        min_wait_minutes: link.min_wait.as_ref().map_or(0, minutes),
        max_wait_minutes: link.max_wait.as_ref().map(minutes),
    }
}

/// A line of `outline list`, and answer of `outline show`.
#[derive(Debug, Serialize)]
pub struct Outline {
    id: String,
    title: String,
    description: String,
    caution: String,
    operations: Vec<OutlineOperation>,
    visits: Vec<Visit>,
    links: Vec<Link>,
    parts: Vec<String>,
    approvals: Vec<String>,
}

#[derive(Debug, Serialize)]
struct OutlineOperation {
    id: String,
    name: String,
    /// `null` if the writer has to say; 0 if it is left out unless the writer says.
    work_minutes: Option<i64>,
    usual_minutes: Option<(i64, i64)>,
    crew: Vec<String>,
    visit: Option<String>,
    hazards: Vec<String>,
}

impl From<&outline::Outline> for Outline {
    fn from(outline: &outline::Outline) -> Self {
        let order = &outline.skeleton;
        let one = |one: &v1::Operation| {
            let all = operation(one);
            OutlineOperation {
                usual_minutes: outline.usual.get(&one.id).copied(),
                id: all.id,
                name: all.name,
                work_minutes: all.work_minutes,
                crew: all.crew,
                visit: all.visit,
                hazards: all.hazards,
            }
        };
        Self {
            id: outline.id.clone(),
            title: outline.title.clone(),
            description: outline.description.clone(),
            caution: outline.caution.clone(),
            operations: order.operations.iter().map(one).collect(),
            visits: order.visits.iter().map(visit).collect(),
            links: order.links.iter().map(link).collect(),
            parts: order.parts.iter().map(|part| part.id.clone()).collect(),
            approvals: order.approvals.iter().map(|approval| approval.id.clone()).collect(),
        }
    }
}

/// Progress and end of a plan run: a line of `plan run list`, `plan run watch` and `plan solve`.
#[derive(Debug, Serialize)]
pub struct Run {
    id: String,
    state: String,
    phase: Option<String>,
    best_price: Option<i64>,
    bound: i64,
    gap: Option<f64>,
    plan: Option<String>,
    failure: Option<String>,
    as_of: Option<String>,
    created: Option<String>,
    started: Option<String>,
    ended: Option<String>,
}

impl From<&v1::PlanRun> for Run {
    fn from(run: &v1::PlanRun) -> Self {
        let phase = match run.phase() {
            v1::plan_run::Phase::Unspecified => None,
            phase => Some(word(phase.as_str_name(), "PHASE_")),
        };
        Self {
            id: last(&run.name).to_owned(),
            state: word(run.state().as_str_name(), "STATE_"),
            phase,
            best_price: run.best_price,
            bound: run.bound,
            gap: run.gap,
            plan: id_of(&run.plan),
            failure: set(&run.failure),
            as_of: instant(run.as_of_time.as_ref()),
            created: instant(run.create_time.as_ref()),
            started: instant(run.start_time.as_ref()),
            ended: instant(run.end_time.as_ref()),
        }
    }
}

/// A line of `plan list`, and answer of `plan solve`.
#[derive(Debug, Serialize)]
pub struct PlanLine {
    id: String,
    state: String,
    stale: bool,
    /// No plan is cheaper.
    optimal: bool,
    price: i64,
    bound: i64,
    gap: f64,
    as_of: Option<String>,
    created: Option<String>,
}

impl From<&v1::Plan> for PlanLine {
    fn from(plan: &v1::Plan) -> Self {
        Self {
            id: last(&plan.name).to_owned(),
            state: word(plan.state().as_str_name(), "STATE_"),
            stale: plan.stale,
            optimal: plan.quality() == v1::plan::Quality::Optimal,
            price: plan.price.map_or(0, |price| price.total),
            bound: plan.bound,
            gap: plan.gap,
            as_of: instant(plan.as_of_time.as_ref()),
            created: instant(plan.create_time.as_ref()),
        }
    }
}

/// Answer of `plan show` and `plan solve`.
#[derive(Debug, Serialize)]
pub struct Plan {
    #[serde(flatten)]
    line: PlanLine,
    price_parts: Price,
    horizon: Option<String>,
    orders: Vec<OrderPlan>,
    left_out: Vec<LeftOut>,
}

#[derive(Debug, Serialize)]
struct Price {
    lateness: i64,
    flow: i64,
    overtime: i64,
    change: i64,
    same_person: i64,
    outside: i64,
    left_out: i64,
}

/// A line of `plan late`, and an order of `plan show`.
#[derive(Debug, Serialize)]
pub struct OrderPlan {
    order: String,
    vehicle: String,
    arrival: Option<String>,
    promise: Option<String>,
    completion: Option<String>,
    late_minutes: i64,
    visits: Vec<VisitPlan>,
    operations: Vec<OperationPlan>,
    delays: Vec<Delay>,
}

#[derive(Debug, Serialize)]
struct VisitPlan {
    visit: String,
    bay: String,
    loose_parts: bool,
    start: Option<String>,
    end: Option<String>,
}

#[derive(Debug, Serialize)]
struct OperationPlan {
    operation: String,
    name: String,
    state: String,
    visit: Option<String>,
    bay: Option<String>,
    start: Option<String>,
    end: Option<String>,
    technicians: Vec<String>,
    overtime: bool,
}

#[derive(Debug, Serialize)]
struct Delay {
    kind: String,
    minutes: i64,
    subject: Option<String>,
    holder: Option<String>,
    operation: Option<String>,
    until: Option<String>,
}

#[derive(Debug, Serialize)]
struct LeftOut {
    order: String,
    reason: String,
    operation: Option<String>,
    message: String,
}

impl From<&v1::Plan> for Plan {
    fn from(plan: &v1::Plan) -> Self {
        let price = plan.price.unwrap_or_default();
        Self {
            line: PlanLine::from(plan),
            price_parts: Price {
                lateness: price.lateness,
                flow: price.flow,
                overtime: price.overtime,
                change: price.change,
                same_person: price.same_person,
                outside: price.outside,
                left_out: price.left_out,
            },
            horizon: instant(plan.horizon_time.as_ref()),
            orders: plan.orders.iter().map(OrderPlan::from).collect(),
            left_out: plan.left_out.iter().map(left_out).collect(),
        }
    }
}

impl From<&v1::OrderPlan> for OrderPlan {
    fn from(order: &v1::OrderPlan) -> Self {
        Self {
            order: last(&order.order).to_owned(),
            vehicle: order.vehicle.clone(),
            arrival: instant(order.arrival_time.as_ref()),
            promise: instant(order.promise_time.as_ref()),
            completion: instant(order.completion_time.as_ref()),
            late_minutes: order.lateness.as_ref().map_or(0, minutes),
            visits: order.visits.iter().map(visit_plan).collect(),
            operations: order.operations.iter().map(operation_plan).collect(),
            delays: order.delays.iter().map(delay).collect(),
        }
    }
}

fn visit_plan(visit: &v1::VisitPlan) -> VisitPlan {
    VisitPlan {
        visit: visit.visit.clone(),
        bay: visit.bay.clone(),
        loose_parts: visit.loose_parts,
        start: instant(visit.start_time.as_ref()),
        end: instant(visit.end_time.as_ref()),
    }
}

fn operation_plan(operation: &v1::OperationPlan) -> OperationPlan {
    OperationPlan {
        operation: operation.operation.clone(),
        name: operation.display_name.clone(),
        state: word(operation.state().as_str_name(), "STATE_"),
        visit: set(&operation.visit),
        bay: set(&operation.bay),
        start: instant(operation.start_time.as_ref()),
        end: instant(operation.end_time.as_ref()),
        technicians: operation.technicians.clone(),
        overtime: operation.overtime,
    }
}

fn delay(delay: &v1::Delay) -> Delay {
    Delay {
        kind: word(delay.kind().as_str_name(), "KIND_"),
        minutes: delay.duration.as_ref().map_or(0, minutes),
        subject: set(&delay.subject),
        holder: set(&delay.holder),
        operation: set(&delay.operation),
        until: instant(delay.until_time.as_ref()),
    }
}

fn left_out(left: &v1::LeftOut) -> LeftOut {
    LeftOut {
        order: last(&left.order).to_owned(),
        reason: left.reason.clone(),
        operation: set(&left.operation),
        message: left.message.clone(),
    }
}

fn instant(instant: Option<&prost_types::Timestamp>) -> Option<String> {
    from_proto(instant).map(|instant| instant.to_string())
}

fn set(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| text.to_owned())
}

fn id_of(name: &str) -> Option<String> {
    set(last(name))
}

/// Returns an enum's name as a word: `STATE_OPEN` is `open`.
fn word(name: &str, prefix: &str) -> String {
    name.trim_start_matches(prefix).to_lowercase()
}
