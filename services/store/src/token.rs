//! Bearer tokens: who may call, as what, and for which shops.

use std::collections::BTreeSet;

use jiff::Timestamp;

/// What the bearer of a token may do; the server says which calls those are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// Runs the shop, and gives tokens out.
    Manager,
    /// Talks with customers and enters repair orders.
    ServiceWriter,
    /// Plans and publishes.
    Dispatcher,
    /// Works on the floor.
    Technician,
    /// Hangs on a wall, and only shows.
    Screen,
}

impl Role {
    /// All roles.
    pub const ALL: [Role; 5] = [Role::Manager, Role::ServiceWriter, Role::Dispatcher, Role::Technician, Role::Screen];

    /// Returns the word that stands in the database and on the command line.
    pub const fn word(self) -> &'static str {
        match self {
            Role::Manager => "manager",
            Role::ServiceWriter => "service_writer",
            Role::Dispatcher => "dispatcher",
            Role::Technician => "technician",
            Role::Screen => "screen",
        }
    }

    /// Returns the role of a word.
    pub fn of(word: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|role| role.word() == word)
    }
}

/// Which shops somebody may see at all.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Scope {
    /// All, those of the future too.
    All,
    /// Those with these ids.
    Shops(BTreeSet<String>),
}

impl Scope {
    /// Tells whether a shop is one of them.
    pub fn has(&self, shop: &str) -> bool {
        match self {
            Scope::All => true,
            Scope::Shops(shops) => shops.contains(shop),
        }
    }

    /// Tells whether all shops of `other` are among them.
    pub fn covers(&self, other: &Scope) -> bool {
        match (self, other) {
            (Scope::All, _) => true,
            (Scope::Shops(_), Scope::All) => false,
            (Scope::Shops(own), Scope::Shops(others)) => others.is_subset(own),
        }
    }
}

/// The digest of a secret, by which its token is found. The secret itself is kept nowhere.
pub type Digest = [u8; 32];

/// A token to be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewToken {
    /// Last part of its name to be. Never used again.
    pub id: String,
    /// For people: who has it.
    pub display_name: String,
    /// What its bearer may do.
    pub role: Role,
    /// Where.
    pub scope: Scope,
    /// SHA-256 of its secret.
    pub digest: Digest,
    /// Nobody gets in with it from then on.
    pub expire_time: Timestamp,
}

/// A token as stored, without what it is found by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TokenRecord {
    /// Last part of its name.
    pub id: String,
    /// For people: who has it.
    pub display_name: String,
    /// What its bearer may do.
    pub role: Role,
    /// Where.
    pub scope: Scope,
    /// When it was made.
    pub create_time: Timestamp,
    /// Nobody gets in with it from then on.
    pub expire_time: Timestamp,
    /// Since when nobody gets in with it, if it was revoked.
    pub revoke_time: Option<Timestamp>,
}
