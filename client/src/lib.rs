//! The command line of fitup.

pub mod file;
pub mod outline;
