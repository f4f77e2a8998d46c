//! Mending a published plan: each method reads, plans where it has to, calls the store, writes.

use std::sync::Arc;
use std::time::Duration;

use fitup_model::timetable::{LeftOutOrder, Quality};
use fitup_model::{OrderFacts, Timetable};
use fitup_proto::v1;
use fitup_proto::v1::replan_service_server::ReplanService;
use fitup_store::{Change, NewPlan, PlanRecord, Snapshot, Store};
use jiff::Timestamp;
use tonic::{Request, Response, Status};

use crate::clock::Clock;
use crate::convert::names::{self, Collection};
use crate::convert::{diff, to_instant};
use crate::error::Error;
use crate::floor_service::{as_of, blocking, forbidden, nothing_published};
use crate::place::Places;
use crate::plan_runs::PlanRuns;
use crate::plan_service::{child_name, write};
use crate::replan::{Answer, Kind, Limits, TIME_LIMIT, replan};
use crate::request::{change, encode, message, repeated};
use crate::search::planning;
use crate::shop_service::shop_name;

/// Mends plans.
pub struct Replans {
    store: Arc<dyn Store>,
    clock: Clock,
    runs: PlanRuns,
    /// So many at once; who finds no place waits for one.
    places: Places,
}

impl Replans {
    /// Returns a service that mends at most `at_once` plans at a time.
    pub fn new(store: Arc<dyn Store>, clock: Clock, runs: PlanRuns, at_once: usize) -> Replans {
        Replans { store, clock, runs, places: Places::new(at_once) }
    }

    async fn published(&self, shop: &str) -> Result<(Snapshot, PlanRecord), Error> {
        let snapshot = self.store.snapshot(shop).await?;
        let published = snapshot.published.clone().ok_or_else(|| nothing_published(shop))?;
        Ok((snapshot, published))
    }

    async fn plan_or_published(&self, shop: &str, id: &str) -> Result<PlanRecord, Error> {
        if id != "-" {
            return Ok(self.store.get_plan(shop, id).await?);
        }
        let latest = self.store.latest_plan(shop).await?;
        latest.filter(|plan| plan.state == fitup_store::PlanState::Published).ok_or_else(|| nothing_published(shop))
    }
}

#[tonic::async_trait]
impl ReplanService for Replans {
    async fn replan(&self, request: Request<v1::ReplanRequest>) -> Result<Response<v1::ReplanResponse>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        // Who may not see the shop learns nothing else.
        self.store.get_shop(&shop).await.map_err(Error::from)?;
        if let Some(answer) = repeated(&*self.store, &change).await? {
            return Ok(Response::new(answer));
        }
        let limits = limits(&request)?;
        let now = as_of(request.as_of_time.as_ref(), self.clock)?;
        let place = self.places.take().await?;
        let (snapshot, published) = self.published(&shop).await?;
        let revision = snapshot.shop.revision;
        let answers = place.work(move |stop| {
            let planning = planning(&snapshot, now)?;
            let plan = planning.published.clone().ok_or("no plan is published")?;
            replan(&planning, &plan, &limits, stop)
        });
        let answers = answers.await?.map_err(|message| forbidden(&shop, message))?;
        self.keep(&change, &shop, &published.id, revision, answers).await
    }

    async fn restore_plan(&self, request: Request<v1::RestorePlanRequest>) -> Result<Response<v1::Plan>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let (shop, id) = child_name(&request.name, Collection::Plans)?;
        let earlier = self.store.get_plan(&shop, &id).await.map_err(Error::from)?;
        if let Some(answer) = repeated(&*self.store, &change).await? {
            return Ok(Response::new(answer));
        }
        let now = as_of(request.as_of_time.as_ref(), self.clock)?;
        let snapshot = self.store.snapshot(&shop).await.map_err(Error::from)?;
        if snapshot.published.as_ref().is_some_and(|published| published.id == id && !published.stale) {
            let message = format!("plan {id:?} is the published one, and nothing has changed since it was made");
            return Err(forbidden(&shop, message).into());
        }
        let revision = snapshot.shop.revision;
        let timetable = blocking(move || restored(&snapshot, &earlier, now)).await?;
        let timetable = timetable.map_err(|message| forbidden(&shop, message))?;
        let plan = NewPlan { id: self.runs.new_id(), shop_revision: revision, timetable };
        let to_message = {
            let shop = shop.clone();
            move |record: &PlanRecord| write(&shop, record)
        };
        let answer = self.store.restore_plan(&change, &shop, plan, encode(to_message.clone())).await;
        Ok(Response::new(message(answer.map_err(Error::from)?, to_message)?))
    }

    async fn diff_plans(&self, request: Request<v1::DiffPlansRequest>) -> Result<Response<v1::PlanDiff>, Status> {
        let request = request.into_inner();
        let (shop, before) = plan_name(&request.before, "before")?;
        let (other, after) = plan_name(&request.after, "after")?;
        if other != shop {
            let message = format!("is a plan of shop {other:?}, not of {shop:?}");
            return Err(Error::from(fitup_model::Fault { path: "after".into(), message }).into());
        }
        let before = self.plan_or_published(&shop, &before).await?;
        let after = self.plan_or_published(&shop, &after).await?;
        let snapshot = self.store.snapshot(&shop).await.map_err(Error::from)?;
        let orders: Vec<OrderFacts> = snapshot.orders.into_iter().map(|order| order.facts).collect();
        let found = fitup_model::diff::diff(&before.timetable, &after.timetable, &snapshot.shop.facts, &orders);
        Ok(Response::new(diff::write(&shop, &before.id, &after.id, &found)))
    }
}

impl Replans {
    /// Keeps the answers as proposals and tells of them.
    async fn keep(
        &self,
        change: &Change,
        shop: &str,
        published: &str,
        shop_revision: i64,
        answers: Vec<Answer>,
    ) -> Result<Response<v1::ReplanResponse>, Status> {
        let plans = answers.iter().map(|answer| NewPlan {
            id: self.runs.new_id(),
            shop_revision,
            timetable: answer.timetable.clone(),
        });
        let plans = plans.collect();
        let published_plan = names::child(shop, Collection::Plans, published);
        let of_shop = shop.to_owned();
        let to_message = move |records: &Vec<PlanRecord>| v1::ReplanResponse {
            published_plan: published_plan.clone(),
            answers: answers.iter().zip(records).map(|(answer, record)| to_answer(&of_shop, answer, record)).collect(),
        };
        let to_message = Arc::new(to_message);
        let for_store = Arc::clone(&to_message);
        let answer = self.store.save_plans(change, shop, plans, encode(move |records| for_store(records))).await;
        Ok(Response::new(message(answer.map_err(Error::from)?, |records| to_message(records))?))
    }
}

fn plan_name(name: &str, field: &str) -> Result<(String, String), Error> {
    if let Some(parent) = name.strip_suffix("/plans/-") {
        return Ok((shop_name(parent, field)?, "-".to_owned()));
    }
    let (shop, id) = names::parse_child(name, Collection::Plans, field)?;
    crate::layer::note_shop(&shop);
    Ok((shop, id))
}

fn limits(request: &v1::ReplanRequest) -> Result<Limits, Error> {
    let mut faults = Vec::new();
    let mut fault = |path: &str, message: &str| {
        faults.push(fitup_model::Fault { path: path.into(), message: message.into() });
    };
    let iterations = u64::try_from(request.iteration_limit).ok().filter(|limit| *limit <= 10_000_000);
    if iterations.is_none() {
        fault("iteration_limit", "is 0 to 10000000");
    }
    let millis = request
        .time_limit
        .map(|limit| limit.seconds.saturating_mul(1000).saturating_add(i64::from(limit.nanos) / 1_000_000));
    let time = millis.map_or(Some(TIME_LIMIT), |millis| {
        u64::try_from(millis).ok().filter(|millis| (100..=600_000).contains(millis)).map(Duration::from_millis)
    });
    if time.is_none() {
        fault("time_limit", "is 0.1 to 600 seconds");
    }
    if !faults.is_empty() {
        return Err(faults.into());
    }
    Ok(Limits {
        time: time.unwrap_or(TIME_LIMIT),
        iterations: iterations.filter(|limit| *limit > 0),
        seed: request.seed.cast_unsigned(),
        threads: 1,
    })
}

fn to_answer(shop: &str, answer: &Answer, record: &PlanRecord) -> v1::Answer {
    let kind = match answer.kind {
        Kind::LeastChange => v1::answer::Kind::LeastChange,
        Kind::BestOutcome => v1::answer::Kind::BestOutcome,
        Kind::WithOvertime => v1::answer::Kind::WithOvertime,
    };
    let count = |number: usize| i32::try_from(number).unwrap_or(i32::MAX);
    let late: Vec<_> = answer.timetable.orders.iter().filter_map(|order| order.lateness()).collect();
    let sum = late.iter().fold(jiff::SignedDuration::ZERO, |sum, late| sum.saturating_add(*late));
    let duration = |time: jiff::SignedDuration| prost_types::Duration { seconds: time.as_secs(), nanos: 0 };
    v1::Answer {
        kind: kind.into(),
        plan: Some(v1::Plan { orders: Vec::new(), ..write(shop, record) }),
        late_count: count(late.len()),
        late_time: Some(duration(sum)),
        left_out_count: count(answer.timetable.left_out.len()),
        soon_count: count(answer.soon.0),
        soon_moved_count: count(answer.soon.1),
        moved_count: count(answer.moved),
        overtime: answer
            .overtime
            .iter()
            .map(|used| v1::OvertimeUse {
                technician: used.technician.clone(),
                start_time: Some(to_instant(used.start_time)),
                end_time: Some(to_instant(used.end_time)),
                work: Some(duration(used.work)),
                worth: used.worth,
            })
            .collect(),
    }
}

/// Returns what an earlier plan still has to say today, if that keeps every rule.
fn restored(snapshot: &Snapshot, earlier: &PlanRecord, now: Timestamp) -> Result<Timetable, String> {
    let with = Snapshot { published: Some(earlier.clone()), ..snapshot.clone() };
    let then = planning(&with, now)?;
    let mut plan = then.published.clone().ok_or("the plan is empty")?;
    let problem = &then.problem;
    let mut left_out = Vec::new();
    for (car, data) in problem.cars.iter() {
        if plan.includes(problem, car) {
            continue;
        }
        let known = earlier.timetable.orders.iter().any(|order| order.order == data.name);
        if known {
            return Err(format!("order {:?} has work that plan {:?} does not know", data.name, earlier.id));
        }
        // Entered since, or left out then: they stay out until the next plan.
        let facts = fitup_model::Plan::nothing_new(problem);
        for &operation in problem.operations_of(car) {
            plan.operations[operation] = facts.operations[operation].clone();
        }
        for &visit in problem.visits_of(car) {
            plan.bays[visit] = facts.bays[visit];
        }
        left_out.push(LeftOutOrder {
            order: data.name.clone(),
            reason: "NOT_IN_RESTORED_PLAN".into(),
            operation: None,
            message: format!("plan {:?} does not plan it; the next plan run will", earlier.id),
        });
    }
    let zone = fitup_model::Shop::new(snapshot.shop.facts.clone()).map(|shop| shop.zone().clone());
    let zone = zone.map_err(|_| "the shop no longer holds together")?;
    let show = |time| zone.to_datetime(then.instant(time)).strftime("%a %-d %b %H:%M").to_string();
    let violations = fitup_model::check::check_with(problem, &plan, &show);
    if !violations.is_empty() {
        let mut reasons: Vec<&str> = violations.iter().map(|violation| violation.message.as_str()).take(5).collect();
        let more = format!("and {} more", violations.len() - reasons.len());
        if violations.len() > reasons.len() {
            reasons.push(&more);
        }
        return Err(format!("plan {:?} is not feasible today: {}", earlier.id, reasons.join("; ")));
    }
    // Changes are counted from the plan that the floor works by, not from the one that comes back.
    let today = planning(snapshot, now)?;
    let bound = fitup_planner::compile::Compiled::new(&today.problem).trivial_bound();
    let violations = fitup_model::check(&today.problem, &plan);
    if let Some(violation) = violations.first() {
        return Err(format!("plan {:?} changes what is too near to change: {}", earlier.id, violation.message));
    }
    let price = fitup_model::cost::cost(&today.problem, &plan);
    Ok(today.timetable(&plan, Quality::Feasible, bound.min(price), left_out))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_limits_out_of_all_reason_are_refused() {
        let check = |seconds, nanos, expected: Option<u64>| {
            let time_limit = Some(prost_types::Duration { seconds, nanos });
            let found = limits(&v1::ReplanRequest { time_limit, ..Default::default() });
            assert_eq!(found.ok().map(|limits| limits.time), expected.map(Duration::from_millis), "{seconds} {nanos}");
        };
        check(1, 500_000_000, Some(1500));
        check(0, 99_000_000, None);
        check(600, 1_000_000, None);
        check(i64::MAX, i32::MAX, None);
        check(i64::MIN, i32::MIN, None);
    }
}
