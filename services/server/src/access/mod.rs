//! Who may call, what they may do and what they see.
//!
//! Read in this order: [`policy`] (which role may call which rpc: the one table), [`mode`] (whether tokens are asked for
//! at all), [`gate`] (the layer before all services: token to [`Caller`], rate, role), [`cut`] (answers under way), [`guard`] (the store as a caller
//! sees it: a foreign shop is one that does not exist), [`secret`] (what a token is), [`rate`], [`tls`] and
//! [`connections`] (what stands before the gate).

pub mod connections;
mod cut;
pub mod gate;
pub mod guard;
pub mod mode;
pub mod policy;
pub mod rate;
pub mod secret;
pub mod tls;

use fitup_store::{Role, Scope};

/// Who makes a call. The gate puts it into the extensions of the request, and around the call for the guard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    /// For the audit trail; each has request ids of their own.
    pub actor: String,
    /// What they may do; `None` may do everything.
    pub role: Option<Role>,
    /// What they see.
    pub scope: Scope,
    /// The address that they call from.
    pub origin: Option<String>,
}

impl Caller {
    /// Returns whoever can reach a server that asks for no tokens.
    pub fn local() -> Caller {
        Caller { actor: "local".into(), role: None, scope: Scope::All, origin: None }
    }
}

tokio::task_local! {
    static CALLER: Caller;
}

/// Returns who makes the call that this task answers; `None` outside of calls, in tasks that a call has spawned too.
pub fn caller() -> Option<Caller> {
    CALLER.try_with(Clone::clone).ok()
}

/// Answers a call for `caller`.
pub async fn within<F: Future>(caller: Caller, call: F) -> F::Output {
    CALLER.scope(caller, call).await
}
