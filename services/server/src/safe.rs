//! The rules of safety at every edit of an order, however it came in.

use std::sync::OnceLock;

use fitup_intake::safety::{self, Case};
use fitup_intake::{Built, Caution, RuleBook, build, merge};
use fitup_model::take_in::TakeInFacts;
use fitup_model::{Fault, OrderFacts};
use fitup_store::{Error as StoreError, Refusal, Store};

use crate::error::Error;

/// What an order is held to: the rule book that made it, or the shop's, and the lines that it was made from, if any.
pub struct Rules {
    book: RuleBook,
    take_in: TakeInFacts,
    by_lines: bool,
}

impl Rules {
    /// Returns the rules for an order that no line made.
    pub fn by_hand(book: RuleBook) -> Rules {
        Rules { book, take_in: TakeInFacts::default(), by_lines: false }
    }

    /// Returns the rules for an order that these lines made.
    pub fn by_lines(book: RuleBook, take_in: TakeInFacts) -> Rules {
        Rules { book, take_in, by_lines: true }
    }

    /// Reads what an order is held to; the order need not be there yet.
    ///
    /// # Errors
    /// What the store says, and a rule book that no longer holds together.
    pub async fn of(store: &dyn Store, shop: &str, order: &str) -> Result<Rules, Error> {
        match store.get_take_in(shop, order).await {
            Ok(record) => Ok(Rules::by_lines(parsed(&record.book.text, shop)?, record.facts)),
            Err(StoreError::NotFound { .. }) => Ok(Rules::by_hand(of_shop(store, shop).await?)),
            Err(error) => Err(error.into()),
        }
    }

    /// Returns an order as it is stored, with where its operations are from.
    pub fn built(&self, facts: &OrderFacts) -> Built {
        let built = if self.by_lines { build(&self.book, &self.take_in, facts.clone()).ok() } else { None };
        built.map_or_else(
            || Built::by_hand(facts.clone()),
            |built| {
                // The order is as it is stored; only the origins of its operations are wanted.
                let before = built.clone();
                Built { facts: facts.clone(), ..merge(&self.book, facts, Some(&before), built) }
            },
        )
    }

    /// Returns what asks for caution.
    ///
    /// # Errors
    /// All that breaks a hard rule; paths are those of the order.
    pub fn cautions(&self, built: &Built) -> Result<Vec<Caution>, Vec<Fault>> {
        safety::check(&Case { book: &self.book, take_in: &self.take_in, built })
    }

    /// Refuses a change that breaks a hard rule which the order kept until now; what was broken before may be mended bit
    /// by bit.
    ///
    /// # Errors
    /// All that breaks a hard rule now; paths are those of the order.
    pub fn allow(&self, before: Option<&OrderFacts>, after: &OrderFacts) -> Result<(), Refusal> {
        let before = before.map(|facts| self.built(facts));
        let after = self.built(after);
        let case = |built| Case { book: &self.book, take_in: &self.take_in, built };
        let before = before.as_ref().map(case);
        safety::check_change(before.as_ref(), &case(&after)).map_err(Refusal::Faults)
    }
}

/// Returns the latest rule book of a shop, or the one that is built in; that too for a shop that does not exist, which the
/// change itself will tell.
///
/// # Errors
/// What the store says, and a rule book that no longer holds together.
pub async fn of_shop(store: &dyn Store, shop: &str) -> Result<RuleBook, Error> {
    match store.get_rule_book(shop).await {
        Ok(Some(record)) => parsed(&record.text, shop),
        Ok(None) | Err(StoreError::NotFound { .. }) => Ok(built_in().clone()),
        Err(error) => Err(error.into()),
    }
}

/// Tells whether a change of an order reaches its work, so that it has to be looked at.
pub fn differs(before: &OrderFacts, after: &OrderFacts) -> bool {
    before.operations != after.operations || before.visits != after.visits || before.links != after.links
}

fn built_in() -> &'static RuleBook {
    static BUILT_IN: OnceLock<RuleBook> = OnceLock::new();
    BUILT_IN.get_or_init(RuleBook::built_in)
}

fn parsed(text: &str, shop: &str) -> Result<RuleBook, Error> {
    if text == fitup_intake::DEFAULT_BOOK {
        return Ok(built_in().clone());
    }
    RuleBook::parse(text).map_err(|faults| {
        let first = faults.first().map(ToString::to_string).unwrap_or_default();
        let message = format!("the rule book no longer holds together; apply a mended one: {first}");
        StoreError::Forbidden { name: format!("shops/{shop}/ruleBook"), message }.into()
    })
}
