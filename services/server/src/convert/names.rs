//! Resource names: `shops/{shop}`, `shops/{shop}/orders/{order}`, `shops/{shop}/plans/{plan}`,
//! `shops/{shop}/planRuns/{plan_run}`, `shops/{shop}/holds/{hold}`.

use fitup_model::Fault;

/// What a shop's own resources are called.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Collection {
    /// Repair orders.
    Orders,
    /// Plans.
    Plans,
    /// Plan runs.
    PlanRuns,
    /// Events of the floor.
    FloorRecords,
    /// Quotes that are held.
    Holds,
}

impl Collection {
    const fn segment(self) -> &'static str {
        match self {
            Collection::Orders => "orders",
            Collection::Plans => "plans",
            Collection::PlanRuns => "planRuns",
            Collection::FloorRecords => "floorRecords",
            Collection::Holds => "holds",
        }
    }

    const fn variable(self) -> &'static str {
        match self {
            Collection::Orders => "order",
            Collection::Plans => "plan",
            Collection::PlanRuns => "plan_run",
            Collection::FloorRecords => "floor_record",
            Collection::Holds => "hold",
        }
    }
}

/// Returns the name of a shop.
pub fn shop(shop: &str) -> String {
    format!("shops/{shop}")
}

/// Returns the name of a resource of a shop.
pub fn child(shop: &str, collection: Collection, id: &str) -> String {
    format!("shops/{shop}/{}/{id}", collection.segment())
}

/// Reads the name of a shop and returns its id.
///
/// # Errors
/// A fault at `field` if it is no such name.
pub fn parse_shop(name: &str, field: &str) -> Result<String, Fault> {
    match name.split('/').collect::<Vec<_>>()[..] {
        ["shops", shop] if is_id(shop) => Ok(shop.to_owned()),
        _ => Err(malformed(name, field, "shops/{shop}")),
    }
}

/// Reads the name of a resource of a shop and returns the ids of both. `-` is no id.
///
/// # Errors
/// A fault at `field` if it is no such name.
pub fn parse_child(name: &str, collection: Collection, field: &str) -> Result<(String, String), Fault> {
    match name.split('/').collect::<Vec<_>>()[..] {
        ["shops", shop, segment, id] if segment == collection.segment() && is_id(shop) && is_id(id) => {
            Ok((shop.to_owned(), id.to_owned()))
        }
        _ => {
            let format = format!("shops/{{shop}}/{}/{{{}}}", collection.segment(), collection.variable());
            Err(malformed(name, field, &format))
        }
    }
}

/// Checks an id that somebody chose.
///
/// # Errors
/// A fault at `field` if it is no id.
pub fn check_id(id: &str, field: &str) -> Result<(), Fault> {
    if is_id(id) {
        return Ok(());
    }
    let message =
        format!("{} is no id; use 1 to 63 lower-case letters, digits and inner hyphens, such as \"1042\"", quote(id));
    Err(Fault { path: field.to_owned(), message })
}

fn is_id(id: &str) -> bool {
    let inner = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
    (1..=63).contains(&id.len()) && id.bytes().all(inner) && !id.starts_with('-') && !id.ends_with('-')
}

fn malformed(name: &str, field: &str, format: &str) -> Fault {
    Fault { path: field.to_owned(), message: format!("{} has not the format {format}", quote(name)) }
}

/// Returns `text` in quotes, shortened so that messages stay readable.
fn quote(text: &str) -> String {
    let short: String = text.chars().take(80).collect();
    if short.len() < text.len() { format!("{:?}", short + "...") } else { format!("{text:?}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_shops() {
        let check = |name: &str, expected: Option<&str>| assert_eq!(parse_shop(name, "name").ok().as_deref(), expected);
        check("shops/main-st", Some("main-st"));
        check("shops/7", Some("7"));
        check("shops/", None);
        check("shops/-", None);
        check("shops/Main", None);
        check("shops/a-", None);
        check("shops/a/b", None);
        check("/shops/a", None);
        check("shop/a", None);
        check("", None);
        check(&format!("shops/{}", "a".repeat(64)), None);
    }

    #[test]
    fn names_of_orders() {
        let check = |name: &str, expected: Option<(&str, &str)>| {
            let found = parse_child(name, Collection::Orders, "name").ok();
            assert_eq!(found.as_ref().map(|(shop, order)| (shop.as_str(), order.as_str())), expected);
        };
        check("shops/a/orders/1042", Some(("a", "1042")));
        check(&child("a", Collection::Orders, "1042"), Some(("a", "1042")));
        check("shops/a/plans/1042", None);
        check("shops/a/orders/", None);
        check("shops/a/orders/-", None);
        check("shops/-/orders/1042", None);
        check("shops/a/orders/1042/x", None);
    }

    #[test]
    fn faults_show_the_format_and_not_the_whole_text() {
        let fault = parse_child(&"x".repeat(1_000_000), Collection::PlanRuns, "name").unwrap_err();
        assert!(fault.message.ends_with("has not the format shops/{shop}/planRuns/{plan_run}"), "{fault}");
        assert!(fault.message.len() < 200);
    }
}
