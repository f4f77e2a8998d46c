//! `fitup order`.

mod add;
mod cancel;
mod change;
mod list;
mod show;
pub mod word;

use clap::Subcommand;
use fitup_proto::v1;
use prost_types::FieldMask;
use tonic::Status;

use crate::cli::Context;
use crate::connect::request_id;
use crate::error::Failure;
use crate::names;

/// Verbs of `fitup order`.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Enter repair orders, from files or from a job outline
    Add(Box<add::AddArgs>),
    /// List the repair orders, a line each
    List(list::ListArgs),
    /// Show a repair order
    Show(show::ShowArgs),
    /// Change a repair order, from a file or by flags
    Change(Box<change::ChangeArgs>),
    /// Cancel a repair order: it stays readable and is in no further plan
    Cancel(cancel::CancelArgs),
}

impl Command {
    /// Does it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::Add(args) => args.run(context).await,
            Self::List(args) => args.run(context).await,
            Self::Show(args) => args.run(context).await,
            Self::Change(args) => args.run(context).await,
            Self::Cancel(args) => args.run(context).await,
        }
    }
}

async fn get(context: &Context, shop: &str, id: &str) -> Result<v1::Order, Status> {
    let request = v1::GetOrderRequest { name: names::order(shop, id) };
    context.link.call(request, async |request| context.link.orders().get_order(request).await).await
}

/// Enters an order, or only checks it.
async fn create(
    context: &Context,
    shop: &str,
    id: &str,
    order: &v1::Order,
    validate_only: bool,
) -> Result<v1::Order, Status> {
    let request = v1::CreateOrderRequest {
        parent: names::shop(shop),
        order_id: id.to_owned(),
        order: Some(order.clone()),
        request_id: request_id(),
        validate_only,
    };
    context.link.call(request, async |request| context.link.orders().create_order(request).await).await
}

/// Changes fields of an order, or only checks the change. The order carries its name and its etag.
async fn update(
    context: &Context,
    order: &v1::Order,
    fields: &[&'static str],
    validate_only: bool,
) -> Result<v1::Order, Status> {
    let request = v1::UpdateOrderRequest {
        order: Some(order.clone()),
        update_mask: Some(FieldMask { paths: fields.iter().map(|field| (*field).to_owned()).collect() }),
        request_id: request_id(),
        validate_only,
    };
    context.link.call(request, async |request| context.link.orders().update_order(request).await).await
}
