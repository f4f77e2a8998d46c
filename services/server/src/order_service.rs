//! Repair orders: each method reads, calls the store, writes.

use std::sync::Arc;

use fitup_model::{Fault, Order, OrderFacts, ShopFacts};
use fitup_proto::v1;
use fitup_proto::v1::order_service_server::OrderService;
use fitup_store::{Error as StoreError, OrderFilter, OrderRecord, Refusal, Store};
use prost_types::FieldMask;
use tonic::{Request, Response, Status};

use crate::clock::Clock;
use crate::convert::names::{self, Collection};
use crate::convert::{self, mask};
use crate::error::Error;
use crate::layer::note_shop;
use crate::page::Listing;
use crate::request::{change, encode, message};
use crate::safe::{self, Rules};
use crate::shop_service::{check_etag, checked, required, shop_name, under};

/// Keeps repair orders.
pub struct Orders {
    /// Where they are kept.
    pub store: Arc<dyn Store>,
    /// When they change.
    pub clock: Clock,
}

#[tonic::async_trait]
impl OrderService for Orders {
    async fn get_order(&self, request: Request<v1::GetOrderRequest>) -> Result<Response<v1::Order>, Status> {
        let (shop, id) = order_name(&request.get_ref().name, "name")?;
        let record = self.store.get_order(&shop, &id).await.map_err(Error::from)?;
        Ok(Response::new(write(&shop, &record)))
    }

    async fn list_orders(
        &self,
        request: Request<v1::ListOrdersRequest>,
    ) -> Result<Response<v1::ListOrdersResponse>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let mut states = convert::order::read_states(&request.states).map_err(Error::from)?;
        states.sort_unstable();
        states.dedup();
        let scope = ["ListOrders", &shop, &format!("{states:?}")];
        let listing = Listing::new(&scope, request.page_size, &request.page_token)?;
        let records = self.store.list_orders(&shop, OrderFilter { states }, listing.page()).await;
        let records = records.map_err(Error::from)?;
        let mut orders: Vec<v1::Order> = records.iter().map(|record| write(&shop, record)).collect();
        let next_page_token = listing.cut(&mut orders, |order| &order.name);
        Ok(Response::new(v1::ListOrdersResponse { orders, next_page_token }))
    }

    async fn create_order(&self, request: Request<v1::CreateOrderRequest>) -> Result<Response<v1::Order>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let mut faults: Vec<Fault> = names::check_id(&request.order_id, "order_id").err().into_iter().collect();
        let (order, id) = (required(request.order, "order").map_err(Error::from)?, request.order_id);
        let rules = self.rules_for_new(&shop, &order).await?;
        if request.validate_only {
            let stored = self.store.get_shop(&shop).await.map_err(Error::from)?;
            let facts = drafted(&id, &order, (&stored.facts, rules.as_ref()), faults);
            let facts = facts.map_err(|refusal| refused(&shop, &id, refusal))?;
            self.refuse_existing(&shop, &id).await?;
            return Ok(Response::new(convert::order::write(&shop, &facts)));
        }
        let draft = move |shop: &ShopFacts| drafted(&id, &order, (shop, rules.as_ref()), std::mem::take(&mut faults));
        let to_message = to_message(&shop);
        let answer = self.store.create_order(&change, &shop, Box::new(draft), encode(to_message.clone())).await;
        Ok(Response::new(message(answer.map_err(Error::from)?, to_message)?))
    }

    async fn update_order(&self, request: Request<v1::UpdateOrderRequest>) -> Result<Response<v1::Order>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let update = required(request.order, "order").map_err(Error::from)?;
        let (shop, id) = order_name(&update.name, "order.name")?;
        let etag = Some(update.etag.clone()).filter(|etag| !etag.is_empty());
        let mask = request.update_mask;
        let rules = match reaches_work(&update, mask.as_ref()) {
            true => Some(Rules::of(self.store.as_ref(), &shop, &id).await?),
            false => None,
        };
        if request.validate_only {
            let stored = self.store.get_order(&shop, &id).await.map_err(Error::from)?;
            check_etag(etag.as_deref(), &stored.etag, &update.name)?;
            let of = self.store.get_shop(&shop).await.map_err(Error::from)?;
            let facts = edited(&stored.facts, update, mask.as_ref(), (&of.facts, rules.as_ref()))
                .map_err(|refusal| refused(&shop, &id, refusal))?;
            return Ok(Response::new(convert::order::write(&shop, &facts)));
        }
        let edit =
            move |stored: &OrderFacts, shop: &ShopFacts| edited(stored, update, mask.as_ref(), (shop, rules.as_ref()));
        let to_message = to_message(&shop);
        let answer = self
            .store
            .update_order(&change, &shop, &id, etag.as_deref(), Box::new(edit), encode(to_message.clone()))
            .await;
        Ok(Response::new(message(answer.map_err(Error::from)?, to_message)?))
    }

    async fn cancel_order(&self, request: Request<v1::CancelOrderRequest>) -> Result<Response<v1::Order>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let (shop, id) = order_name(&request.name, "name")?;
        let etag = Some(request.etag.as_str()).filter(|etag| !etag.is_empty());
        let edit = |stored: &OrderFacts, _: &ShopFacts| Ok(OrderFacts { cancelled: true, ..stored.clone() });
        let to_message = to_message(&shop);
        let answer =
            self.store.update_order(&change, &shop, &id, etag, Box::new(edit), encode(to_message.clone())).await;
        Ok(Response::new(message(answer.map_err(Error::from)?, to_message)?))
    }
}

impl Orders {
    /// Returns what a new order is held to; nothing if nothing in it asks for caution.
    async fn rules_for_new(&self, shop: &str, order: &v1::Order) -> Result<Option<Rules>, Error> {
        if order.operations.iter().all(|operation| operation.hazards.is_empty()) {
            return Ok(None);
        }
        Ok(Some(Rules::by_hand(safe::of_shop(self.store.as_ref(), shop).await?)))
    }

    async fn refuse_existing(&self, shop: &str, id: &str) -> Result<(), Error> {
        match self.store.get_order(shop, id).await {
            Ok(_) => Err(StoreError::AlreadyExists { name: names::child(shop, Collection::Orders, id) }.into()),
            Err(StoreError::NotFound { .. }) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }
}

/// Tells whether an update may change what is done, where, or in which order.
fn reaches_work(update: &v1::Order, mask: Option<&FieldMask>) -> bool {
    match mask {
        Some(mask) => mask.paths.iter().any(|path| {
            let field = path.split('.').next().unwrap_or_default();
            matches!(field, "operations" | "visits" | "links" | "*")
        }),
        None => !update.operations.is_empty() || !update.visits.is_empty() || !update.links.is_empty(),
    }
}

fn drafted(
    id: &str,
    order: &v1::Order,
    (shop, rules): (&ShopFacts, Option<&Rules>),
    mut faults: Vec<Fault>,
) -> Result<OrderFacts, Refusal> {
    match convert::order::read(id, order, &checked(shop)?) {
        Ok(order) => {
            let facts = order.into_facts();
            match rules.map_or(Ok(()), |rules| rules.allow(None, &facts)) {
                Ok(()) if faults.is_empty() => return Ok(facts),
                Ok(()) => {}
                Err(Refusal::Faults(found)) => faults.extend(under("order", found)),
                Err(refusal) => return Err(refusal),
            }
        }
        Err(found) => faults.extend(under("order", found)),
    }
    Err(Refusal::Faults(faults))
}

fn edited(
    stored: &OrderFacts,
    update: v1::Order,
    mask: Option<&FieldMask>,
    (shop, rules): (&ShopFacts, Option<&Rules>),
) -> Result<OrderFacts, Refusal> {
    if stored.cancelled {
        return Err(Refusal::Forbidden(format!("order {:?} is cancelled and stays as it is", stored.id)));
    }
    let mut order = convert::order::write(&shop.id, stored);
    mask::merge_order(&mut order, update, mask)?;
    let order = convert::order::read(&stored.id, &order, &checked(shop)?);
    let facts = order.map(Order::into_facts).map_err(|faults| Refusal::Faults(under("order", faults)))?;
    match rules.filter(|_| safe::differs(stored, &facts)).map_or(Ok(()), |rules| rules.allow(Some(stored), &facts)) {
        Ok(()) => Ok(facts),
        Err(Refusal::Faults(faults)) => Err(Refusal::Faults(under("order", faults))),
        Err(refusal) => Err(refusal),
    }
}

fn refused(shop: &str, order: &str, refusal: Refusal) -> Error {
    match refusal {
        Refusal::Faults(faults) => Error::Faults(faults),
        Refusal::Forbidden(message) => {
            StoreError::Forbidden { name: names::child(shop, Collection::Orders, order), message }.into()
        }
    }
}

fn to_message(shop: &str) -> impl Fn(&OrderRecord) -> v1::Order + Clone + Send + use<> {
    let shop = shop.to_owned();
    move |record| write(&shop, record)
}

/// Writes an order with what the store knows about it.
fn write(shop: &str, record: &OrderRecord) -> v1::Order {
    v1::Order {
        create_time: Some(convert::to_instant(record.create_time)),
        update_time: Some(convert::to_instant(record.update_time)),
        etag: record.etag.clone(),
        ..convert::order::write(shop, &record.facts)
    }
}

fn order_name(name: &str, field: &str) -> Result<(String, String), Error> {
    let (shop, id) = names::parse_child(name, Collection::Orders, field)?;
    note_shop(&shop);
    Ok((shop, id))
}
