//! When an order would be complete: reads, plays on a thread of its own, writes.

use std::sync::Arc;

use fitup_model::timetable::Quality;
use fitup_model::{Fault, OrderFacts, Planning, Shop};
use fitup_proto::v1;
use fitup_proto::v1::quote_service_server::QuoteService;
use fitup_rehearsal::quote::{Before, Policy, Unquotable, before, quote_beside};
use fitup_store::{OrderRecord, Snapshot, Store};
use jiff::Timestamp;
use tokio::sync::Semaphore;
use tonic::{Request, Response, Status};

use crate::chances;
use crate::clock::Clock;
use crate::convert::names::{self, Collection};
use crate::convert::{self, quote};
use crate::error::Error;
use crate::floor_service::{as_of, blocking, forbidden, nothing_published};
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
    threads: usize,
    /// One answer at a time: it takes all the threads that there are for it.
    place: Arc<Semaphore>,
}

/// What was asked for, read.
struct Asked {
    id: String,
    arrivals: Vec<Timestamp>,
    policy: Policy,
}

impl Quotes {
    /// Returns a service that plays with so many threads.
    pub fn new(store: Arc<dyn Store>, clock: Clock, threads: usize) -> Quotes {
        Quotes { store, clock, threads, place: Arc::new(Semaphore::new(1)) }
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
        let futures = match u64::try_from(request.future_count) {
            Ok(0) => FUTURES.0,
            Ok(count) if count <= FUTURES.1 => count,
            _ => {
                fault("future_count", format!("is 0 to {}, and is {}", FUTURES.1, request.future_count));
                0
            }
        };
        let policy = Policy {
            futures,
            threads: self.threads,
            seed: request.seed.cast_unsigned(),
            disturb: request.may_move_others.then_some(DISTURBING),
            ..Policy::default()
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
        // Entered long ago, or not open any more.
        let order = match order {
            Some(order) => order,
            None => self.store.get_order(&shop, &asked.id).await.map_err(Error::from)?.facts,
        };
        let (used, learned) = chances::used(&*self.store, &snapshot.shop.facts, now).await?;
        asked.policy.chances = used;
        let _place = self.place.acquire().await.map_err(|_| Error::ShuttingDown)?;
        let quoted = blocking(move || quoted(snapshot, order, &asked, now)).await?;
        Ok(Response::new(v1::QuoteOrderResponse { learned, ..quoted? }))
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

fn quoted(
    mut snapshot: Snapshot,
    order: OrderFacts,
    asked: &Asked,
    now: Timestamp,
) -> Result<v1::QuoteOrderResponse, Error> {
    let shop = snapshot.shop.facts.id.clone();
    let published = snapshot.published.clone().ok_or_else(|| nothing_published(&shop))?;
    if published.timetable.orders.iter().any(|own| own.order == order.id) {
        let message = format!(
            "order {:?} is in the published plan already; `fitup why {}` tells when it is complete",
            order.id, order.id
        );
        let name = names::child(&shop, Collection::Orders, &order.id);
        return Err(fitup_store::Error::Forbidden { name, message }.into());
    }
    let arrivals = if asked.arrivals.is_empty() { vec![order.arrival_time] } else { asked.arrivals.clone() };
    snapshot.orders.retain(|own| own.facts.id != order.id);
    snapshot.orders.push(OrderRecord { facts: order, etag: String::new(), create_time: now, update_time: now });
    let mut response = v1::QuoteOrderResponse {
        published_plan: names::child(&shop, Collection::Plans, &published.id),
        stale: published.stale,
        future_count: i32::try_from(asked.policy.futures).unwrap_or(i32::MAX),
        quotes: Vec::new(),
        learned: false,
    };
    let mut standing: Option<Before> = None;
    for arrival in arrivals {
        let order = &mut snapshot.orders.last_mut().expect("it was put there").facts;
        order.arrival_time = arrival;
        // Nobody has brought the car on that day yet.
        order.arrived &= arrival <= now;
        let id = order.id.clone();
        let planning = planning(&snapshot, now).map_err(|message| forbidden(&shop, message))?;
        response.quotes.push(one(&shop, &planning, &id, arrival, &asked.policy, &mut standing)?);
    }
    Ok(response)
}

/// Quotes for one arrival; what the shop looks like without the order is played for the first one only.
fn one(
    shop: &str,
    planning: &Planning,
    id: &str,
    arrival: Timestamp,
    policy: &Policy,
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
