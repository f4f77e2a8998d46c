//! The entries of a JSON object by their names, where a name that stands twice is refused.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fmt;
use std::marker::PhantomData;

use serde::de::{Deserialize, Deserializer, Error, MapAccess, Visitor};

/// Values by name; serde's own maps would take the last of two in silence.
pub(super) struct Entries<T>(pub BTreeMap<String, T>);

impl<T> Default for Entries<T> {
    fn default() -> Self {
        Entries(BTreeMap::new())
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Entries<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_map(Collect(PhantomData))
    }
}

struct Collect<T>(PhantomData<T>);

impl<'de, T: Deserialize<'de>> Visitor<'de> for Collect<T> {
    type Value = Entries<T>;

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("an object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut access: A) -> Result<Entries<T>, A::Error> {
        let mut entries = BTreeMap::new();
        while let Some((name, value)) = access.next_entry()? {
            match entries.entry(name) {
                Entry::Vacant(place) => drop(place.insert(value)),
                Entry::Occupied(place) => return Err(A::Error::custom(format!("\"{}\" stands twice", place.key()))),
            }
        }
        Ok(Entries(entries))
    }
}
