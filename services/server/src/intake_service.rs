//! Orders from the lines of estimates: each method reads, calls the store, writes.

use std::collections::BTreeMap;
use std::sync::Arc;

use fitup_intake::{Built, Caution, DEFAULT_BOOK, LAST_WORD, RuleBook};
use fitup_model::Fault;
use fitup_proto::v1;
use fitup_proto::v1::intake_service_server::IntakeService;
use fitup_store::{Error as StoreError, OrderRecord, Refusal, RuleBookRecord, Store, TakeInRecord, TakeInStored};
use tonic::{Request, Response, Status};

use crate::clock::Clock;
use crate::convert::names::{self, Collection};
use crate::convert::{self, intake};
use crate::effect::{Effect, Effects};
use crate::error::Error;
use crate::floor_service::blocking;
use crate::layer::note_shop;
use crate::request::{change, encode, message};
use crate::safe::{self, Rules};
use crate::shop_service::{check_etag, shop_name};
use crate::take_in::{Asked, about, fault, too_many};

/// Takes orders in.
pub struct Intake {
    /// Where they are kept.
    pub store: Arc<dyn Store>,
    /// When they change.
    pub clock: Clock,
    /// What they do to promises.
    pub effects: Effects,
}

#[tonic::async_trait]
impl IntakeService for Intake {
    async fn get_rule_book(&self, request: Request<v1::GetRuleBookRequest>) -> Result<Response<v1::RuleBook>, Status> {
        let name = &request.get_ref().name;
        let parent = name.strip_suffix("/ruleBook").ok_or_else(|| {
            Error::from(fault("name", format!("{name:?} has not the format shops/{{shop}}/ruleBook")))
        })?;
        let shop = shop_name(parent, "name")?;
        let stored = self.store.get_rule_book(&shop).await.map_err(Error::from)?;
        Ok(Response::new(write_book(&shop, &stored.unwrap_or_else(built_in))))
    }

    async fn update_rule_book(
        &self,
        request: Request<v1::UpdateRuleBookRequest>,
    ) -> Result<Response<v1::RuleBook>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let faults = RuleBook::parse(&request.text).err().unwrap_or_default();
        if !faults.is_empty() {
            let placed = |found: &fitup_intake::book::BookFault| {
                fault(&format!("text[{}:{}]", found.line, found.column), found.message.clone())
            };
            return Err(self.refused(&shop, faults.iter().map(placed).collect()).await.into());
        }
        if request.validate_only {
            let stored = self.store.get_rule_book(&shop).await.map_err(Error::from)?;
            let current = stored.map_or(0, |stored| stored.revision);
            if request.revision.is_some_and(|revision| revision != current) {
                return Err(Error::from(StoreError::EtagMismatch { name: format!("shops/{shop}/ruleBook") }).into());
            }
            let book = RuleBookRecord { revision: current, text: request.text, create_time: change.at };
            return Ok(Response::new(write_book(&shop, &book)));
        }
        let to_message = {
            let shop = shop.clone();
            move |record: &RuleBookRecord| write_book(&shop, record)
        };
        let answer =
            self.store.put_rule_book(&change, &shop, request.revision, &request.text, encode(to_message.clone())).await;
        Ok(Response::new(message(answer.map_err(Error::from)?, to_message)?))
    }

    async fn get_take_in(&self, request: Request<v1::GetTakeInRequest>) -> Result<Response<v1::TakeIn>, Status> {
        let name = &request.get_ref().name;
        let order = name.strip_suffix("/takeIn").ok_or_else(|| {
            Error::from(fault("name", format!("{name:?} has not the format shops/{{shop}}/orders/{{order}}/takeIn")))
        })?;
        let (shop, id) = names::parse_child(order, Collection::Orders, "name").map_err(Error::from)?;
        note_shop(&shop);
        let record = self.store.get_take_in(&shop, &id).await.map_err(Error::from)?;
        Ok(Response::new(explained(&shop, &record)))
    }

    async fn take_in_order(&self, request: Request<v1::TakeInOrderRequest>) -> Result<Response<v1::TakeIn>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        let too_many = too_many(&request);
        if !too_many.is_empty() {
            return Err(self.refused(&shop, too_many).await.into());
        }
        let as_of = request.as_of_time.as_ref();
        let (as_of, faults) = convert::instant_field(as_of, "as_of_time");
        let asked = Asked::read(&request, faults);
        if asked.mode == v1::take_in_order_request::Mode::Unspecified {
            return Err(self.refused(&shop, asked.faults).await.into());
        }
        let id = request.order_id.clone();
        let etag = Some(request.etag.as_str()).filter(|etag| !etag.is_empty());
        if request.validate_only {
            return Ok(Response::new(self.preview(&shop, &id, etag, asked, as_of.unwrap_or(change.at)).await?));
        }
        let edit = Box::new(move |known: &TakeInStored| asked.made(known).map(|made| (made.built.facts, made.facts)));
        let to_message = {
            let shop = shop.clone();
            move |record: &TakeInRecord| explained(&shop, record)
        };
        let answer =
            self.store.take_in(&change, &shop, &id, etag, DEFAULT_BOOK, edit, encode(to_message.clone())).await;
        Ok(Response::new(message(answer.map_err(Error::from)?, to_message)?))
    }

    async fn list_cautions(
        &self,
        request: Request<v1::ListCautionsRequest>,
    ) -> Result<Response<v1::ListCautionsResponse>, Status> {
        let shop = shop_name(&request.get_ref().parent, "parent")?;
        let records = self.store.open_take_ins(&shop).await.map_err(Error::from)?;
        let snapshot = self.store.snapshot(&shop).await.map_err(Error::from)?;
        let by_hand = Rules::by_hand(safe::of_shop(self.store.as_ref(), &shop).await?);
        // Each order is made again from its lines.
        let orders = blocking(move || cautions(&shop, &records, &snapshot.orders, &by_hand)).await?;
        Ok(Response::new(v1::ListCautionsResponse { orders, last_word: LAST_WORD.into() }))
    }
}

impl Intake {
    /// Returns the refusal of a request that is wrong by itself; that its shop does not exist comes before all else.
    async fn refused(&self, shop: &str, faults: Vec<Fault>) -> Error {
        match self.store.get_rule_book(shop).await {
            Ok(_) => Error::Faults(faults),
            Err(error) => error.into(),
        }
    }

    /// Shows what would be, with the effect on the promises of the shop.
    async fn preview(
        &self,
        shop: &str,
        id: &str,
        etag: Option<&str>,
        asked: Asked,
        as_of: jiff::Timestamp,
    ) -> Result<v1::TakeIn, Error> {
        let snapshot = self.store.snapshot(shop).await?;
        let name = names::child(shop, Collection::Orders, id);
        let stored = match self.store.get_order(shop, id).await {
            Ok(stored) => Some(stored),
            Err(StoreError::NotFound { .. }) => None,
            Err(error) => return Err(error.into()),
        };
        if let Some(stored) = &stored {
            check_etag(etag, &stored.etag, &name)?;
        }
        let take_in = match self.store.get_take_in(shop, id).await {
            Ok(record) => Some((record.facts, record.book)),
            Err(StoreError::NotFound { .. }) => None,
            Err(error) => return Err(error.into()),
        };
        let known = TakeInStored {
            shop: snapshot.shop.facts.clone(),
            order: stored.as_ref().map(|stored| stored.facts.clone()),
            take_in,
            book: self.store.get_rule_book(shop).await?.unwrap_or_else(built_in),
        };
        let made = asked.made(&known).map_err(|refusal| match refusal {
            Refusal::Faults(faults) => Error::Faults(faults),
            Refusal::Forbidden(message) => StoreError::Forbidden { name, message }.into(),
        })?;
        let mut order = convert::order::write(shop, &made.built.facts);
        order.etag = stored.as_ref().map(|stored| stored.etag.clone()).unwrap_or_default();
        let mut shown = intake::write((shop, order), &made.facts, known.book.revision, &made.built, &made.cautions);
        if stored.is_some() {
            let effects = self.effects.of(snapshot, made.built.facts, as_of).await?;
            shown.effects = effects.iter().map(|effect| to_effect(shop, effect)).collect();
        }
        Ok(shown)
    }
}

/// Returns the orders that ask for caution. Most were made by the same rule book, which is read once.
fn cautions(
    shop: &str,
    records: &[TakeInRecord],
    orders: &[OrderRecord],
    by_hand: &Rules,
) -> Vec<v1::list_cautions_response::OfOrder> {
    let mut books: BTreeMap<i64, Option<RuleBook>> = BTreeMap::new();
    let of_order = |order: &OrderRecord| {
        let cautions = match records.iter().find(|record| record.order.facts.id == order.facts.id) {
            Some(record) => {
                let book = books.entry(record.book.revision).or_insert_with(|| RuleBook::parse(&record.book.text).ok());
                explained_by(shop, record, book.as_ref()).cautions
            }
            None => said(by_hand, &by_hand.built(&order.facts)).iter().map(intake::to_caution).collect(),
        };
        v1::list_cautions_response::OfOrder { order: names::child(shop, Collection::Orders, &order.facts.id), cautions }
    };
    let mut cautious: Vec<_> = orders.iter().map(of_order).collect();
    cautious.retain(|order| !order.cautions.is_empty());
    cautious
}

/// Writes an order with what it was made from, by the rule book of then.
fn explained(shop: &str, record: &TakeInRecord) -> v1::TakeIn {
    explained_by(shop, record, RuleBook::parse(&record.book.text).ok().as_ref())
}

fn explained_by(shop: &str, record: &TakeInRecord, book: Option<&RuleBook>) -> v1::TakeIn {
    let order = v1::Order {
        create_time: Some(convert::to_instant(record.order.create_time)),
        update_time: Some(convert::to_instant(record.order.update_time)),
        etag: record.order.etag.clone(),
        ..convert::order::write(shop, &record.order.facts)
    };
    let facts = &record.order.facts;
    let Some(book) = book else {
        let nothing = Built::by_hand(facts.clone());
        return intake::write((shop, order), &record.facts, record.book.revision, &nothing, &[]);
    };
    let rules = Rules::by_lines(book.clone(), record.facts.clone());
    let built = rules.built(facts);
    let cautions = said(&rules, &built);
    intake::write((shop, order), &record.facts, record.book.revision, &built, &cautions)
}

/// Returns what asks for caution in an order as it is stored.
fn said(rules: &Rules, built: &Built) -> Vec<Caution> {
    rules.cautions(built).unwrap_or_else(|faults| {
        // Rules have changed since: what would be refused now is said in the strongest words there are.
        let broken = |fault: &Fault| Caution {
            rule: "broken".into(),
            about: Vec::new(),
            message: format!("BREAKS A RULE OF SAFETY: {}", about(&built.facts, fault.clone()).message),
            source: "a hard rule of safety".into(),
        };
        faults.iter().map(broken).collect()
    })
}

fn to_effect(shop: &str, effect: &Effect) -> v1::PromiseEffect {
    v1::PromiseEffect {
        order: names::child(shop, Collection::Orders, &effect.order),
        promise_time: effect.promise.map(convert::to_instant),
        completion_before_time: effect.before.map(convert::to_instant),
        completion_after_time: effect.after.map(convert::to_instant),
    }
}

/// The rule book of a shop that has none of its own.
pub fn built_in() -> RuleBookRecord {
    RuleBookRecord { revision: 0, text: DEFAULT_BOOK.into(), create_time: jiff::Timestamp::UNIX_EPOCH }
}

fn write_book(shop: &str, record: &RuleBookRecord) -> v1::RuleBook {
    v1::RuleBook {
        name: format!("shops/{shop}/ruleBook"),
        text: record.text.clone(),
        revision: record.revision,
        create_time: (record.revision > 0).then(|| convert::to_instant(record.create_time)),
    }
}
