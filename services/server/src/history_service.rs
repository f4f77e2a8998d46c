//! The history of a shop, from the audit trail.

use std::sync::Arc;

use fitup_model::Fault;
use fitup_proto::v1;
use fitup_proto::v1::history_service_server::HistoryService;
use fitup_store::{AuditEntry, NO_SHOP, Store};
use serde_json::Value;
use tonic::{Request, Response, Status};

use crate::convert::{self, names};
use crate::error::Error;
use crate::page::Listing;
use crate::shop_service::shop_name;

/// Tells the history.
pub struct History {
    /// Where it is kept, as far as the caller sees.
    pub store: Arc<dyn Store>,
}

#[tonic::async_trait]
impl HistoryService for History {
    async fn list_history(
        &self,
        request: Request<v1::ListHistoryRequest>,
    ) -> Result<Response<v1::ListHistoryResponse>, Status> {
        let request = request.into_inner();
        let shop = if request.parent == names::shop(NO_SHOP) {
            NO_SHOP.to_owned()
        } else {
            shop_name(&request.parent, "parent")?
        };
        let resource = Some(request.resource.as_str()).filter(|resource| !resource.is_empty());
        if let Some(resource) = resource {
            check_resource(resource, &request.parent).map_err(Error::from)?;
        }
        let scope = ["ListHistory", &shop, &request.resource];
        let listing = Listing::new(&scope, request.page_size, &request.page_token)?;
        let page = listing.page();
        let before = page.after.as_deref().map(|id| id.parse().map_err(|_| Error::PageToken)).transpose()?;
        let entries = self.store.list_latest_audit(&shop, resource, before, page.limit).await.map_err(Error::from)?;
        if entries.is_empty() && before.is_none() && shop != NO_SHOP {
            // A shop that is gone still has a history; without one there never was such a shop.
            self.store.get_shop(&shop).await.map_err(Error::from)?;
        }
        let mut entries = entries.iter().map(write).collect::<Result<Vec<_>, _>>()?;
        let next_page_token = listing.cut(&mut entries, |entry| &entry.name);
        Ok(Response::new(v1::ListHistoryResponse { entries, next_page_token }))
    }
}

fn check_resource(resource: &str, parent: &str) -> Result<(), Fault> {
    let is_in = resource == parent || resource.strip_prefix(parent).is_some_and(|rest| rest.starts_with('/'));
    if (is_in || resource.starts_with("tokens/")) && resource.len() <= 500 {
        return Ok(());
    }
    let message = format!("must be a token or in {parent}, such as {parent}/orders/1042");
    Err(Fault { path: "resource".into(), message })
}

fn write(entry: &AuditEntry) -> Result<v1::HistoryEntry, Error> {
    let odd = || Error::Bug(format!("entry {} of the audit trail has no differences that can be read", entry.sequence));
    let difference: Value = serde_json::from_str(&entry.difference).map_err(|_| odd())?;
    let mut changes = Vec::new();
    for (field, values) in difference.as_object().ok_or_else(odd)? {
        let [before, after] = values.as_array().map(Vec::as_slice).unwrap_or_default() else { return Err(odd()) };
        let (before_json, after_json) = (before.to_string(), after.to_string());
        changes.push(v1::history_entry::Change { field: field.clone(), before_json, after_json });
    }
    Ok(v1::HistoryEntry {
        name: format!("shops/{}/history/{}", entry.shop, entry.sequence),
        create_time: Some(convert::to_instant(entry.at)),
        actor: entry.actor.clone(),
        actor_display_name: entry.actor_display_name.clone().unwrap_or_default(),
        origin: entry.origin.clone().unwrap_or_default(),
        resource: entry.resource.clone(),
        action: entry.action.clone(),
        revision_before: entry.revision_before,
        revision_after: entry.revision_after,
        changes,
        request_id: entry.request.map(|id| id.to_string()).unwrap_or_default(),
    })
}
