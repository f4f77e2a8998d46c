//! Why a plan is as it is, where it is tight, and how the work has gone: each method reads, reckons on a thread of its
//! own, writes.

use std::ops::Range;
use std::sync::Arc;
use std::time::{Duration, Instant};

use fitup_model::measures::{Measures, measures, stability};
use fitup_model::{Fault, OrderFacts, Plan, Planning, Shop};
use fitup_planner::Stop;
use fitup_planner::conflict::conflict;
use fitup_planner::load::{Load, load};
use fitup_planner::steer::{Steered, steer};
use fitup_proto::v1;
use fitup_proto::v1::explain_service_server::ExplainService;
use fitup_store::{Error as StoreError, OrderFilter, Page, PlanRecord, PlanState, Snapshot, Store};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use tonic::{Request, Response, Status};

use crate::chances::{Known, Recorded};
use crate::clock::Clock;
use crate::convert::names::{self, Collection};
use crate::convert::{explain, instant_field};
use crate::error::Error;
use crate::floor_service::as_of;
use crate::layer::note_shop;
use crate::place::Places;
use crate::search;
use crate::shop_service::shop_name;

/// No answer takes longer: whoever asks has given up by then.
const TIME_LIMIT: Duration = Duration::from_secs(60);
/// Rules that leave an order no place are looked for so long.
const CONFLICT_LIMIT: Duration = Duration::from_secs(10);
/// Rows of the load that are checked unless the request says otherwise, and at most.
const CHECKS: (usize, usize) = (6, 20);
/// Most weeks of measures.
const WEEKS: u32 = 53;
/// Orders and plans are read so many at a time.
const PAGE: u32 = 500;

/// Explains plans.
pub struct Explain {
    /// Where they are kept.
    pub store: Arc<dyn Store>,
    /// For what now is.
    pub clock: Clock,
    /// One answer at a time: it is a search, and a search takes a core.
    pub places: Places,
}

/// When a plan was published, how many operations it kept of the one before, and of how many.
type Kept = (Timestamp, (usize, usize));

/// A plan, the shop that it is for, and the problem that is left of it.
struct Asked {
    record: PlanRecord,
    planning: Planning,
    start: Plan,
}

#[tonic::async_trait]
impl ExplainService for Explain {
    async fn explain_order(
        &self,
        request: Request<v1::ExplainOrderRequest>,
    ) -> Result<Response<v1::OrderExplanation>, Status> {
        let request = request.into_inner();
        let (shop, order) = names::parse_child(&request.name, Collection::Orders, "name").map_err(Error::from)?;
        note_shop(&shop);
        let (as_of, faults) = instant_field(request.as_of_time.as_ref(), "as_of_time");
        refuse(faults)?;
        let promise = self.store.get_order(&shop, &order).await.map_err(Error::from)?.facts.promise_time;
        let (record, snapshot) = self.plan(&shop, &request.plan).await?;
        let left = record.timetable.left_out.iter().find(|left| left.order == order).cloned();
        if let Some(left) = left {
            let as_of = as_of.unwrap_or(record.timetable.as_of_time.max(self.clock.now()));
            let found = self.places.take().await?.work(move |hangup| no_place(record, snapshot, as_of, &order, hangup));
            let (record, conflict) = found.await??;
            return Ok(Response::new(explain::write_left_out(&shop, &record, &left, promise, conflict)));
        }
        let timetable = record.timetable.orders.iter().find(|other| other.order == order).cloned();
        let timetable = timetable.ok_or_else(|| {
            let message =
                format!("order {order} is not in plan {}: it is done, cancelled or newer than that", record.id);
            forbidden(&request.name, message)
        })?;
        let as_of = as_of.unwrap_or(record.timetable.as_of_time.max(self.clock.now()));
        let found = self.places.take().await?.work(move |hangup| {
            let asked = Asked::new(record, snapshot, as_of)?;
            let car = asked.planning.problem.cars.iter().find(|(_, car)| car.name == order).map(|(id, _)| id);
            let until = Until::new(hangup);
            let steered = car.and_then(|car| steer(&asked.planning.problem, &asked.start, car, &until));
            until.check()?;
            Ok::<(Asked, Option<Steered>), Error>((asked, steered))
        });
        let (asked, steered) = found.await??;
        Ok(Response::new(explain::write_order(&shop, &asked.record, &timetable, &asked.planning, steered.as_ref())))
    }

    async fn get_load(&self, request: Request<v1::GetLoadRequest>) -> Result<Response<v1::Load>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let (as_of, mut faults) = instant_field(request.as_of_time.as_ref(), "as_of_time");
        let checks = match usize::try_from(request.check_limit) {
            Ok(0) => CHECKS.0,
            Ok(limit) => limit.min(CHECKS.1),
            Err(_) => {
                faults.push(negative("check_limit", request.check_limit));
                0
            }
        };
        refuse(faults)?;
        let (record, snapshot) = self.plan(&shop, &request.plan).await?;
        let as_of = as_of.unwrap_or(record.timetable.as_of_time.max(self.clock.now()));
        let found = self.places.take().await?.work(move |hangup| {
            let asked = Asked::new(record, snapshot, as_of)?;
            let until = Until::new(hangup);
            let load = load(&asked.planning.problem, &asked.start, checks, &until);
            until.check()?;
            Ok::<(Asked, Load), Error>((asked, load))
        });
        let (asked, load) = found.await??;
        Ok(Response::new(explain::write_load(&shop, &asked.record, &asked.planning, &load)))
    }

    async fn get_measures(&self, request: Request<v1::GetMeasuresRequest>) -> Result<Response<v1::Measures>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let (week, mut faults) = instant_field(request.week_time.as_ref(), "week_time");
        let count = u32::try_from(request.week_count).unwrap_or_else(|_| {
            faults.push(negative("week_count", request.week_count));
            0
        });
        if count > WEEKS {
            faults
                .push(Fault { path: "week_count".into(), message: format!("must be at most {WEEKS}, and is {count}") });
        }
        let now = self.clock.now();
        let week = week.unwrap_or(now);
        if week > now {
            faults.push(Fault { path: "week_time".into(), message: "must not be after now".into() });
        }
        refuse(faults)?;
        let facts = self.store.get_shop(&shop).await.map_err(Error::from)?.facts;
        let facts = Shop::new(facts).map_err(Error::from)?;
        let out_of_reach =
            |error| Error::from(Fault { path: "week_time".into(), message: format!("is out of reach: {error}") });
        let spans = spans(facts.zone(), week, count.max(1), now).map_err(out_of_reach)?;
        // One at a time from here on: a year of orders is read as a whole.
        let place = self.places.take().await?;
        let (Some((from, _)), Some((_, until))) = (spans.first(), spans.last()) else {
            return Ok(Response::new(v1::Measures::default()));
        };
        let kept = self.kept(&shop, facts.zone(), *from..*until).await?;
        let orders = self.orders(&shop).await?;
        let weeks = place.work(move |_| weeks(&facts, &orders, &kept, &spans)).await?.map_err(out_of_reach)?;
        Ok(Response::new(v1::Measures { weeks }))
    }

    async fn get_chances(&self, request: Request<v1::GetChancesRequest>) -> Result<Response<v1::Chances>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let facts = self.store.get_shop(&shop).await.map_err(Error::from)?.facts;
        let now = as_of(request.as_of_time.as_ref(), self.clock)?;
        let recorded = Recorded::read(&*self.store, &facts.id, now).await?;
        Ok(Response::new(Known::learn(&facts, &recorded, now)?.write()))
    }
}

impl Explain {
    /// Returns a plan, the published one or the latest without an id, and the shop.
    async fn plan(&self, shop: &str, plan: &str) -> Result<(PlanRecord, Snapshot), Error> {
        let record = if plan.is_empty() {
            let name = format!("{}/plans/-", names::shop(shop));
            self.store.latest_plan(shop).await?.ok_or(Error::NoPlan { name })?
        } else {
            names::check_id(plan, "plan")?;
            self.store.get_plan(shop, plan).await?
        };
        Ok((record, self.store.snapshot(shop).await?))
    }

    async fn orders(&self, shop: &str) -> Result<Vec<OrderFacts>, Error> {
        let mut orders: Vec<OrderFacts> = Vec::new();
        loop {
            let page = Page { after: orders.last().map(|order| order.id.clone()), limit: PAGE };
            let read = self.store.list_orders(shop, OrderFilter::default(), page).await?;
            let is_last = read.len() < PAGE as usize;
            orders.extend(read.into_iter().map(|record| record.facts));
            if is_last {
                return Ok(orders);
            }
        }
    }

    /// Returns how much each plan that was published in this time kept of the one before: when, operations kept, all.
    async fn kept(&self, shop: &str, zone: &TimeZone, within: Range<Timestamp>) -> Result<Vec<Kept>, Error> {
        let plans = self.published_plans(shop).await?;
        let (mut kept, mut last): (Vec<Kept>, Option<PlanRecord>) = (Vec::new(), None);
        for pair in plans.windows(2).filter(|pair| within.contains(&pair[1].create_time)) {
            let before = match last.take().filter(|last| last.id == pair[0].id) {
                Some(before) => before,
                None => self.store.get_plan(shop, &pair[0].id).await?,
            };
            let after = self.store.get_plan(shop, &pair[1].id).await?;
            kept.push((after.create_time, stability(&before.timetable, &after.timetable, zone)));
            last = Some(after);
        }
        Ok(kept)
    }

    /// Returns the plans that are or were published, the first first; without their orders, as lists have them.
    async fn published_plans(&self, shop: &str) -> Result<Vec<PlanRecord>, Error> {
        let (mut plans, mut after) = (Vec::new(), None);
        loop {
            let read = self.store.list_plans(shop, Page { after, limit: PAGE }).await?;
            let is_last = read.len() < PAGE as usize;
            after = read.last().map(|plan| plan.id.clone());
            for plan in read.into_iter().filter(|plan| plan.state != PlanState::Proposed) {
                // A list tells plans without their orders.
                plans.push(self.store.get_plan(shop, &plan.id).await?);
            }
            if is_last {
                plans.reverse();
                return Ok(plans);
            }
        }
    }
}

impl Asked {
    fn new(record: PlanRecord, snapshot: Snapshot, as_of: Timestamp) -> Result<Asked, Error> {
        let name = names::child(&snapshot.shop.facts.id, Collection::Plans, &record.id);
        let planning =
            |snapshot: &Snapshot| search::planning(snapshot, as_of).map_err(|message| forbidden(&name, message));
        // Changes are paid for against what is published; the plan asked about is where the search begins.
        let own = Snapshot { published: Some(record.clone()), ..snapshot.clone() };
        let start = planning(&own)?.published.ok_or_else(|| Error::Bug("a plan without a plan".into()))?;
        Ok(Asked { planning: planning(&snapshot)?, start, record })
    }
}

/// Returns the spans of `count` weeks, the first of which has `first` in it, up to now.
fn spans(
    zone: &TimeZone,
    first: Timestamp,
    count: u32,
    now: Timestamp,
) -> Result<Vec<(Timestamp, Timestamp)>, jiff::Error> {
    let day = zone.to_datetime(first).date();
    let monday = day.checked_sub(i64::from(day.weekday().to_monday_zero_offset()).days())?;
    let midnight = |days: i64| fitup_model::week::instant(zone, monday.checked_add(days.days())?.into());
    let mut spans = Vec::new();
    for number in 0..i64::from(count) {
        let (from, until) = (midnight(7 * number)?, midnight(7 * number + 7)?.min(now));
        if from >= now {
            break;
        }
        spans.push((from, until));
    }
    Ok(spans)
}

/// Returns the measures of weeks.
fn weeks(
    shop: &Shop,
    orders: &[OrderFacts],
    kept: &[Kept],
    spans: &[(Timestamp, Timestamp)],
) -> Result<Vec<v1::measures::Week>, jiff::Error> {
    let week = |&(from, until): &(Timestamp, Timestamp)| {
        let week: Measures = measures(shop, orders, from, until)?;
        let within = kept.iter().filter(|(at, _)| (from..until).contains(at));
        let share = within.fold((0, 0), |sum, (_, share)| (sum.0 + share.0, sum.1 + share.1));
        Ok(explain::write_week(from, until, &week, share))
    };
    spans.iter().map(week).collect()
}

/// Returns the rules that leave an order no place beside the others of a plan, if that can be proven in time.
fn no_place(
    record: PlanRecord,
    snapshot: Snapshot,
    as_of: Timestamp,
    order: &str,
    hangup: &dyn Stop,
) -> Result<(PlanRecord, Option<v1::Conflict>), Error> {
    let zone = Shop::new(snapshot.shop.facts.clone()).map(|shop| shop.zone().clone()).unwrap_or(TimeZone::UTC);
    let asked = Asked::new(record, snapshot, as_of)?;
    let problem = &asked.planning.problem;
    // One that does not fit its shop is no car of the problem: its reason is told with the plan.
    let car = problem.cars.iter().find(|(_, car)| car.name == order).map(|(id, _)| id);
    let until = Until { end: Instant::now() + CONFLICT_LIMIT, hangup };
    let found = car.and_then(|car| conflict(problem, &asked.start, car, &until));
    if hangup.should_stop() {
        return Err(Error::DeadlinePassed);
    }
    let conflict = found.map(|found| explain::to_conflict(&asked.planning, &zone, &found));
    Ok((asked.record, conflict))
}

fn forbidden(name: &str, message: String) -> Error {
    Error::from(StoreError::Forbidden { name: name.to_owned(), message })
}

fn negative(path: &str, value: i32) -> Fault {
    Fault { path: path.into(), message: format!("must not be negative, and is {value}") }
}

fn refuse(faults: Vec<Fault>) -> Result<(), Error> {
    if faults.is_empty() { Ok(()) } else { Err(faults.into()) }
}

/// Stops when nobody waits any more, and after [`TIME_LIMIT`].
struct Until<'h> {
    end: Instant,
    hangup: &'h dyn Stop,
}

impl Until<'_> {
    fn new(hangup: &dyn Stop) -> Until<'_> {
        Until { end: Instant::now() + TIME_LIMIT, hangup }
    }

    fn check(&self) -> Result<(), Error> {
        if self.should_stop() { Err(Error::DeadlinePassed) } else { Ok(()) }
    }
}

impl Stop for Until<'_> {
    fn should_stop(&self) -> bool {
        Instant::now() >= self.end || self.hangup.should_stop()
    }

    /// Searches are counted in iterations: the time that is left says nothing to them.
    fn used(&self) -> f64 {
        0.0
    }
}
