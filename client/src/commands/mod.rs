//! The commands, `fitup <noun> <verb>`: a module for each noun, an `Args` struct for each verb.

pub mod completions;
pub mod floor;
pub mod history;
pub mod hold;
pub mod load;
pub mod man;
pub mod measures;
pub mod order;
pub mod outline;
pub mod plan;
pub mod quote;
pub mod reference;
pub mod rehearse;
pub mod replan;
pub mod rulebook;
pub mod shop;
pub mod take_in;
pub mod token;
pub mod why;
