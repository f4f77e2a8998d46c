//! Plans and plan runs: each method reads, calls the store or the plan runs, writes.

use std::pin::Pin;
use std::sync::Arc;

use fitup_proto::v1;
use fitup_proto::v1::plan_service_server::PlanService;
use fitup_store::{Error as StoreError, NewPlanRun, PlanRecord, PlanState, Store};
use serde_json::Value;
use tokio_stream::{Stream, StreamExt};
use tonic::{Request, Response, Status};

use crate::clock::Clock;
use crate::convert::names::{self, Collection};
use crate::convert::{self, plan_run};
use crate::error::Error;
use crate::layer::note_shop;
use crate::page::Listing;
use crate::plan_runs::PlanRuns;
use crate::request::{change, encode, message};
use crate::shop_service::shop_name;

/// Makes and keeps plans.
pub struct Plans {
    /// Where they are kept.
    pub store: Arc<dyn Store>,
    /// For when they are made.
    pub clock: Clock,
    /// What makes them.
    pub runs: PlanRuns,
}

/// So many entries about a plan are looked through for the one that published it.
const ENTRIES: u32 = 100;

impl Plans {
    /// Writes a plan with the one that was published before it, as the audit trail tells it.
    async fn whole(&self, shop: &str, record: &PlanRecord) -> Result<v1::Plan, Error> {
        let mut plan = write(shop, record);
        if record.state != PlanState::Proposed {
            let entries = self.store.list_latest_audit(shop, Some(&plan.name), None, ENTRIES).await?;
            let published = entries.iter().find(|entry| entry.action == "publish");
            let changed = published.and_then(|entry| serde_json::from_str::<Value>(&entry.difference).ok());
            let before = changed.as_ref().and_then(|changed| changed["published_plan"][0].as_str());
            plan.replaced_plan = before.map_or_else(String::new, |id| names::child(shop, Collection::Plans, id));
        }
        Ok(plan)
    }
}

#[tonic::async_trait]
impl PlanService for Plans {
    async fn get_plan(&self, request: Request<v1::GetPlanRequest>) -> Result<Response<v1::Plan>, Status> {
        let name = &request.get_ref().name;
        if let Some(parent) = name.strip_suffix("/plans/-") {
            let shop = shop_name(parent, "name")?;
            let record = self.store.latest_plan(&shop).await.map_err(Error::from)?;
            let record = record.ok_or_else(|| Error::NoPlan { name: name.clone() })?;
            return Ok(Response::new(self.whole(&shop, &record).await?));
        }
        let (shop, id) = child_name(name, Collection::Plans)?;
        let record = self.store.get_plan(&shop, &id).await.map_err(Error::from)?;
        Ok(Response::new(self.whole(&shop, &record).await?))
    }

    async fn list_plans(
        &self,
        request: Request<v1::ListPlansRequest>,
    ) -> Result<Response<v1::ListPlansResponse>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let listing = Listing::new(&["ListPlans", &shop], request.page_size, &request.page_token)?;
        let records = self.store.list_plans(&shop, listing.page()).await.map_err(Error::from)?;
        let mut plans: Vec<v1::Plan> = records.iter().map(|record| write(&shop, record)).collect();
        let next_page_token = listing.cut(&mut plans, |plan| &plan.name);
        Ok(Response::new(v1::ListPlansResponse { plans, next_page_token }))
    }

    async fn publish_plan(&self, request: Request<v1::PublishPlanRequest>) -> Result<Response<v1::Plan>, Status> {
        let change = change(&request, &self.clock)?;
        let (shop, id) = child_name(&request.get_ref().name, Collection::Plans)?;
        let to_message = {
            let shop = shop.clone();
            move |record: &PlanRecord| write(&shop, record)
        };
        let answer = self.store.publish_plan(&change, &shop, &id, encode(to_message.clone())).await;
        Ok(Response::new(message(answer.map_err(Error::from)?, to_message)?))
    }

    async fn get_plan_run(&self, request: Request<v1::GetPlanRunRequest>) -> Result<Response<v1::PlanRun>, Status> {
        let (shop, id) = child_name(&request.get_ref().name, Collection::PlanRuns)?;
        Ok(Response::new(plan_run::write(&self.runs.get(&shop, &id).await?)))
    }

    async fn list_plan_runs(
        &self,
        request: Request<v1::ListPlanRunsRequest>,
    ) -> Result<Response<v1::ListPlanRunsResponse>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let listing = Listing::new(&["ListPlanRuns", &shop], request.page_size, &request.page_token)?;
        let records = self.store.list_runs(&shop, listing.page()).await.map_err(Error::from)?;
        let mut plan_runs: Vec<v1::PlanRun> = records.iter().map(plan_run::write).collect();
        let next_page_token = listing.cut(&mut plan_runs, |run| &run.name);
        Ok(Response::new(v1::ListPlanRunsResponse { plan_runs, next_page_token }))
    }

    async fn create_plan_run(
        &self,
        request: Request<v1::CreatePlanRunRequest>,
    ) -> Result<Response<v1::PlanRun>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let limits = plan_run::read_limits(request.limits.as_ref()).map_err(Error::from)?;
        let run = NewPlanRun {
            id: self.runs.new_id(),
            as_of_time: limits.as_of_time.unwrap_or(change.at),
            limits,
            unfinished_limit: self.runs.unfinished_limit(),
            unfinished_limit_in_all: self.runs.unfinished_limit_in_all(),
        };
        let answer = self.store.create_run(&change, &shop, run, encode(plan_run::write)).await.map_err(Error::from)?;
        self.runs.wake();
        Ok(Response::new(message(answer, plan_run::write)?))
    }

    type WatchPlanRunStream = Pin<Box<dyn Stream<Item = Result<v1::PlanRun, Status>> + Send>>;

    async fn watch_plan_run(
        &self,
        request: Request<v1::WatchPlanRunRequest>,
    ) -> Result<Response<Self::WatchPlanRunStream>, Status> {
        let (shop, id) = child_name(&request.get_ref().name, Collection::PlanRuns)?;
        let states = self.runs.watch(shop, id).await?;
        let messages = states.map(|state| state.map(|run| plan_run::write(&run)).map_err(Status::from));
        Ok(Response::new(Box::pin(messages)))
    }

    async fn cancel_plan_run(
        &self,
        request: Request<v1::CancelPlanRunRequest>,
    ) -> Result<Response<v1::PlanRun>, Status> {
        let change = change(&request, &self.clock)?;
        let (shop, id) = child_name(&request.get_ref().name, Collection::PlanRuns)?;
        let answer = self.store.cancel_run(&change, &shop, &id, encode(plan_run::write)).await.map_err(Error::from)?;
        // The answer is the end of the run, which is a moment away: the first answer and that of a repeat are the same.
        match self.runs.ended(&shop, &id).await {
            Ok(run) => Ok(Response::new(plan_run::write(&run))),
            Err(Error::Store(StoreError::NotFound { .. })) => Ok(Response::new(message(answer, plan_run::write)?)),
            Err(error) => Err(error.into()),
        }
    }
}

/// Writes a plan with what the store knows about it.
pub fn write(shop: &str, record: &PlanRecord) -> v1::Plan {
    let state = match record.state {
        PlanState::Proposed => v1::plan::State::Proposed,
        PlanState::Published => v1::plan::State::Published,
        PlanState::Superseded => v1::plan::State::Superseded,
    };
    let plan_run = record.plan_run.as_ref().map(|run| names::child(shop, Collection::PlanRuns, run));
    v1::Plan {
        name: names::child(shop, Collection::Plans, &record.id),
        state: state.into(),
        plan_run: plan_run.unwrap_or_default(),
        shop_revision: record.shop_revision,
        stale: record.stale,
        create_time: Some(convert::to_instant(record.create_time)),
        ..convert::plan::write(shop, &record.timetable)
    }
}

pub(crate) fn child_name(name: &str, collection: Collection) -> Result<(String, String), Error> {
    let (shop, id) = names::parse_child(name, collection, "name")?;
    note_shop(&shop);
    Ok((shop, id))
}
