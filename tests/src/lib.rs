//! What the tests share: problems made by hand or by chance, and slow answers to hold the fast ones against.

pub mod draft;
pub mod exhaustive;
pub mod naive;
pub mod shops;
