//! What asks for caution in the orders of a plan; printed below it.

use std::collections::BTreeMap;

use fitup_proto::v1;
use tonic::Code;

use crate::cli::Context;
use crate::commands::take_in::cautions as write;
use crate::error::Failure;
use crate::names;
use crate::names::last;

/// More operations than this are told by their orders, and more orders by their number.
const MOST_MENTIONS: usize = 6;

/// Returns the cautions of orders in `plan`, each once with the operations that it is about.
pub async fn cautions(context: &Context, shop: &str, plan: &v1::Plan, only: &[String]) -> Result<String, Failure> {
    let request = v1::ListCautionsRequest { parent: names::shop(shop) };
    let answer = context.link.call(request, async |request| context.link.intake().list_cautions(request).await).await;
    let answer = match answer {
        // An older server knows of none.
        Err(status) if status.code() == Code::Unimplemented => return Ok(String::new()),
        answer => answer?,
    };
    let is_shown = |order: &str| {
        plan.orders.iter().any(|planned| planned.order == order)
            && (only.is_empty() || only.iter().any(|id| id == last(order)))
    };
    let mut found: BTreeMap<(String, String), v1::Caution> = BTreeMap::new();
    for of_order in answer.orders.iter().filter(|of_order| is_shown(&of_order.order)) {
        let order = last(&of_order.order);
        for caution in &of_order.cautions {
            let about: Vec<String> = if caution.about.is_empty() {
                vec![order.to_owned()]
            } else {
                caution.about.iter().map(|what| format!("{order} {what}")).collect()
            };
            let key = (caution.rule.clone(), caution.message.clone());
            let kept = found.entry(key).or_insert_with(|| v1::Caution { about: Vec::new(), ..caution.clone() });
            kept.about.extend(about);
        }
    }
    for caution in found.values_mut().filter(|caution| caution.about.len() > MOST_MENTIONS) {
        let mut orders: Vec<String> =
            caution.about.iter().map(|about| about.split(' ').next().unwrap_or_default().to_owned()).collect();
        orders.dedup();
        caution.about = match orders.len() {
            many if many > MOST_MENTIONS => vec![format!("{many} orders")],
            _ => orders,
        };
    }
    Ok(write(found.values(), &answer.last_word, context.output.width))
}
