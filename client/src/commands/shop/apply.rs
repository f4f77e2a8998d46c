//! `fitup shop apply`.

use clap::Args;
use fitup_proto::v1;
use prost_types::FieldMask;
use tonic::{Code, Status};

use super::changes::{Change, changes};
use crate::cli::Context;
use crate::connect::request_id;
use crate::error::{Failure, field_violations};
use crate::file::shop::{ShopFile, read_shop};
use crate::file::{Source, join_faults};
use crate::{json, names};

/// Enter a shop from a file, or change what differs from the file
#[derive(Debug, Args)]
pub struct ApplyArgs {
    /// The file; `-` is standard input
    file: String,
    /// Id of the shop; without it that in the file
    #[arg(long)]
    id: Option<String>,
    /// Say what would change, and change nothing
    #[arg(long)]
    dry_run: bool,
}

impl ApplyArgs {
    /// Reads, checks and applies the file.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let source = Source::open(&self.file)?;
        let file = read_shop(&source);
        let id = self.id.clone().unwrap_or_else(|| file.id.clone());
        if id.is_empty() && file.faults.is_empty() {
            return Err(Failure::usage(format!("{} does not say which shop it is", source.name))
                .hint("add id = \"...\" under [shop], or say --id ID"));
        }
        let refuse = |status: &Status| refusal(&source, &file, status);
        // A file that is no TOML at all leaves the message empty: there is nothing to ask the server.
        if id.is_empty() || file.shop == v1::Shop::default() {
            return Err(Failure::faults(&source.name, &file.faults));
        }
        let current = match get(context, &id).await {
            Ok(shop) => Some(shop),
            Err(status) if status.code() == Code::NotFound => None,
            Err(status) => return Err(refuse(&status)),
        };
        let wanted = match &current {
            None => create(context, &id, &file.shop, true).await,
            Some(current) => update(context, &file.shop, current, ALL.iter().copied(), true).await,
        };
        let wanted = wanted.map_err(|status| refuse(&status))?;
        if !file.faults.is_empty() {
            return Err(Failure::faults(&source.name, &file.faults));
        }
        let Some(current) = current else {
            if !self.dry_run {
                create(context, &id, &file.shop, false).await?;
            }
            report(context, &id, None, self.dry_run);
            return Ok(());
        };
        let changes = changes(&current, &wanted);
        if !changes.is_empty() && !self.dry_run {
            let fields = changes.iter().map(|change| change.field);
            update(context, &file.shop, &current, fields, false).await?;
        }
        report(context, &id, Some(&changes), self.dry_run);
        Ok(())
    }
}

/// The fields that a file says.
const ALL: [&str; 10] = [
    "display_name",
    "time_zone",
    "skills",
    "calendars",
    "holidays",
    "bays",
    "equipment",
    "technicians",
    "changeovers",
    "settings",
];

async fn get(context: &Context, id: &str) -> Result<v1::Shop, Status> {
    let request = v1::GetShopRequest { name: names::shop(id) };
    context.link.call(request, async |request| context.link.shops().get_shop(request).await).await
}

async fn create(context: &Context, id: &str, shop: &v1::Shop, validate_only: bool) -> Result<v1::Shop, Status> {
    let request = v1::CreateShopRequest {
        shop_id: id.to_owned(),
        shop: Some(shop.clone()),
        request_id: request_id(),
        validate_only,
    };
    context.link.call(request, async |request| context.link.shops().create_shop(request).await).await
}

/// Changes the fields of `current` to those of `shop`, if it is still the current one.
async fn update(
    context: &Context,
    shop: &v1::Shop,
    current: &v1::Shop,
    fields: impl Iterator<Item = &'static str>,
    validate_only: bool,
) -> Result<v1::Shop, Status> {
    let mut paths: Vec<String> = fields.map(str::to_owned).collect();
    paths.dedup();
    let shop = v1::Shop { name: current.name.clone(), etag: current.etag.clone(), ..shop.clone() };
    let request = v1::UpdateShopRequest {
        shop: Some(shop),
        update_mask: Some(FieldMask { paths }),
        request_id: request_id(),
        validate_only,
    };
    context.link.call(request, async |request| context.link.shops().update_shop(request).await).await
}

/// Returns the faults found here and by the server as one failure; or the status as it is, if it is about none.
fn refusal(source: &Source, file: &ShopFile, status: &Status) -> Failure {
    let violations = field_violations(status);
    if violations.is_empty() && file.faults.is_empty() {
        return Failure::from(status.clone());
    }
    let faults = join_faults(source, &file.places, &file.faults, violations, "shop");
    Failure::faults(&source.name, &faults)
}

fn report(context: &Context, id: &str, changes: Option<&[Change]>, dry_run: bool) {
    let output = context.output;
    if output.json {
        return output.object(&json::Applied::new(id, changes, dry_run));
    }
    let would = if dry_run { "would be " } else { "" };
    match changes {
        None => output.text(&format!("shop {id} {would}entered")),
        Some([]) => output.text(&format!("shop {id}: nothing differs")),
        Some(changes) => {
            output.text(&format!("shop {id} {would}changed"));
            for change in changes {
                output.text(&format!("  {change}"));
            }
        }
    }
}
