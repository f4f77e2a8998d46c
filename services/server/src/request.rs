//! Who asks for a change, and whether they asked before.

use fitup_model::Fault;
use fitup_proto::v1;
use fitup_store::{Answer, Change, Encode, Request as KnownRequest, Store};
use prost::Message;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::access::Caller;
use crate::clock::Clock;
use crate::error::Error;

/// A request that changes something, and may be repeated without harm.
pub trait Changing: Message + Clone {
    /// Service and method.
    const METHOD: &'static str;

    /// Returns its request id, empty if it has none.
    fn request_id(&self) -> &str;

    /// Returns it without its request id.
    fn without_request_id(&self) -> Self;
}

macro_rules! changing {
    ($($service:literal: $($message:ident = $method:literal),*;)*) => {$($(
        impl Changing for v1::$message {
            const METHOD: &'static str = concat!("fitup.v1.", $service, "/", $method);

            fn request_id(&self) -> &str {
                &self.request_id
            }

            fn without_request_id(&self) -> Self {
                Self { request_id: String::new(), ..self.clone() }
            }
        }
    )*)*};
}

changing! {
    "ShopService": CreateShopRequest = "CreateShop", UpdateShopRequest = "UpdateShop", DeleteShopRequest = "DeleteShop";
    "OrderService": CreateOrderRequest = "CreateOrder", UpdateOrderRequest = "UpdateOrder",
        CancelOrderRequest = "CancelOrder";
    "PlanService": PublishPlanRequest = "PublishPlan", CreatePlanRunRequest = "CreatePlanRun",
        CancelPlanRunRequest = "CancelPlanRun";
    "IntakeService": UpdateRuleBookRequest = "UpdateRuleBook", TakeInOrderRequest = "TakeInOrder";
    "QuoteService": HoldQuoteRequest = "HoldQuote", ChangeHoldRequest = "ChangeHold", AcceptHoldRequest = "AcceptHold", ReleaseHoldRequest = "ReleaseHold";
    "TokenService": CreateTokenRequest = "CreateToken", RevokeTokenRequest = "RevokeToken";
    "FloorService": RecordWorkRequest = "RecordWork", SettleWorkRequest = "SettleWork", RecordPartRequest = "RecordPart",
        RecordResourceRequest = "RecordResource";
    "ReplanService": ReplanRequest = "Replan", RestorePlanRequest = "RestorePlan";
}

/// Returns what the store keeps about a change: who, when, and the request that makes its repeat harmless.
///
/// # Errors
/// A fault of `request_id` if it is no UUID.
pub fn change<R: Changing>(request: &tonic::Request<R>, clock: &Clock) -> Result<Change, Error> {
    let Caller { actor, origin, .. } = request.extensions().get::<Caller>().cloned().unwrap_or_else(Caller::local);
    let message = request.get_ref();
    let request = match message.request_id() {
        "" => None,
        text => Some(KnownRequest {
            id: parse_id(text)?,
            method: R::METHOD.into(),
            fingerprint: Sha256::digest(message.without_request_id().encode_to_vec()).into(),
        }),
    };
    Ok(Change { at: clock.now(), actor, origin, request })
}

/// Returns what makes the kept answer of a change from what was changed.
pub fn encode<T: 'static, M: Message>(write: impl FnOnce(&T) -> M + Send + 'static) -> Encode<T> {
    Box::new(move |value| write(value).encode_to_vec())
}

/// Returns the message that answered a change before, for those whose work comes before their change: the work is not done
/// again, and what has happened since does not refuse the repeat.
///
/// # Errors
/// If the request id was used for something else; those of the store.
pub async fn repeated<M: Message + Default>(store: &dyn Store, change: &Change) -> Result<Option<M>, Error> {
    let kept = store.answered(change).await?;
    kept.map(|kept| message(Answer::<M>::Repeated(kept), |_| M::default())).transpose()
}

/// Returns the message that answers a change: of now, or the one kept from before.
///
/// # Errors
/// A bug if what was kept is no such message.
pub fn message<T, M: Message + Default>(answer: Answer<T>, write: impl FnOnce(&T) -> M) -> Result<M, Error> {
    match answer {
        Answer::Fresh(value) => Ok(write(&value)),
        Answer::Repeated(kept) => {
            M::decode(kept.as_slice()).map_err(|error| Error::Bug(format!("a kept answer cannot be read: {error}")))
        }
    }
}

fn parse_id(text: &str) -> Result<Uuid, Fault> {
    // The hyphenated form alone: what is written in one way is also compared in one way.
    let plain = text.len() == 36;
    Uuid::try_parse(text).ok().filter(|id| plain && !id.is_nil()).ok_or_else(|| Fault {
        path: "request_id".into(),
        message: "is no UUID; use one such as \"3f2b8c1e-58d1-4a6b-9c35-0d6c2f1a7e44\"".into(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn changed(order_id: &str, request_id: &str) -> Result<Option<KnownRequest>, Error> {
        let message =
            v1::CreateOrderRequest { order_id: order_id.into(), request_id: request_id.into(), ..Default::default() };
        change(&tonic::Request::new(message), &Clock::Machine).map(|change| change.request)
    }

    const ID: &str = "3f2b8c1e-58d1-4a6b-9c35-0d6c2f1a7e44";

    #[test]
    fn the_fingerprint_is_of_all_but_the_request_id() {
        let known = |order, id| changed(order, id).unwrap().unwrap();
        assert_eq!(known("a", ID), known("a", ID));
        assert_ne!(known("a", ID).fingerprint, known("b", ID).fingerprint);
        let other = "3f2b8c1e-58d1-4a6b-9c35-0d6c2f1a7e45";
        assert_eq!(known("a", ID).fingerprint, known("a", other).fingerprint);
        assert_eq!(known("a", ID).method, "fitup.v1.OrderService/CreateOrder");
    }

    #[test]
    fn request_ids_are_uuids() {
        assert!(changed("a", "").unwrap().is_none());
        for odd in ["1", "3f2b8c1e58d14a6b9c350d6c2f1a7e44", "00000000-0000-0000-0000-000000000000"] {
            assert!(changed("a", odd).is_err(), "{odd}");
        }
    }

    #[test]
    fn whoever_is_known_is_the_actor() {
        let mut request = tonic::Request::new(v1::DeleteShopRequest::default());
        assert_eq!(change(&request, &Clock::Machine).unwrap().actor, "local");
        let origin = Some("192.0.2.7".to_owned());
        request.extensions_mut().insert(Caller { actor: "tokens/7".into(), origin, ..Caller::local() });
        let change = change(&request, &Clock::Machine).unwrap();
        assert_eq!((change.actor.as_str(), change.origin.as_deref()), ("tokens/7", Some("192.0.2.7")));
    }
}
