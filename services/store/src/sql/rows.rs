//! What all tables have in common: insertion of many rows, children by parent, conversion of single values.

use std::collections::HashMap;
use std::hash::Hash;

use jiff::Timestamp;
use sqlx::QueryBuilder;
use sqlx::query_builder::Separated;

use super::{Connection, Db};
use crate::error::Error;

/// Rows of one statement. Times the columns of the widest table it stays below SQLite's 32766 parameters.
const CHUNK: usize = 500;

/// A row of values under construction.
pub type Values<'a> = Separated<'a, Db, &'static str>;

/// Inserts `rows` with few statements. `table` says the columns: `bay (shop_id, bay_id)`.
pub async fn insert<T: Sync>(
    connection: &mut Connection,
    table: &str,
    rows: &[T],
    bind: impl Fn(&mut Values<'_>, &T) + Send + Sync,
) -> Result<(), Error> {
    for chunk in rows.chunks(CHUNK) {
        let mut query = QueryBuilder::<Db>::new("insert into ");
        query.push(table).push(" ");
        query.push_values(chunk, |mut values, row| bind(&mut values, row));
        query.build().persistent(false).execute(&mut *connection).await?;
    }
    Ok(())
}

/// Rows by their parent, in the order in which they were read.
pub struct Children<K, T>(HashMap<K, Vec<T>>);

impl<K: Eq + Hash, T> Children<K, T> {
    /// Takes the children of `parent` out.
    pub fn take(&mut self, parent: &K) -> Vec<T> {
        self.0.remove(parent).unwrap_or_default()
    }
}

impl<K: Eq + Hash, T> FromIterator<(K, T)> for Children<K, T> {
    fn from_iter<I: IntoIterator<Item = (K, T)>>(rows: I) -> Children<K, T> {
        let mut children = HashMap::new();
        for (parent, row) in rows {
            children.entry(parent).or_insert_with(Vec::new).push(row);
        }
        Children(children)
    }
}

/// Returns `items` with their positions.
pub fn positions<T>(items: &[T]) -> impl Iterator<Item = (i64, &T)> {
    (0..).zip(items)
}

/// Returns a narrower number.
pub fn number<T: TryFrom<i64>>(value: i64) -> Result<T, Error> {
    T::try_from(value).map_err(|_| Error::Corrupt(format!("number {value} is out of range")))
}

/// Returns a narrower number, if there is one.
pub fn optional_number<T: TryFrom<i64>>(value: Option<i64>) -> Result<Option<T>, Error> {
    value.map(number).transpose()
}

/// Returns an instant as it is stored.
pub fn micros(time: Timestamp) -> i64 {
    time.as_microsecond()
}

/// Returns an instant that was stored.
pub fn instant(micros: i64) -> Result<Timestamp, Error> {
    Timestamp::from_microsecond(micros).map_err(|_| Error::Corrupt(format!("time {micros} is out of range")))
}

/// Returns an instant that was stored, if there is one.
pub fn optional_instant(micros: Option<i64>) -> Result<Option<Timestamp>, Error> {
    micros.map(instant).transpose()
}

/// Returns the words for the variants of an enum, both ways.
macro_rules! words {
    ($type:ty, $to:ident, $from:ident, { $($variant:path = $word:literal),* $(,)? }) => {
        /// Returns the word that is stored for it.
        pub fn $to(value: $type) -> &'static str {
            match value {
                $($variant => $word,)*
            }
        }

        /// Returns what was stored as this word.
        #[allow(dead_code, reason = "some are only written")]
        pub fn $from(word: &str) -> Result<$type, crate::error::Error> {
            match word {
                $($word => Ok($variant),)*
                _ => Err(crate::error::Error::Corrupt(format!("word {word:?} is not known"))),
            }
        }
    };
}

pub(super) use words;
