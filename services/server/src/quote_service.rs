//! When an order would be complete, and holds: reads, plays on a thread of its own, calls the store, writes.

mod holding;

use std::sync::Arc;

use fitup_model::timetable::Quality;
use fitup_model::{Fault, OrderFacts, Planning, Shop};
use fitup_planner::Stop;
use fitup_proto::v1;
use fitup_proto::v1::quote_service_server::QuoteService;
use fitup_rehearsal::quote::{Before, Policy, Unquotable, before, quote_beside};
use fitup_store::{HoldState, OrderRecord, Snapshot, Store};
use jiff::Timestamp;
use tonic::{Request, Response, Status};

use crate::clock::Clock;
use crate::convert::names::{self, Collection};
use crate::convert::{self, quote};
use crate::error::Error;
use crate::floor_service::{as_of, forbidden, nothing_published};
use crate::holds;
use crate::page::Listing;
use crate::past::{Desk, Past};
use crate::place::Places;
use crate::plan_runs::PlanRuns;
use crate::plan_service::child_name;
use crate::request::change;
use crate::search::planning;
use crate::shop_service::shop_name;

/// Drop-offs that are answered at a time.
const MOST_ARRIVALS: usize = 14;
/// Futures unless the request says otherwise, and at most.
const FUTURES: (u64, u64) = (1000, 20_000);
/// Iterations of the search that may move the other orders.
const DISTURBING: u64 = 4000;
/// An order that has not been entered is called so, unless it has an id.
const NAMELESS: &str = "quote";

/// Quotes.
pub struct Quotes {
    store: Arc<dyn Store>,
    clock: Clock,
    runs: PlanRuns,
    threads: usize,
    /// One answer at a time: it takes all the threads that there are for it.
    places: Places,
}

/// What was asked for, read.
struct Asked {
    id: String,
    arrivals: Vec<Timestamp>,
    policy: Policy,
}

impl Quotes {
    /// Returns a service that plays with so many threads.
    pub fn new(store: Arc<dyn Store>, clock: Clock, runs: PlanRuns, threads: usize) -> Quotes {
        Quotes { store, clock, runs, threads, places: Places::new(1) }
    }

    fn policy(&self, future_count: i32, seed: i64) -> Result<Policy, Fault> {
        let futures = match u64::try_from(future_count) {
            Ok(0) => FUTURES.0,
            Ok(count) if count <= FUTURES.1 => count,
            _ => {
                let message = format!("is 0 to {}, and is {future_count}", FUTURES.1);
                return Err(Fault { path: "future_count".into(), message });
            }
        };
        Ok(Policy { futures, threads: self.threads, seed: seed.cast_unsigned(), ..Policy::default() })
    }

    fn read(&self, request: &v1::QuoteOrderRequest) -> Result<Asked, Vec<Fault>> {
        let (arrivals, mut faults) = quote::read_arrivals(&request.arrival_times);
        let mut fault = |path: &str, message: String| faults.push(Fault { path: path.into(), message });
        let id = match request.order_id.as_str() {
            "" if request.order.is_some() => NAMELESS,
            "" => {
                fault("order_id", "is needed where no order is given".into());
                NAMELESS
            }
            id => id,
        };
        if let Err(found) = names::check_id(id, "order_id") {
            fault(&found.path, found.message);
        }
        if arrivals.len() > MOST_ARRIVALS {
            fault("arrival_times", format!("has at most {MOST_ARRIVALS} entries, and has {}", arrivals.len()));
        }
        let policy = match self.policy(request.future_count, request.seed) {
            Ok(policy) => Policy { disturb: request.may_move_others.then_some(DISTURBING), ..policy },
            Err(found) => {
                fault(&found.path, found.message);
                Policy::default()
            }
        };
        if faults.is_empty() { Ok(Asked { id: id.to_owned(), arrivals, policy }) } else { Err(faults) }
    }
}

#[tonic::async_trait]
impl QuoteService for Quotes {
    async fn quote_order(
        &self,
        request: Request<v1::QuoteOrderRequest>,
    ) -> Result<Response<v1::QuoteOrderResponse>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let snapshot = self.store.snapshot(&shop).await.map_err(Error::from)?;
        let now = as_of(request.as_of_time.as_ref(), self.clock)?;
        let asked = self.read(&request);
        let order = given(&request, &snapshot, asked.as_ref().map_or(NAMELESS, |asked| &asked.id));
        let (mut asked, order) = match (asked, order) {
            (Ok(asked), Ok(order)) => (asked, order),
            (asked, order) => {
                let faults = asked.err().into_iter().chain(order.err()).flatten().collect::<Vec<_>>();
                return Err(Error::from(faults).into());
            }
        };
        refuse_held(&snapshot, &asked.id, now)?;
        // Entered long ago, or not open any more.
        let order = match order {
            Some(order) => order,
            None => self.store.get_order(&shop, &asked.id).await.map_err(Error::from)?.facts,
        };
        let past = Past::read(&*self.store, &snapshot.shop.facts, now).await?;
        asked.policy.chances = past.chances;
        let place = self.places.take().await?;
        let quoted = place.work(move |hangup| quoted(snapshot, order, &asked, &past, now, hangup)).await?;
        Ok(Response::new(quoted?))
    }

    async fn hold_quote(&self, request: Request<v1::HoldQuoteRequest>) -> Result<Response<v1::Hold>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        Ok(Response::new(self.hold(&change, &shop, &request).await?))
    }

    async fn get_hold(&self, request: Request<v1::GetHoldRequest>) -> Result<Response<v1::Hold>, Status> {
        let (shop, id) = child_name(&request.get_ref().name, Collection::Holds)?;
        let record = self.store.get_hold(&shop, &id).await.map_err(Error::from)?;
        Ok(Response::new(convert::hold::write(&shop, &record, self.clock.now())))
    }

    async fn list_holds(
        &self,
        request: Request<v1::ListHoldsRequest>,
    ) -> Result<Response<v1::ListHoldsResponse>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let now = self.clock.now();
        let scope = ["ListHolds", &shop, if request.ended_too { "ended too" } else { "" }];
        let listing = Listing::new(&scope, request.page_size, &request.page_token)?;
        let standing_at = (!request.ended_too).then_some(now);
        let records = self.store.list_holds(&shop, standing_at, listing.page()).await.map_err(Error::from)?;
        let mut holds: Vec<v1::Hold> = records.iter().map(|record| convert::hold::write(&shop, record, now)).collect();
        let next_page_token = listing.cut(&mut holds, |hold| &hold.name);
        Ok(Response::new(v1::ListHoldsResponse { holds, next_page_token }))
    }

    async fn change_hold(&self, request: Request<v1::ChangeHoldRequest>) -> Result<Response<v1::Hold>, Status> {
        let change = change(&request, &self.clock)?;
        Ok(Response::new(self.alter(&change, request.get_ref()).await?))
    }

    async fn accept_hold(&self, request: Request<v1::AcceptHoldRequest>) -> Result<Response<v1::Hold>, Status> {
        let change = change(&request, &self.clock)?;
        let (request, edit) = (request.into_inner(), holds::accept(change.at));
        Ok(Response::new(self.end(&request.name, &request.etag, change, edit).await?))
    }

    async fn release_hold(&self, request: Request<v1::ReleaseHoldRequest>) -> Result<Response<v1::Hold>, Status> {
        let change = change(&request, &self.clock)?;
        let (request, edit) = (request.into_inner(), holds::release(change.at));
        Ok(Response::new(self.end(&request.name, &request.etag, change, edit).await?))
    }
}

/// Returns the order of the request, or the open one of this id, if there is either.
fn given(request: &v1::QuoteOrderRequest, snapshot: &Snapshot, id: &str) -> Result<Option<OrderFacts>, Vec<Fault>> {
    let Some(order) = &request.order else {
        return Ok(snapshot.orders.iter().find(|own| own.facts.id == id).map(|own| own.facts.clone()));
    };
    let shop = Shop::new(snapshot.shop.facts.clone())?;
    let order = convert::order::read(id, order, &shop);
    let under = |fault: Fault| Fault { path: format!("order.{}", fault.path), message: fault.message };
    order.map(|order| Some(order.into_facts())).map_err(|faults| faults.into_iter().map(under).collect())
}

/// Refuses to quote what is held: it has its date.
fn refuse_held(snapshot: &Snapshot, id: &str, now: Timestamp) -> Result<(), Error> {
    if !snapshot.holds.iter().any(|own| own.facts.id == id && own.state_at(now) == HoldState::Standing) {
        return Ok(());
    }
    let message = format!(
        "order {id:?} is held, and has its date: see `fitup hold show {id}`; `fitup hold release {id}` gives that up"
    );
    let name = names::child(&snapshot.shop.facts.id, Collection::Holds, id);
    Err(fitup_store::Error::Forbidden { name, message }.into())
}

fn quoted(
    mut snapshot: Snapshot,
    order: OrderFacts,
    asked: &Asked,
    past: &Past,
    now: Timestamp,
    hangup: &dyn Stop,
) -> Result<v1::QuoteOrderResponse, Error> {
    let shop = snapshot.shop.facts.id.clone();
    let published = snapshot.published.clone().ok_or_else(|| nothing_published(&shop))?;
    if published.timetable.has(&order.id, now) {
        let message = format!(
            "order {:?} is in the published plan already; `fitup why {}` tells when it is complete",
            order.id, order.id
        );
        let name = names::child(&shop, Collection::Orders, &order.id);
        return Err(fitup_store::Error::Forbidden { name, message }.into());
    }
    let desk = past.desk(&snapshot, now)?;
    let arrivals = if asked.arrivals.is_empty() { vec![order.arrival_time] } else { asked.arrivals.clone() };
    snapshot.orders.retain(|own| own.facts.id != order.id);
    snapshot.orders.push(OrderRecord { facts: order, etag: String::new(), create_time: now, update_time: now });
    let mut response = v1::QuoteOrderResponse {
        published_plan: names::child(&shop, Collection::Plans, &published.id),
        stale: published.stale,
        future_count: i32::try_from(asked.policy.futures).unwrap_or(i32::MAX),
        quotes: Vec::new(),
        orders_per_week: desk.per_week(),
        told_count: i32::try_from(desk.heard()).unwrap_or(i32::MAX),
        learned: past.learned,
    };
    let mut standing: Option<Before> = None;
    for arrival in arrivals {
        if hangup.should_stop() {
            return Err(Error::DeadlinePassed);
        }
        let order = &mut snapshot.orders.last_mut().expect("it was put there").facts;
        order.arrival_time = arrival;
        // Nobody has brought the car on that day yet.
        order.arrived &= arrival <= now;
        let id = order.id.clone();
        let planning = planning(&snapshot, now).map_err(|message| forbidden(&shop, message))?;
        response.quotes.push(one(&shop, &planning, (&id, arrival), &asked.policy, &desk, &mut standing)?);
    }
    Ok(response)
}

/// Quotes for one arrival; what the shop looks like without the order is played for the first one only.
fn one(
    shop: &str,
    planning: &Planning,
    (id, arrival): (&str, Timestamp),
    policy: &Policy,
    desk: &Desk,
    standing: &mut Option<Before>,
) -> Result<v1::Quote, Error> {
    let problem = &planning.problem;
    let published = planning.published.as_ref().ok_or_else(|| nothing_published(shop))?;
    let car = problem.cars.iter().find(|(_, car)| car.name == id).map(|(car, _)| car);
    let Some(car) = car else {
        let message = planning.misfits.iter().find(|own| own.order == id).map(|own| own.message.clone());
        return Err(forbidden(shop, message.unwrap_or_else(|| format!("order {id:?} has nothing left to plan"))));
    };
    let played = match standing {
        Some(played) => Ok(&*played),
        None => before(problem, published, car, policy).map(|played| &*standing.insert(played)),
    };
    match played.and_then(|played| quote_beside(problem, published, car, policy, played)) {
        Ok(found) => {
            let (found, _) = desk.settle(planning, car, found, policy);
            let timetable = planning.timetable(&found.plan, Quality::Feasible, 0, vec![]);
            let own = timetable.orders.iter().find(|own| own.order == id);
            Ok(quote::write(shop, planning, arrival, &found, own))
        }
        Err(Unquotable::NoRoom) => Ok(quote::write_no_room(arrival)),
        Err(Unquotable::Faults(faults)) => {
            let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
            Err(forbidden(shop, format!("the futures of the shop cannot be played: {}", faults.join("; "))))
        }
    }
}
