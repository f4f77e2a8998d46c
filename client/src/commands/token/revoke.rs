//! `fitup token revoke`.

use clap::Args;
use fitup_proto::v1;

use super::role;
use crate::cli::Context;
use crate::connect::request_id;
use crate::error::Failure;
use crate::json;

/// Let nobody in with a token any more
#[derive(Debug, Args)]
pub struct RevokeArgs {
    /// Its id
    #[arg(value_name = "TOKEN")]
    token: String,
}

impl RevokeArgs {
    /// Revokes it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let request = v1::RevokeTokenRequest { name: format!("tokens/{}", self.token), request_id: request_id() };
        let token = context.link.call(request, async |request| context.link.tokens().revoke_token(request).await);
        let token = token.await?;
        if context.output.json {
            context.output.object(&json::Done { id: self.token, done: "revoked" });
        } else {
            let (name, role) = (&token.display_name, role(&token));
            context.output.text(&format!("token {} revoked: {name}, {role}", self.token));
        }
        Ok(())
    }
}
