//! Dense typed keys, so that the index of a bay cannot reach into the technicians.

use std::fmt;
use std::marker::PhantomData;
use std::ops::{Index, IndexMut};

/// A key into one kind of [`KeyedVec`].
pub trait Key: Copy + Eq + Ord + fmt::Debug {
    /// Returns the key of the element at `index`.
    fn from_index(index: usize) -> Self;
    /// Returns the position of the element.
    fn index(self) -> usize;
}

macro_rules! keys {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(u32);

        impl Key for $name {
            fn from_index(index: usize) -> Self {
                $name(u32::try_from(index).expect("no problem has 2^32 elements"))
            }
            fn index(self) -> usize {
                self.0 as usize
            }
        }
    )*};
}

keys! {
    /// A calendar of a problem.
    CalendarId,
    /// A skill of a problem.
    SkillId,
    /// A bay class of a problem.
    BayClassId,
    /// A bay of a problem.
    BayId,
    /// A pool of equipment of a problem.
    EquipmentId,
    /// A technician of a problem.
    TechnicianId,
    /// A family of visits of a problem, between which a bay needs a changeover.
    FamilyId,
    /// A car (repair order) of a problem.
    CarId,
    /// A visit of a problem.
    VisitId,
    /// An operation of a problem.
    OperationId,
}

/// A vector that only its own kind of key can index.
#[derive(Clone, PartialEq, Eq)]
pub struct KeyedVec<K, V> {
    values: Vec<V>,
    key: PhantomData<fn(K)>,
}

impl<K: Key, V> KeyedVec<K, V> {
    /// Returns an empty vector.
    pub fn new() -> Self {
        Vec::new().into()
    }

    /// Returns `count` copies of `value`.
    pub fn filled(value: V, count: usize) -> Self
    where
        V: Clone,
    {
        vec![value; count].into()
    }

    /// Appends `value` and returns its key.
    pub fn push(&mut self, value: V) -> K {
        self.values.push(value);
        K::from_index(self.values.len() - 1)
    }

    /// Returns the number of elements.
    pub fn len(&self) -> usize {
        self.values.len()
    }

    /// Tells whether there is no element.
    pub fn is_empty(&self) -> bool {
        self.values.is_empty()
    }

    /// Returns the element of `key`, if there is one.
    pub fn get(&self, key: K) -> Option<&V> {
        self.values.get(key.index())
    }

    /// Tells whether `key` has an element.
    pub fn contains(&self, key: K) -> bool {
        key.index() < self.values.len()
    }

    /// Iterates over all keys in order.
    pub fn keys(&self) -> impl ExactSizeIterator<Item = K> + DoubleEndedIterator + use<K, V> {
        (0..self.values.len()).map(K::from_index)
    }

    /// Iterates over keys and elements in order.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = (K, &V)> + DoubleEndedIterator {
        self.values.iter().enumerate().map(|(index, value)| (K::from_index(index), value))
    }

    /// Iterates over the elements in order.
    pub fn values(&self) -> std::slice::Iter<'_, V> {
        self.values.iter()
    }
}

impl<K: Key, V> Default for KeyedVec<K, V> {
    fn default() -> Self {
        Self::new()
    }
}

impl<K, V> From<Vec<V>> for KeyedVec<K, V> {
    fn from(values: Vec<V>) -> Self {
        KeyedVec { values, key: PhantomData }
    }
}

impl<K, V> FromIterator<V> for KeyedVec<K, V> {
    fn from_iter<I: IntoIterator<Item = V>>(values: I) -> Self {
        values.into_iter().collect::<Vec<_>>().into()
    }
}

impl<K: Key, V> Index<K> for KeyedVec<K, V> {
    type Output = V;
    fn index(&self, key: K) -> &V {
        &self.values[key.index()]
    }
}

impl<K: Key, V> IndexMut<K> for KeyedVec<K, V> {
    fn index_mut(&mut self, key: K) -> &mut V {
        &mut self.values[key.index()]
    }
}

impl<K, V: fmt::Debug> fmt::Debug for KeyedVec<K, V> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_list().entries(&self.values).finish()
    }
}
