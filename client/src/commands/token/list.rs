//! `fitup token list`.

use clap::Args;
use fitup_proto::v1;

use super::{day, role, shops};
use crate::cli::Context;
use crate::error::Failure;
use crate::output::columns;
use crate::{json, names};

/// List the tokens that are for no other shops than yours
#[derive(Debug, Args)]
pub struct ListArgs {}

impl ListArgs {
    /// Prints a line for each.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let mut page_token = String::new();
        let mut rows = vec![["id", "for", "role", "shops", "until", "revoked"].map(str::to_owned).to_vec()];
        loop {
            let request = v1::ListTokensRequest { page_size: 500, page_token };
            let page = context.link.call(request, async |request| context.link.tokens().list_tokens(request).await);
            let page = page.await?;
            for token in &page.tokens {
                if context.output.json {
                    context.output.object(&json::Token::from(token));
                    continue;
                }
                rows.push(vec![
                    names::last(&token.name).to_owned(),
                    token.display_name.clone(),
                    role(token),
                    shops(token),
                    day(token.expire_time.as_ref()),
                    day(token.revoke_time.as_ref()),
                ]);
            }
            page_token = page.next_page_token;
            if page_token.is_empty() {
                break;
            }
        }
        if !context.output.json && rows.len() > 1 {
            context.output.text(&columns(&rows));
        } else if !context.output.json {
            context.output.note("there is no token yet; make one with `fitup token create`");
        }
        Ok(())
    }
}
