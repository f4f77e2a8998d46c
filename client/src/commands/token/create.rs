//! `fitup token create`.

use clap::Args;
use fitup_proto::v1;

use super::{Role, day, role, shops};
use crate::cli::Context;
use crate::connect::request_id;
use crate::error::{Failure, Kind};
use crate::{json, names};

/// Make a token; its secret is printed this once, alone on standard output
#[derive(Debug, Args)]
pub struct CreateArgs {
    /// Who has it, for people
    #[arg(long, value_name = "TEXT")]
    name: String,
    /// What its bearer may do
    #[arg(long, value_name = "ROLE")]
    role: Role,
    /// Shops that it is for; without them the shop to work on
    #[arg(long, value_name = "ID", value_delimiter = ',', conflicts_with = "all_shops")]
    shops: Vec<String>,
    /// It is for all shops, those of the future too
    #[arg(long)]
    all_shops: bool,
    /// Days after which it expires
    #[arg(long, value_name = "COUNT", default_value_t = 365, value_parser = clap::value_parser!(i64).range(1..=1830))]
    days: i64,
}

impl CreateArgs {
    /// Makes it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let named = match (self.all_shops, self.shops.is_empty()) {
            (true, _) => Vec::new(),
            (false, true) => vec![context.shop_id().await?],
            (false, false) => self.shops,
        };
        let token = v1::Token {
            display_name: self.name,
            role: v1::token::Role::from(self.role).into(),
            shops: named.iter().map(|shop| names::shop(shop)).collect(),
            all_shops: self.all_shops,
            ..Default::default()
        };
        let lifetime = Some(prost_types::Duration { seconds: self.days * 86_400, nanos: 0 });
        let request = v1::CreateTokenRequest { token: Some(token), request_id: request_id(), lifetime };
        let answer =
            context.link.call(request, async |request| context.link.tokens().create_token(request).await).await?;
        let token = answer.token.unwrap_or_default();
        if answer.secret.is_empty() {
            // The first answer got lost on its way, and the secret with it.
            let id = names::last(&token.name);
            return Err(Failure::new(Kind::NoAnswer, format!("token {id} was made, but its secret got lost"))
                .hint(format!("revoke it with `fitup token revoke {id}` and make another")));
        }
        if context.output.json {
            context.output.object(&json::Token::from(&token).with_secret(answer.secret));
            return Ok(());
        }
        context.output.text(&answer.secret);
        let id = names::last(&token.name);
        context.output.note(&format!(
            "token {id} for {}: {} of {}, until {}; its secret is told this once",
            token.display_name,
            role(&token),
            shops(&token),
            day(token.expire_time.as_ref())
        ));
        Ok(())
    }
}
