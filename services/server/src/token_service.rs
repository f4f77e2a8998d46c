//! Tokens: made, listed, revoked.

use std::sync::Arc;

use fitup_proto::v1;
use fitup_proto::v1::token_service_server::TokenService;
use fitup_store::{Answer, NewToken, Scope, Store};
use tonic::{Request, Response, Status};
use uuid::Uuid;

use crate::access;
use crate::access::secret::Secret;
use crate::clock::Clock;
use crate::convert::token;
use crate::error::Error;
use crate::page::Listing;
use crate::request::{change, encode, message};
use crate::shop_service::required;

/// Gives tokens out.
pub struct Tokens {
    /// Where they are kept, as far as the caller sees.
    pub store: Arc<dyn Store>,
    /// When they are made and expire.
    pub clock: Clock,
}

#[tonic::async_trait]
impl TokenService for Tokens {
    async fn create_token(
        &self,
        request: Request<v1::CreateTokenRequest>,
    ) -> Result<Response<v1::CreateTokenResponse>, Status> {
        let change = change(&request, &self.clock)?;
        let request = request.into_inner();
        let asked = required(request.token, "token").map_err(Error::from)?;
        let asked = token::read(&asked, request.lifetime.as_ref(), change.at).map_err(Error::from)?;
        if !access::caller().is_some_and(|caller| caller.scope.covers(&asked.scope)) {
            return Err(Error::ShopForbids.into());
        }
        let secret = Secret::draw().map_err(|error| Error::Bug(format!("no random numbers: {error}")))?;
        let new = NewToken {
            id: new_id(),
            display_name: asked.display_name,
            role: asked.role,
            scope: asked.scope,
            digest: secret.digest(),
            expire_time: asked.expire_time,
        };
        // What is kept for a repeat is without the secret.
        let write = |record: &_| v1::CreateTokenResponse { token: Some(token::write(record)), secret: String::new() };
        let answer = self.store.create_token(&change, new, encode(write)).await.map_err(Error::from)?;
        let secret = if matches!(answer, Answer::Fresh(_)) { secret.text() } else { String::new() };
        Ok(Response::new(v1::CreateTokenResponse { secret, ..message(answer, write)? }))
    }

    async fn list_tokens(
        &self,
        request: Request<v1::ListTokensRequest>,
    ) -> Result<Response<v1::ListTokensResponse>, Status> {
        let request = request.into_inner();
        let listing = Listing::new(&["ListTokens"], request.page_size, &request.page_token)?;
        let records = self.store.list_tokens(&Scope::All, listing.page()).await.map_err(Error::from)?;
        let mut tokens: Vec<v1::Token> = records.iter().map(token::write).collect();
        let next_page_token = listing.cut(&mut tokens, |token| &token.name);
        Ok(Response::new(v1::ListTokensResponse { tokens, next_page_token }))
    }

    async fn revoke_token(&self, request: Request<v1::RevokeTokenRequest>) -> Result<Response<v1::Token>, Status> {
        let change = change(&request, &self.clock)?;
        let id = token::parse_name(&request.get_ref().name).map_err(Error::from)?;
        let answer = self.store.revoke_token(&change, &id, &Scope::All, encode(token::write)).await;
        Ok(Response::new(message(answer.map_err(Error::from)?, token::write)?))
    }
}

/// Returns an id for a new token: by chance, so that it tells nothing of the tokens of other shops.
pub fn new_id() -> String {
    Uuid::new_v4().simple().to_string()[..12].to_owned()
}
