//! The floor: each method reads, calls the store, writes.

use std::sync::Arc;

use fitup_intake::LAST_WORD;
use fitup_intake::safety::of_hazards;
use fitup_model::floor::{self, Floor, FloorNote, Refused};
use fitup_model::{OrderFacts, Shop, ShopFacts, Timetable};
use fitup_planner::replan::push_right;
use fitup_proto::v1;
use fitup_proto::v1::floor_service_server::FloorService;
use fitup_store::{Answer, Change, FloorOutcome, FloorRecord, PlanRecord, Refusal, Snapshot, Store};
use jiff::Timestamp;
use tonic::{Request, Response, Status};

use crate::clock::Clock;
use crate::convert::floor::{read_event_time, read_part, read_resource, read_settlement, read_work, write, write_hit};
use crate::convert::intake::to_caution;
use crate::convert::names::{self, Collection};
use crate::convert::order::to_hazard;
use crate::convert::{dispatch, to_instant};
use crate::error::Error;
use crate::layer::note_shop;
use crate::left_out;
use crate::page::Listing;
use crate::request::{change, encode, message};
use crate::search::{as_they_are, planning};
use crate::shop_service::{checked, shop_name};

/// Keeps what happens on the floor.
pub struct Floors {
    /// Where it is kept.
    pub store: Arc<dyn Store>,
    /// When it happens.
    pub clock: Clock,
}

#[tonic::async_trait]
impl FloorService for Floors {
    async fn record_work(&self, request: Request<v1::RecordWorkRequest>) -> Result<Response<v1::FloorRecord>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let (shop, order) = order_name(&request.order)?;
        let (id, time) = (order.clone(), request.event_time);
        let apply = move |floor: &Floor| {
            let event = read_work(request.event.as_ref()).map_err(Refused::Faults)?;
            floor::apply_work(floor, &id, &request.operation, &event)
        };
        self.order_event(&change, (&shop, &order), time, apply).await
    }

    async fn settle_work(&self, request: Request<v1::SettleWorkRequest>) -> Result<Response<v1::FloorRecord>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let (shop, order) = order_name(&request.order)?;
        let (id, time) = (order.clone(), request.event_time);
        let apply = move |floor: &Floor| {
            let settlement = read_settlement(request.settlement.as_ref()).map_err(Refused::Faults)?;
            floor::apply_settlement(floor, &id, &request.operation, &settlement)
        };
        self.order_event(&change, (&shop, &order), time, apply).await
    }

    async fn record_part(&self, request: Request<v1::RecordPartRequest>) -> Result<Response<v1::FloorRecord>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let (shop, order) = order_name(&request.order)?;
        let (id, time) = (order.clone(), request.event_time);
        let apply = move |floor: &Floor| {
            let event = read_part(&request).map_err(Refused::Faults)?;
            floor::apply_part(floor, &id, &request.part, &event)
        };
        self.order_event(&change, (&shop, &order), time, apply).await
    }

    async fn record_resource(
        &self,
        request: Request<v1::RecordResourceRequest>,
    ) -> Result<Response<v1::FloorRecord>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let now = change.at;
        let edit = move |facts: &ShopFacts, orders: &[OrderFacts], published: Option<&Timetable>| {
            let at = read_event_time(request.event_time.as_ref(), now)?;
            let shop = checked(facts)?;
            let event = read_resource(request.event.as_ref(), &shop, at)?;
            let floor = Floor { shop: &shop, orders, published, at };
            let (facts, note) = floor::apply_resource(&floor, &event).map_err(refusal)?;
            Ok(FloorOutcome { shop: Some(facts), order: None, note })
        };
        let answer = self.store.record_floor(&change, &shop, None, Box::new(edit), encode(write)).await;
        respond(answer)
    }

    async fn list_floor_records(
        &self,
        request: Request<v1::ListFloorRecordsRequest>,
    ) -> Result<Response<v1::ListFloorRecordsResponse>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let order = match request.order.as_str() {
            "" => None,
            name => Some(names::parse_child(name, Collection::Orders, "order").map_err(Error::from)?),
        };
        if let Some((other, _)) = order.as_ref().filter(|(other, _)| *other != shop) {
            let message = format!("is an order of shop {other:?}, not of {shop:?}");
            return Err(Error::from(fitup_model::Fault { path: "order".into(), message }).into());
        }
        let order = order.map(|(_, order)| order);
        let scope = ["ListFloorRecords", &shop, order.as_deref().unwrap_or("")];
        let listing = Listing::new(&scope, request.page_size, &request.page_token)?;
        let records = self.store.list_floor(&shop, order.as_deref(), listing.page()).await.map_err(Error::from)?;
        let mut floor_records: Vec<v1::FloorRecord> = records.iter().map(write).collect();
        let next_page_token = listing.cut(&mut floor_records, |record| &record.name);
        Ok(Response::new(v1::ListFloorRecordsResponse { floor_records, next_page_token }))
    }

    async fn get_impact(&self, request: Request<v1::GetImpactRequest>) -> Result<Response<v1::Impact>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let (snapshot, published) = self.published(&shop).await?;
        let now = as_of(request.as_of_time.as_ref(), self.clock)?;
        let impact = blocking(move || impact(&shop, &snapshot, &published, now)).await??;
        Ok(Response::new(impact))
    }

    async fn get_dispatch_list(
        &self,
        request: Request<v1::GetDispatchListRequest>,
    ) -> Result<Response<v1::DispatchList>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let (snapshot, published) = self.published(&shop).await?;
        let now = as_of(request.as_of_time.as_ref(), self.clock)?;
        let orders = as_they_are(&snapshot, now);
        let facts = Shop::new(snapshot.shop.facts).map_err(|faults| broken(&faults))?;
        let list = fitup_model::dispatch::dispatch_list(&facts, &orders, &published.timetable, now);
        let lanes = list.technicians.iter().chain(&list.bays);
        let hazards: Vec<_> = lanes.flat_map(|lane| &lane.entries).flat_map(|entry| entry.hazards.clone()).collect();
        let cautions = of_hazards(&hazards).into_iter().map(|(hazard, caution)| v1::HazardCaution {
            hazard: to_hazard(hazard).into(),
            caution: Some(to_caution(&caution)),
        });
        Ok(Response::new(v1::DispatchList {
            cautions: cautions.collect(),
            last_word: LAST_WORD.into(),
            plan: names::child(&shop, Collection::Plans, &published.id),
            stale: published.stale,
            as_of_time: Some(to_instant(now)),
            technicians: list.technicians.iter().map(|lane| dispatch::write_lane(&shop, lane)).collect(),
            bays: list.bays.iter().map(|lane| dispatch::write_lane(&shop, lane)).collect(),
        }))
    }
}

impl Floors {
    /// Records an event of an order. What is wrong with it is told only to those who may see the order at all.
    async fn order_event(
        &self,
        change: &Change,
        (shop, order): (&str, &str),
        event_time: Option<prost_types::Timestamp>,
        apply: impl FnOnce(&Floor) -> Result<(OrderFacts, FloorNote), Refused> + Send + 'static,
    ) -> Result<Response<v1::FloorRecord>, Status> {
        let (id, now) = (order.to_owned(), change.at);
        let edit = move |facts: &ShopFacts, orders: &[OrderFacts], published: Option<&Timetable>| {
            let at = read_event_time(event_time.as_ref(), now)?;
            if orders.iter().any(|order| order.id == id && order.cancelled) {
                return Err(Refusal::Forbidden(format!("order {id:?} is cancelled and stays as it is")));
            }
            let shop = checked(facts)?;
            let (order, note) = apply(&Floor { shop: &shop, orders, published, at }).map_err(refusal)?;
            Ok(FloorOutcome { shop: None, order: Some(order), note })
        };
        respond(self.store.record_floor(change, shop, Some(order), Box::new(edit), encode(write)).await)
    }

    /// Returns what is planned with the plan that is published.
    async fn published(&self, shop: &str) -> Result<(Snapshot, PlanRecord), Error> {
        let snapshot = self.store.snapshot(shop).await?;
        let published = snapshot.published.clone().ok_or_else(|| nothing_published(shop))?;
        Ok((snapshot, published))
    }
}

/// Says that there is no published plan to speak of.
pub fn nothing_published(shop: &str) -> Error {
    let message = "no plan is published; make one with `fitup plan solve --publish`".to_owned();
    fitup_store::Error::Forbidden { name: names::shop(shop), message }.into()
}

/// Reads the moment that is asked about; not set means now.
pub fn as_of(time: Option<&prost_types::Timestamp>, clock: Clock) -> Result<Timestamp, Error> {
    Ok(crate::convert::plan_run::read_as_of(time)?.unwrap_or_else(|| clock.now()))
}

/// Runs what takes longer than a call may hold up the others.
pub async fn blocking<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Error> {
    tokio::task::spawn_blocking(work).await.map_err(|error| Error::Bug(format!("work ended in a panic: {error}")))
}

fn impact(shop: &str, snapshot: &Snapshot, published: &PlanRecord, now: Timestamp) -> Result<v1::Impact, Error> {
    let planning = planning(snapshot, now).map_err(|message| forbidden(shop, message))?;
    let plan = planning.published.as_ref().ok_or_else(|| nothing_published(shop))?;
    let (pushed, left) = push_right(&planning.problem, plan);
    let left_out = left_out::describe(&planning.problem, &left);
    let quality = fitup_model::timetable::Quality::Feasible;
    let pushed = planning.timetable(&pushed, quality, 0, left_out);
    let hits = fitup_model::impact::hits(&published.timetable.at(now), &pushed);
    let unchanged = pushed.orders.len().saturating_sub(hits.iter().filter(|hit| hit.expected_time.is_some()).count());
    Ok(v1::Impact {
        plan: names::child(shop, Collection::Plans, &published.id),
        stale: published.stale,
        as_of_time: Some(to_instant(now)),
        hits: hits.iter().map(|hit| write_hit(shop, hit)).collect(),
        unchanged_count: i32::try_from(unchanged).unwrap_or(i32::MAX),
    })
}

/// Says that the state of the shop forbids something.
pub fn forbidden(shop: &str, message: String) -> Error {
    fitup_store::Error::Forbidden { name: names::shop(shop), message }.into()
}

fn broken(faults: &[fitup_model::Fault]) -> Error {
    let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
    Error::Bug(format!("a stored shop does not hold together: {}", faults.join("; ")))
}

fn respond(answer: Result<Answer<FloorRecord>, fitup_store::Error>) -> Result<Response<v1::FloorRecord>, Status> {
    Ok(Response::new(message(answer.map_err(Error::from)?, write)?))
}

fn refusal(refused: Refused) -> Refusal {
    match refused {
        Refused::Faults(faults) => Refusal::Faults(faults),
        Refused::Forbidden(reasons) => Refusal::Forbidden(reasons.join("; ")),
    }
}

fn order_name(name: &str) -> Result<(String, String), Error> {
    let (shop, id) = names::parse_child(name, Collection::Orders, "order")?;
    note_shop(&shop);
    Ok((shop, id))
}
