//! The first token, which nobody can ask the service for: made in the database itself, by whoever may write there.

use std::path::PathBuf;

use fitup_store::{Change, NewToken, Role, Scope, TokenRecord};
use jiff::{SignedDuration, Timestamp};

use crate::access::secret::Secret;
use crate::config::PostgresUrl;
use crate::convert::names;
use crate::serve::{ServeError, open_store};
use crate::token_service::new_id;

/// Stands in the audit trail.
const ACTOR: &str = "fitupd token create";

/// Make a token in the database itself, such as the first one; its secret is printed once
///
/// The service may run meanwhile. Further tokens are made with `fitup token create`.
#[derive(Debug, Clone, clap::Args)]
pub struct FirstToken {
    /// Who has it, for people
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    name: String,

    /// What its bearer may do: manager, service-writer, dispatcher, technician or screen
    #[arg(long, value_name = "ROLE", default_value = "manager", value_parser = role)]
    role: Role,

    /// A shop that it is for, also one that does not exist yet; without any it is for all shops
    #[arg(long = "shop", value_name = "ID", value_parser = shop)]
    shops: Vec<String>,

    /// Days after which it expires
    #[arg(long, value_name = "N", default_value_t = 365, value_parser = clap::value_parser!(i64).range(1..=1830))]
    days: i64,

    /// Folder of the database, as for the service
    #[arg(long, env = "FITUPD_DATA", value_name = "DIR", default_value = "fitup-data")]
    data: PathBuf,

    /// PostgreSQL database, as for the service
    #[arg(long, env = "FITUPD_DATABASE", value_name = "URL", hide_env_values = true, value_parser = PostgresUrl)]
    database: Option<String>,
}

/// Why there is no token.
#[derive(Debug, thiserror::Error)]
pub enum FirstTokenError {
    /// The database cannot be opened.
    #[error(transparent)]
    Open(#[from] ServeError),
    /// The database refuses it.
    #[error("the token cannot be kept")]
    Store(#[from] fitup_store::Error),
    /// The system gives no random numbers.
    #[error("there are no random numbers: {0}")]
    Random(getrandom::Error),
}

impl FirstToken {
    /// Makes the token and returns it with its secret.
    ///
    /// # Errors
    /// If the database cannot be opened or written to.
    pub async fn make(self, now: Timestamp) -> Result<(TokenRecord, Secret), FirstTokenError> {
        let store = open_store(self.database.as_deref(), &self.data).await?;
        let secret = Secret::draw().map_err(FirstTokenError::Random)?;
        let token = NewToken {
            id: new_id(),
            display_name: self.name,
            role: self.role,
            scope: if self.shops.is_empty() { Scope::All } else { Scope::Shops(self.shops.into_iter().collect()) },
            digest: secret.digest(),
            expire_time: now.saturating_add(SignedDuration::from_hours(self.days * 24)).unwrap_or(Timestamp::MAX),
        };
        let change = Change { at: now, actor: ACTOR.into(), origin: None, request: None };
        let made = store.create_token(&change, token, Box::new(|_| Vec::new())).await?;
        store.close().await;
        let made = made.fresh().expect("a change without a request is no repeat");
        Ok((made, secret))
    }
}

fn role(text: &str) -> Result<Role, String> {
    let known = || Role::ALL.map(|role| role.word().replace('_', "-")).join(", ");
    Role::of(&text.replace('-', "_")).ok_or_else(|| format!("use one of {}", known()))
}

fn shop(text: &str) -> Result<String, String> {
    names::check_id(text, "shop").map(|()| text.to_owned()).map_err(|fault| fault.message)
}

fn one_line(text: &str) -> Result<String, String> {
    let text = text.trim();
    let is_good = (1..=100).contains(&text.chars().count()) && !text.chars().any(char::is_control);
    if is_good { Ok(text.to_owned()) } else { Err("use one line of at most 100 characters".into()) }
}
