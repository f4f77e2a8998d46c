//! What the tests share: problems made by hand, by chance or as published, and slow answers to hold the fast ones against.

pub mod access;
pub mod draft;
pub mod duality;
pub mod exhaustive;
pub mod instances;
pub mod monitor;
pub mod naive;
pub mod planning;
pub mod server;
pub mod shops;
