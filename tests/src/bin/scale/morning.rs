//! The shops, and the plans that all of them want at the same time in the morning.

use std::error::Error;
use std::sync::Arc;
use std::time::{Duration, Instant};

use fitup_proto::v1;
use fitup_proto::v1::floor_service_client::FloorServiceClient;
use fitup_proto::v1::order_service_client::OrderServiceClient;
use fitup_proto::v1::plan_run::State;
use fitup_proto::v1::plan_service_client::PlanServiceClient;
use fitup_proto::v1::shop_service_client::ShopServiceClient;
use fitup_tests::server::{minutes, minutes_in, small_order, small_shop};

use crate::load::Ready;
use crate::service::Service;

type Failure = Box<dyn Error + Send + Sync>;

/// So many enter shops at the same time.
const WRITERS: usize = 16;

/// Returns a shop for forty cars: twelve body bays, three booths, thirteen people.
fn shop(number: usize) -> v1::Shop {
    let mut shop = small_shop();
    let (body, booth) = (shop.bays[0].clone(), shop.bays[2].clone());
    let (fitter, painter) = (shop.technicians[0].clone(), shop.technicians[2].clone());
    let bay = |of: &v1::Bay, name: String| v1::Bay { id: name, ..of.clone() };
    let person = |of: &v1::Technician, name: String| v1::Technician { id: name, ..of.clone() };
    shop.bays = (1..=12).map(|n| bay(&body, format!("stall-{n}"))).collect();
    shop.bays.extend((1..=3).map(|n| bay(&booth, format!("booth-{n}"))));
    shop.technicians = (1..=9).map(|n| person(&fitter, format!("body-{n}"))).collect();
    shop.technicians.extend((1..=4).map(|n| person(&painter, format!("paint-{n}"))));
    shop.display_name = format!("Shop {number}");
    shop
}

/// Returns an order: its hours and days differ from car to car and from shop to shop.
fn order(shop: usize, car: usize) -> v1::Order {
    let draw = |factor: usize, below: usize| ((shop * 13 + car * factor) % below) as i64;
    let mut order = small_order();
    order.operations[0].work = minutes(90 + draw(37, 240));
    order.operations[1].work = minutes(45 + draw(23, 75));
    let arrival = if car < 12 { 0 } else { draw(97, 3000) };
    order.arrival_time = minutes_in(arrival);
    order.promise_time = minutes_in(arrival + 1440 + draw(311, 3000));
    order
}

/// Enters all shops with their cars, and returns how many seconds that took.
pub async fn enter(service: &Arc<Service>, shops: usize, cars: usize) -> Result<f64, Failure> {
    let started = Instant::now();
    let writers: Vec<_> = (0..WRITERS)
        .map(|writer| {
            let service = Arc::clone(service);
            tokio::spawn(async move {
                for number in (writer..shops).step_by(WRITERS) {
                    enter_one(&service, number, cars).await?;
                }
                Ok::<_, Failure>(())
            })
        })
        .collect();
    for writer in writers {
        writer.await??;
    }
    Ok(started.elapsed().as_secs_f64())
}

async fn enter_one(service: &Service, number: usize, cars: usize) -> Result<(), Failure> {
    let shop_id = format!("s-{number}");
    let request = v1::CreateShopRequest { shop_id: shop_id.clone(), shop: Some(shop(number)), ..Default::default() };
    ShopServiceClient::new(service.channel(number)).create_shop(service.request(request)).await?;
    for car in 0..cars {
        let request = v1::CreateOrderRequest {
            parent: format!("shops/{shop_id}"),
            order_id: format!("r-{car}"),
            order: Some(order(number, car)),
            ..Default::default()
        };
        OrderServiceClient::new(service.channel(number)).create_order(service.request(request)).await?;
    }
    Ok(())
}

/// Asks for a plan of a shop.
async fn ask(service: &Service, shop: usize, time_limit: Duration) -> Result<v1::PlanRun, Failure> {
    let limits = v1::plan_run::Limits {
        time_limit: Some(prost_types::Duration { seconds: time_limit.as_secs() as i64, nanos: 0 }),
        as_of_time: minutes_in(0),
        ..Default::default()
    };
    let parent = format!("shops/s-{shop}");
    let request = v1::CreatePlanRunRequest { parent, limits: Some(limits), ..Default::default() };
    Ok(PlanServiceClient::new(service.channel(shop)).create_plan_run(service.request(request)).await?.into_inner())
}

/// Waits for the end of a run, and returns its price and its plan.
async fn end(service: &Service, run: &v1::PlanRun, patience: Duration) -> Result<(i64, String), Failure> {
    let started = Instant::now();
    let mut plans = PlanServiceClient::new(service.channel(0));
    loop {
        let request = v1::GetPlanRunRequest { name: run.name.clone() };
        let run = plans.get_plan_run(service.request(request)).await?.into_inner();
        match run.state() {
            State::Succeeded => return Ok((run.best_price.unwrap_or_default(), run.plan)),
            State::Queued | State::Running if started.elapsed() < patience => {
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
            _ => return Err(format!("a run that does not end well: {run:?}").into()),
        }
    }
}

/// Plans a shop while nobody else asks for anything, and returns the price.
pub async fn alone(service: &Service, shop: usize, time_limit: Duration) -> Result<i64, Failure> {
    let run = ask(service, shop, time_limit).await?;
    Ok(end(service, &run, time_limit * 10).await?.0)
}

/// Plans all shops, asked for at once, and publishes their plans. Returns the seconds that it took and the prices.
pub async fn all(service: &Service, shops: usize, time_limit: Duration) -> Result<(f64, Vec<i64>), Failure> {
    let started = Instant::now();
    let mut runs = Vec::new();
    for shop in 0..shops {
        runs.push(ask(service, shop, time_limit).await?);
    }
    let mut prices = Vec::new();
    for run in &runs {
        let (price, plan) = end(service, run, time_limit * 10 * shops as u32).await?;
        prices.push(price);
        let request = v1::PublishPlanRequest { name: plan, ..Default::default() };
        PlanServiceClient::new(service.channel(0)).publish_plan(service.request(request)).await?;
    }
    Ok((started.elapsed().as_secs_f64(), prices))
}

/// Returns an operation of each shop that can start now.
pub async fn ready(service: &Service, shops: usize) -> Result<Ready, Failure> {
    let mut ready = Vec::new();
    for shop in 0..shops {
        let request = v1::GetDispatchListRequest { parent: format!("shops/s-{shop}"), ..Default::default() };
        let list = FloorServiceClient::new(service.channel(shop)).get_dispatch_list(service.request(request)).await?;
        let list = list.into_inner();
        let mut entries = list.technicians.into_iter().flat_map(|lane| lane.entries);
        let entry = entries.find(|entry| entry.state() == v1::dispatch_entry::State::Ready);
        let entry = entry.ok_or_else(|| format!("nothing can start in shop {shop}"))?;
        ready.push((entry.order, entry.operation));
    }
    Ok(ready)
}
