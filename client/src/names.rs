//! Names of resources on the server.

/// Returns the name of a shop.
pub fn shop(shop: &str) -> String {
    format!("shops/{shop}")
}

/// Returns the name of an order.
pub fn order(shop: &str, order: &str) -> String {
    format!("shops/{shop}/orders/{order}")
}

/// Returns the name of a hold.
pub fn hold(shop: &str, hold: &str) -> String {
    format!("shops/{shop}/holds/{hold}")
}

/// Returns the name of a plan; `-` is the published one, and if there is none the latest.
pub fn plan(shop: &str, plan: &str) -> String {
    format!("shops/{shop}/plans/{plan}")
}

/// Returns the name of a plan run.
pub fn plan_run(shop: &str, run: &str) -> String {
    format!("shops/{shop}/planRuns/{run}")
}

/// Returns the name of what an order was made from.
pub fn take_in(shop: &str, order: &str) -> String {
    format!("shops/{shop}/orders/{order}/takeIn")
}

/// Returns the name of the rule book of a shop.
pub fn rule_book(shop: &str) -> String {
    format!("shops/{shop}/ruleBook")
}

/// Returns the id at the end of a name.
pub fn last(name: &str) -> &str {
    name.rsplit('/').next().unwrap_or(name)
}
