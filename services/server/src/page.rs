//! Pages of lists.
//!
//! A token holds a digest of what was listed and the id of the last item shown, so that it cannot be used with another
//! list.

use fitup_model::Fault;
use fitup_store::Page;
use prost::Message;
use sha2::{Digest, Sha256};

use crate::convert::names;
use crate::error::Error;

const DEFAULT_SIZE: u32 = 50;
const LARGEST_SIZE: u32 = 500;
const DIGEST_BYTES: usize = 8;
/// A page ends early rather than be larger: common clients take messages of no more than 4 MiB.
const PAGE_BYTES: usize = 2 * 1024 * 1024;

/// What is listed: the method with everything that filters.
pub struct Listing {
    digest: String,
    size: u32,
    after: Option<String>,
}

impl Listing {
    /// Reads a request for a page. `scope` is the method and its filters.
    ///
    /// # Errors
    /// A fault of `page_size`, or a token that belongs to another list.
    pub fn new(scope: &[&str], page_size: i32, page_token: &str) -> Result<Listing, Error> {
        let size = match u32::try_from(page_size) {
            Ok(0) => DEFAULT_SIZE,
            Ok(size) => size.min(LARGEST_SIZE),
            Err(_) => {
                let message = format!("must not be negative, and is {page_size}");
                return Err(Error::Faults(vec![Fault { path: "page_size".into(), message }]));
            }
        };
        let digest = digest(scope);
        let after = match page_token.strip_prefix(digest.as_str()) {
            _ if page_token.is_empty() => None,
            Some(id) if names::check_id(id, "page_token").is_ok() => Some(id.to_owned()),
            _ => return Err(Error::PageToken),
        };
        Ok(Listing { digest, size, after })
    }

    /// Returns what to ask the store for: one more than is shown, to learn whether there is another page.
    pub fn page(&self) -> Page {
        Page { after: self.after.clone(), limit: self.size + 1 }
    }

    /// Cuts `items` to the page and returns the token of the next one, empty if there is none.
    pub fn cut<M: Message>(&self, items: &mut Vec<M>, name: impl Fn(&M) -> &str) -> String {
        let mut bytes = 0;
        let fits = |item: &M| {
            bytes += item.encoded_len();
            bytes <= PAGE_BYTES
        };
        let shown = items.iter().take(self.size as usize).map(fits).take_while(|fits| *fits).count().max(1);
        if items.len() <= shown {
            return String::new();
        }
        items.truncate(shown);
        let id = |last: &M| name(last).rsplit('/').next().unwrap_or_default().to_owned();
        items.last().map(|last| format!("{}{}", self.digest, id(last))).unwrap_or_default()
    }
}

fn digest(scope: &[&str]) -> String {
    let mut hash = Sha256::new();
    for part in scope {
        hash.update((part.len() as u64).to_le_bytes());
        hash.update(part.as_bytes());
    }
    hash.finalize().iter().take(DIGEST_BYTES).map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use fitup_proto::v1;

    use super::*;

    fn listing(scope: &[&str], size: i32, token: &str) -> Option<(Option<String>, u32)> {
        Listing::new(scope, size, token).ok().map(|listing| (listing.page().after, listing.page().limit))
    }

    #[test]
    fn sizes_have_a_default_and_a_largest() {
        assert_eq!(listing(&["a"], 0, ""), Some((None, 51)));
        assert_eq!(listing(&["a"], 7, ""), Some((None, 8)));
        assert_eq!(listing(&["a"], i32::MAX, ""), Some((None, 501)));
        assert_eq!(listing(&["a"], -1, ""), None);
    }

    fn orders(ids: &[&str], note: &str) -> Vec<v1::Order> {
        let order =
            |id: &&str| v1::Order { name: format!("shops/a/orders/{id}"), note: note.into(), ..Default::default() };
        ids.iter().map(order).collect()
    }

    #[test]
    fn a_token_leads_on_in_its_own_list_only() {
        let mut items = orders(&["a", "b", "c"], "");
        let token = Listing::new(&["orders", "shop"], 2, "").unwrap().cut(&mut items, |item| &item.name);
        assert_eq!(items, orders(&["a", "b"], ""));
        assert_eq!(listing(&["orders", "shop"], 2, &token), Some((Some("b".into()), 3)));
        assert_eq!(listing(&["orders", "other"], 2, &token), None);
        assert_eq!(listing(&["ordersshop"], 2, &token), None);
        assert_eq!(listing(&["orders", "shop"], 2, &token[1..]), None);
        assert_eq!(listing(&["orders", "shop"], 2, "rubbish"), None);
    }

    #[test]
    fn the_last_page_has_no_token() {
        let mut items = orders(&["a", "b"], "");
        assert_eq!(Listing::new(&["x"], 2, "").unwrap().cut(&mut items, |item| &item.name), "");
        assert_eq!(items.len(), 2);
    }

    #[test]
    fn large_items_make_short_pages() {
        let check = |bytes, expected| {
            let mut items = orders(&["a", "b", "c"], &"x".repeat(bytes));
            let token = Listing::new(&["x"], 3, "").unwrap().cut(&mut items, |item| &item.name);
            assert_eq!((items.len(), token.is_empty()), (expected, expected == 3), "{bytes}");
        };
        check(PAGE_BYTES / 4, 3);
        check(PAGE_BYTES / 3, 2);
        check(PAGE_BYTES * 2, 1);
    }
}
