//! The contract of fitup: messages, client and server of package `fitup.v1`. Generated, nothing written by hand.

/// Version 1.
pub mod v1 {
    #![allow(missing_docs, clippy::all, clippy::pedantic)]
    tonic::include_proto!("fitup.v1");

    /// The descriptors of all files, imports included, for server reflection.
    pub const DESCRIPTORS: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/descriptors.bin"));
}
