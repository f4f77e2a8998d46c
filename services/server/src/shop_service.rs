//! Shops: each method reads, calls the store, writes.

use std::sync::Arc;

use fitup_model::{Fault, Shop, ShopFacts};
use fitup_proto::v1;
use fitup_proto::v1::shop_service_server::ShopService;
use fitup_store::{Error as StoreError, Refusal, ShopRecord, Store};
use prost_types::FieldMask;
use tonic::{Request, Response, Status};

use crate::access;
use crate::clock::Clock;
use crate::convert::names::{self, Collection};
use crate::convert::{self, mask};
use crate::error::Error;
use crate::layer::note_shop;
use crate::page::Listing;
use crate::request::{change, encode, message};

/// Keeps shops.
pub struct Shops {
    /// Where they are kept.
    pub store: Arc<dyn Store>,
    /// When they change.
    pub clock: Clock,
}

#[tonic::async_trait]
impl ShopService for Shops {
    async fn get_shop(&self, request: Request<v1::GetShopRequest>) -> Result<Response<v1::Shop>, Status> {
        let id = shop_name(&request.get_ref().name, "name")?;
        let record = self.store.get_shop(&id).await.map_err(Error::from)?;
        Ok(Response::new(write(&record)))
    }

    async fn list_shops(
        &self,
        request: Request<v1::ListShopsRequest>,
    ) -> Result<Response<v1::ListShopsResponse>, Status> {
        let request = request.into_inner();
        let listing = Listing::new(&["ListShops"], request.page_size, &request.page_token)?;
        let records = self.store.list_shops(listing.page()).await.map_err(Error::from)?;
        let mut shops: Vec<v1::Shop> = records.iter().map(write).collect();
        let next_page_token = listing.cut(&mut shops, |shop| &shop.name);
        Ok(Response::new(v1::ListShopsResponse { shops, next_page_token }))
    }

    async fn create_shop(&self, request: Request<v1::CreateShopRequest>) -> Result<Response<v1::Shop>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        // What is no id is as long as its caller likes, and not for the log.
        if names::check_id(&request.shop_id, "shop_id").is_ok() {
            note_shop(&request.shop_id);
            // The same answer whether there is such a shop or not.
            if !access::caller().is_some_and(|caller| caller.scope.has(&request.shop_id)) {
                return Err(Error::ShopForbids.into());
            }
        }
        let shop = read_new(&request)?;
        if request.validate_only {
            self.refuse_existing(&request.shop_id).await?;
            return Ok(Response::new(convert::shop::write(&shop)));
        }
        let answer = self.store.create_shop(&change, shop.into_facts(), encode(write)).await.map_err(Error::from)?;
        Ok(Response::new(message(answer, write)?))
    }

    async fn update_shop(&self, request: Request<v1::UpdateShopRequest>) -> Result<Response<v1::Shop>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let update = required(request.shop, "shop").map_err(Error::from)?;
        let id = shop_name(&update.name, "shop.name")?;
        let etag = Some(update.etag.clone()).filter(|etag| !etag.is_empty());
        let mask = request.update_mask;
        if request.validate_only {
            let stored = self.store.get_shop(&id).await.map_err(Error::from)?;
            check_etag(etag.as_deref(), &stored.etag, &update.name)?;
            let facts = edited(&stored.facts, update, mask.as_ref()).map_err(Error::from)?;
            return Ok(Response::new(convert::shop::write(&facts)));
        }
        let edit = move |stored: &ShopFacts, _: &[fitup_model::OrderFacts]| {
            edited(stored, update, mask.as_ref()).map_err(Refusal::Faults)
        };
        let answer = self.store.update_shop(&change, &id, etag.as_deref(), Box::new(edit), encode(write)).await;
        Ok(Response::new(message(answer.map_err(Error::from)?, write)?))
    }

    async fn delete_shop(
        &self,
        request: Request<v1::DeleteShopRequest>,
    ) -> Result<Response<v1::DeleteShopResponse>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let id = shop_name(&request.name, "name")?;
        let etag = Some(request.etag.as_str()).filter(|etag| !etag.is_empty());
        let write = |(): &()| v1::DeleteShopResponse {};
        let answer = self.store.delete_shop(&change, &id, etag, encode(write)).await.map_err(Error::from)?;
        Ok(Response::new(message(answer, write)?))
    }
}

impl Shops {
    async fn refuse_existing(&self, id: &str) -> Result<(), Error> {
        match self.store.get_shop(id).await {
            Ok(_) => Err(StoreError::AlreadyExists { name: names::shop(id) }.into()),
            Err(StoreError::NotFound { .. }) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }
}

fn read_new(request: &v1::CreateShopRequest) -> Result<Shop, Error> {
    let mut faults: Vec<Fault> = names::check_id(&request.shop_id, "shop_id").err().into_iter().collect();
    let shop = required(request.shop.as_ref(), "shop").map(|shop| convert::shop::read(&request.shop_id, shop));
    match shop {
        Ok(Ok(shop)) if faults.is_empty() => return Ok(shop),
        Ok(Ok(_)) => {}
        Ok(Err(found)) => faults.extend(under("shop", found)),
        Err(fault) => faults.push(fault),
    }
    Err(Error::Faults(faults))
}

fn edited(stored: &ShopFacts, update: v1::Shop, mask: Option<&FieldMask>) -> Result<ShopFacts, Vec<Fault>> {
    let mut shop = convert::shop::write(stored);
    mask::merge_shop(&mut shop, update, mask)?;
    convert::shop::read(&stored.id, &shop).map(Shop::into_facts).map_err(|faults| under("shop", faults))
}

/// Writes a shop with what the store knows about it.
fn write(record: &ShopRecord) -> v1::Shop {
    let plan = |plan: &String| names::child(&record.facts.id, Collection::Plans, plan);
    v1::Shop {
        published_plan: record.published_plan.as_ref().map(plan).unwrap_or_default(),
        revision: record.revision,
        create_time: Some(convert::to_instant(record.create_time)),
        update_time: Some(convert::to_instant(record.update_time)),
        etag: record.etag.clone(),
        ..convert::shop::write(&record.facts)
    }
}

/// Reads the name of a shop and notes it in the span of the request.
pub fn shop_name(name: &str, field: &str) -> Result<String, Error> {
    let id = names::parse_shop(name, field)?;
    note_shop(&id);
    Ok(id)
}

/// Checks a stored shop again, for a change that builds on it.
pub fn checked(shop: &ShopFacts) -> Result<Shop, Refusal> {
    Shop::new(shop.clone()).map_err(|faults| {
        let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
        Refusal::Forbidden(format!("shop {:?} no longer holds together; mend it first: {}", shop.id, faults.join("; ")))
    })
}

/// Returns what has to be there.
pub fn required<T>(value: Option<T>, field: &str) -> Result<T, Fault> {
    value.ok_or_else(|| Fault { path: field.to_owned(), message: "is required".into() })
}

/// Returns the faults of a field, with paths from the request.
pub fn under(field: &str, faults: Vec<Fault>) -> Vec<Fault> {
    faults.into_iter().map(|fault| Fault { path: format!("{field}.{}", fault.path), ..fault }).collect()
}

/// Refuses a change of something that has changed since `given` was read.
pub fn check_etag(given: Option<&str>, current: &str, name: &str) -> Result<(), Error> {
    match given {
        Some(given) if given != current => Err(StoreError::EtagMismatch { name: name.to_owned() }.into()),
        _ => Ok(()),
    }
}
