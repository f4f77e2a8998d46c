//! Callers that each ask, wait for the answer and ask again, for a while.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use fitup_proto::v1;
use fitup_proto::v1::floor_service_client::FloorServiceClient;
use fitup_proto::v1::order_service_client::OrderServiceClient;
use fitup_proto::v1::plan_service_client::PlanServiceClient;
use fitup_proto::v1::record_work_request::Event;
use tonic::{Code, Status};

use crate::service::Service;
use crate::usage::Usage;

/// An operation of each shop that can start: `(order, operation)`.
pub type Ready = Vec<(String, String)>;

/// What callers do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Look at today's list, the impact, the orders, one order and the published plan, in turns.
    Read,
    /// Clock on and off.
    Event,
}

/// What has come of it.
pub struct Measured {
    /// How long it took.
    pub seconds: f64,
    /// Milliseconds of each answered call, by rpc, in order.
    pub milliseconds: BTreeMap<&'static str, Vec<f64>>,
    /// Refused calls by their code.
    pub refused: BTreeMap<String, usize>,
    /// Processor time used meanwhile.
    pub usage: Usage,
}

impl Measured {
    /// Returns how many calls were answered.
    pub fn calls(&self) -> usize {
        self.milliseconds.values().map(Vec::len).sum()
    }
}

/// Returns the value below which so many percent of the sorted values are: the nearest rank.
pub fn percentile(sorted: &[f64], percent: usize) -> f64 {
    let rank = (sorted.len() * percent).div_ceil(100).max(1);
    sorted.get(rank - 1).copied().unwrap_or(f64::NAN)
}

/// Lets callers, one for each kind, work for a while, and measures.
pub async fn run(
    service: &Arc<Service>,
    ready: &Arc<Ready>,
    kinds: &[Kind],
    time: Duration,
    pause: Duration,
) -> Measured {
    let (before, started) = (service.usage(), Instant::now());
    let callers: Vec<_> = kinds
        .iter()
        .enumerate()
        .map(|(number, kind)| {
            let caller = Caller { service: Arc::clone(service), ready: Arc::clone(ready), number, of: kinds.len() };
            let kind = *kind;
            tokio::spawn(async move { caller.work(kind, started + time, pause).await })
        })
        .collect();
    let mut measured =
        Measured { seconds: 0.0, milliseconds: BTreeMap::new(), refused: BTreeMap::new(), usage: Usage::default() };
    for caller in callers {
        for (rpc, milliseconds, answer) in caller.await.unwrap_or_default() {
            match answer {
                None => measured.milliseconds.entry(rpc).or_default().push(milliseconds),
                Some(code) => *measured.refused.entry(format!("{rpc} {code:?}")).or_default() += 1,
            }
        }
    }
    measured.seconds = started.elapsed().as_secs_f64();
    measured.usage = service.usage().since(before);
    for values in measured.milliseconds.values_mut() {
        values.sort_by(f64::total_cmp);
    }
    measured
}

struct Caller {
    service: Arc<Service>,
    ready: Arc<Ready>,
    number: usize,
    of: usize,
}

impl Caller {
    async fn work(&self, kind: Kind, end: Instant, pause: Duration) -> Vec<(&'static str, f64, Option<Code>)> {
        let mut calls = Vec::new();
        for turn in 0.. {
            let asked = Instant::now();
            // Whoever has clocked on clocks off again, so that the next ones find everything as it was.
            let is_on = kind == Kind::Event && turn % 2 == 1;
            if asked >= end && !is_on {
                break;
            }
            let (rpc, answer) = match kind {
                Kind::Read => self.read(turn).await,
                Kind::Event => ("RecordWork", self.clock(turn).await),
            };
            calls.push((rpc, asked.elapsed().as_secs_f64() * 1000.0, answer.err().map(|status| status.code())));
            tokio::time::sleep(pause).await;
        }
        calls
    }

    async fn read(&self, turn: usize) -> (&'static str, Result<(), Status>) {
        // 7919 is prime, so that all shops come, in no order that a cache would like.
        let (order, _) = &self.ready[(self.number * 31 + turn * 7919) % self.ready.len()];
        let (order, channel) = (order.clone(), self.service.channel(self.number));
        let parent = order.split("/orders").next().unwrap_or_default().to_owned();
        match turn % 5 {
            0 => {
                let request = self.service.request(v1::GetDispatchListRequest { parent, ..Default::default() });
                ("GetDispatchList", FloorServiceClient::new(channel).get_dispatch_list(request).await.map(drop))
            }
            1 => {
                let request = self.service.request(v1::GetImpactRequest { parent, ..Default::default() });
                ("GetImpact", FloorServiceClient::new(channel).get_impact(request).await.map(drop))
            }
            2 => {
                let request = self.service.request(v1::ListOrdersRequest { parent, ..Default::default() });
                ("ListOrders", OrderServiceClient::new(channel).list_orders(request).await.map(drop))
            }
            3 => {
                let request = self.service.request(v1::GetOrderRequest { name: order });
                ("GetOrder", OrderServiceClient::new(channel).get_order(request).await.map(drop))
            }
            _ => {
                let request = self.service.request(v1::GetPlanRequest { name: format!("{parent}/plans/-") });
                ("GetPlan", PlanServiceClient::new(channel).get_plan(request).await.map(drop))
            }
        }
    }

    /// Clocks on and off by turns, in the shops of this caller alone.
    async fn clock(&self, turn: usize) -> Result<(), Status> {
        let own = (self.ready.len() / self.of).max(1);
        let (order, operation) = &self.ready[(self.number * own + turn / 2 % own) % self.ready.len()];
        let event = if turn.is_multiple_of(2) {
            Event::On(v1::ClockOn::default())
        } else {
            Event::Off(v1::ClockOff::default())
        };
        let request = self.service.request(v1::RecordWorkRequest {
            order: order.clone(),
            operation: operation.clone(),
            event: Some(event),
            request_id: uuid::Uuid::new_v4().to_string(),
            ..Default::default()
        });
        FloorServiceClient::new(self.service.channel(self.number)).record_work(request).await.map(drop)
    }
}
