//! Holds are made, changed and ended: quoted for the shop as it is, then stored if it still is so.

use fitup_model::{Fault, OrderFacts};
use fitup_proto::v1;
use fitup_rehearsal::quote::Policy;
use fitup_store::{
    Change, ChangedHold, Error as StoreError, HoldEdit, HoldRecord, NewHold, Refusal, RuleBookRecord, Snapshot,
};
use jiff::Timestamp;

use super::Quotes;
use crate::convert;
use crate::convert::names::{self, Collection};
use crate::error::Error;
use crate::floor_service::{as_of, forbidden};
use crate::holds::{self, Asked, Counter};
use crate::intake_service::built_in;
use crate::past::Past;
use crate::plan_service::child_name;
use crate::request::{encode, message, repeated};
use crate::safe::{self, Rules};
use crate::shop_service::{check_etag, under};

/// A hold is tried so often if the shop keeps changing.
const ATTEMPTS: u32 = 4;

/// What a hold is quoted for.
struct Moment {
    snapshot: Snapshot,
    book: RuleBookRecord,
    clock: Timestamp,
    now: Timestamp,
}

impl Moment {
    fn known(&self) -> holds::Known<'_> {
        holds::Known { shop: &self.snapshot.shop.facts, book: &self.book, clock: self.clock, now: self.now }
    }
}

impl Quotes {
    /// Makes a hold, or shows what it would be.
    pub(super) async fn hold(
        &self,
        change: &Change,
        shop: &str,
        request: &v1::HoldQuoteRequest,
    ) -> Result<v1::Hold, Error> {
        let mut attempt = 1;
        loop {
            let moment = self.moment(shop, request.as_of_time.as_ref(), change.at).await?;
            let revision = moment.snapshot.shop.revision;
            let hold = self.reserve(shop, moment, request).await;
            if request.validate_only {
                return Ok(holds::write_draft(shop, &hold?, change.at));
            }
            let to_message = to_message(shop, change.at);
            let hold = for_the_store(hold)?;
            let answer = self.store.create_hold(change, shop, revision, hold, encode(to_message.clone())).await;
            match answer {
                // The shop has changed while its futures were played.
                Err(StoreError::EtagMismatch { .. }) if attempt < ATTEMPTS => attempt += 1,
                answer => return message(answer?, to_message),
            }
        }
    }

    /// Changes a hold, or shows what it would be.
    pub(super) async fn alter(&self, change: &Change, request: &v1::ChangeHoldRequest) -> Result<v1::Hold, Error> {
        let (shop, id) = child_name(&request.name, Collection::Holds)?;
        if !request.validate_only
            && let Some(kept) = repeated(&*self.store, change).await?
        {
            return Ok(kept);
        }
        let mut attempt = 1;
        loop {
            let moment = self.moment(&shop, request.as_of_time.as_ref(), change.at).await?;
            let stored = self.store.get_hold(&shop, &id).await?;
            let known = (moment.snapshot.shop.revision, Some(stored.etag.clone()));
            let hold = self.altered(&shop, &stored, moment, request).await;
            if request.validate_only {
                let drawn = holds::write_draft(&shop, &hold?.hold, change.at);
                return Ok(v1::Hold { etag: stored.etag, ..drawn });
            }
            let to_message = to_message(&shop, change.at);
            let (revision, etag) = (known.0, known.1.as_deref());
            let hold = for_the_store(hold)?;
            let answer =
                self.store.change_hold(change, &shop, (revision, etag), hold, encode(to_message.clone())).await;
            match answer {
                // The shop has changed meanwhile, or the hold of which the caller knows no version.
                Err(StoreError::EtagMismatch { name })
                    if attempt < ATTEMPTS && (request.etag.is_empty() || name != request.name) =>
                {
                    attempt += 1;
                }
                answer => return message(answer?, to_message),
            }
        }
    }

    /// Ends a hold.
    pub(super) async fn end(&self, name: &str, etag: &str, change: Change, edit: HoldEdit) -> Result<v1::Hold, Error> {
        let (shop, id) = child_name(name, Collection::Holds)?;
        let etag = Some(etag).filter(|etag| !etag.is_empty());
        let to_message = to_message(&shop, change.at);
        let answer = self.store.end_hold(&change, &shop, &id, etag, edit, encode(to_message.clone())).await;
        message(answer?, to_message)
    }

    async fn moment(
        &self,
        shop: &str,
        as_of_time: Option<&prost_types::Timestamp>,
        clock: Timestamp,
    ) -> Result<Moment, Error> {
        let snapshot = self.store.snapshot(shop).await?;
        let book = self.store.get_rule_book(shop).await?.unwrap_or_else(built_in);
        Ok(Moment { snapshot, book, clock, now: as_of(as_of_time, self.clock)? })
    }

    /// Quotes an order of the shop as it is, on a thread of its own.
    async fn reserve(&self, shop: &str, moment: Moment, request: &v1::HoldQuoteRequest) -> Result<NewHold, Error> {
        let policy = self.policy(request.future_count, request.seed);
        let (asked, policy) = read(shop, holds::read(request, &moment.known()), policy)?;
        self.refuse_entered(shop, &asked.order).await?;
        self.allow(shop, &asked).await?;
        let counter = self.counter(&moment, policy).await?;
        let place = self.places.take().await?;
        place.work(move |_| holds::reserve(moment.snapshot, asked, counter)).await?
    }

    /// Quotes a hold as it is to be, on a thread of its own, if it has to be.
    async fn altered(
        &self,
        shop: &str,
        stored: &HoldRecord,
        moment: Moment,
        request: &v1::ChangeHoldRequest,
    ) -> Result<ChangedHold, Error> {
        let etag = Some(request.etag.as_str()).filter(|etag| !etag.is_empty());
        check_etag(etag, &stored.etag, &request.name)?;
        holds::standing(stored, &moment.snapshot.shop.facts, moment.clock).map_err(|message| {
            let name = request.name.clone();
            StoreError::Forbidden { name, message }
        })?;
        let policy = self.policy(request.future_count, request.seed);
        let (asked, policy) = read(shop, holds::read_change(request, stored, &moment.known()), policy)?;
        self.allow(shop, &asked).await?;
        let counter = self.counter(&moment, policy).await?;
        let place = self.places.take().await?;
        let stored = stored.clone();
        place.work(move |_| holds::alter(moment.snapshot, asked, &stored, counter)).await?
    }

    /// Reads what the shop has seen by a moment, and takes the futures from it.
    async fn counter(&self, moment: &Moment, policy: Policy) -> Result<Counter, Error> {
        let past = Past::read(&*self.store, &moment.snapshot.shop.facts, moment.now).await?;
        let policy = Policy { chances: past.chances, ..policy };
        Ok(Counter { policy, past, plan: self.runs.new_id(), now: moment.now })
    }

    /// Refuses what is an order already.
    async fn refuse_entered(&self, shop: &str, order: &OrderFacts) -> Result<(), Error> {
        if self.store.get_order(shop, &order.id).await.is_ok() {
            let name = names::child(shop, Collection::Orders, &order.id);
            return Err(StoreError::AlreadyExists { name }.into());
        }
        Ok(())
    }

    /// Refuses what breaks a hard rule of safety; what lines make was held to them when it was made.
    async fn allow(&self, shop: &str, asked: &Asked) -> Result<(), Error> {
        if asked.take_in.is_some() {
            return Ok(());
        }
        let rules = Rules::by_hand(safe::of_shop(&*self.store, shop).await?);
        rules.allow(None, &asked.order).map_err(|refusal| match refusal {
            Refusal::Faults(faults) => StoreError::Faults(under("order", faults)).into(),
            Refusal::Forbidden(message) => forbidden(shop, message),
        })
    }
}

/// Returns what was asked for, or all that is wrong with it.
fn read(shop: &str, asked: Result<Asked, Refusal>, policy: Result<Policy, Fault>) -> Result<(Asked, Policy), Error> {
    match (asked, policy) {
        (Ok(asked), Ok(policy)) => Ok((asked, policy)),
        (Ok(_), Err(fault)) => Err(StoreError::Faults(vec![fault]).into()),
        (Err(Refusal::Forbidden(message)), _) => Err(forbidden(shop, message)),
        (Err(Refusal::Faults(mut faults)), policy) => {
            faults.extend(policy.err());
            Err(StoreError::Faults(faults).into())
        }
    }
}

/// Hands what is wrong to the store too: what is in its way may be its own first answer, which the store knows.
fn for_the_store<T>(hold: Result<T, Error>) -> Result<Result<T, StoreError>, Error> {
    match hold {
        Ok(hold) => Ok(Ok(hold)),
        Err(Error::Store(error)) => Ok(Err(error)),
        Err(error) => Err(error),
    }
}

fn to_message(shop: &str, at: Timestamp) -> impl Fn(&HoldRecord) -> v1::Hold + Clone + Send + use<> {
    let shop = shop.to_owned();
    move |record| convert::hold::write(&shop, record, at)
}
