//! Tokens.

use fitup_proto::v1;
use serde::Serialize;

use super::{instant, word};
use crate::names::last;

/// A token, with its secret when it is made.
#[derive(Debug, Serialize)]
pub struct Token {
    id: String,
    name: String,
    role: String,
    /// `null` means all.
    shops: Option<Vec<String>>,
    created: Option<String>,
    expires: Option<String>,
    revoked: Option<String>,
    /// What to send; only there when it is made.
    #[serde(skip_serializing_if = "Option::is_none")]
    secret: Option<String>,
}

impl Token {
    /// Adds the secret.
    pub fn with_secret(self, secret: String) -> Self {
        Self { secret: Some(secret), ..self }
    }
}

impl From<&v1::Token> for Token {
    fn from(token: &v1::Token) -> Self {
        let shops = || token.shops.iter().map(|shop| last(shop).to_owned()).collect();
        Self {
            id: last(&token.name).to_owned(),
            name: token.display_name.clone(),
            role: word(token.role().as_str_name(), "ROLE_"),
            shops: (!token.all_shops).then(shops),
            created: instant(token.create_time.as_ref()),
            expires: instant(token.expire_time.as_ref()),
            revoked: instant(token.revoke_time.as_ref()),
            secret: None,
        }
    }
}
