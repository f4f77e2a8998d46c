//! Tokens.

use std::collections::BTreeSet;

use fitup_model::Fault;
use fitup_proto::v1;
use fitup_proto::v1::token::Role as ProtoRole;
use fitup_store::{Role, Scope, TokenRecord};
use jiff::{SignedDuration, Timestamp};

use super::names;
use super::to_instant;

/// No token is good for longer: five years.
const LONGEST_SECONDS: i64 = 5 * 366 * 86_400;
const LONGEST_NAME: usize = 100;
const MOST_SHOPS: usize = 1000;

/// What somebody asks a token for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// Who has it.
    pub display_name: String,
    /// What its bearer may do.
    pub role: Role,
    /// Where.
    pub scope: Scope,
    /// Until when.
    pub expire_time: Timestamp,
}

/// Reads a token to be made at `now`, for so long.
///
/// # Errors
/// All faults at once.
pub fn read(token: &v1::Token, lifetime: Option<&prost_types::Duration>, now: Timestamp) -> Result<Asked, Vec<Fault>> {
    let mut faults = Vec::new();
    let mut fault = |path: &str, message: String| faults.push(Fault { path: format!("token.{path}"), message });
    let display_name = token.display_name.trim();
    if display_name.is_empty() {
        fault("display_name", "is required".into());
    } else if display_name.chars().count() > LONGEST_NAME || display_name.chars().any(char::is_control) {
        fault("display_name", format!("must be one line of at most {LONGEST_NAME} characters"));
    }
    let role = match token.role() {
        ProtoRole::Unspecified => {
            fault("role", "is required, and one of those known here".into());
            Role::Screen
        }
        ProtoRole::Manager => Role::Manager,
        ProtoRole::ServiceWriter => Role::ServiceWriter,
        ProtoRole::Dispatcher => Role::Dispatcher,
        ProtoRole::Technician => Role::Technician,
        ProtoRole::Screen => Role::Screen,
    };
    let mut shops = BTreeSet::new();
    for (index, name) in token.shops.iter().take(MOST_SHOPS).enumerate() {
        match names::parse_shop(name, &format!("shops[{index}]")) {
            Ok(shop) => drop(shops.insert(shop)),
            Err(found) => fault(&found.path, found.message),
        }
    }
    match (token.all_shops, token.shops.len()) {
        (true, 1..) => fault("shops", "must be empty if all_shops is set".into()),
        (false, 0) => fault("shops", "names no shop; name some, or set all_shops".into()),
        (_, count) if count > MOST_SHOPS => fault("shops", format!("are {count}, and at most {MOST_SHOPS} are taken")),
        _ => {}
    }
    let (mut seconds, nanos) = lifetime.map_or((0, 0), |lifetime| (lifetime.seconds, lifetime.nanos));
    if lifetime.is_none() {
        faults.push(Fault { path: "lifetime".into(), message: "is required".into() });
    } else if seconds < 1 || nanos != 0 || seconds > LONGEST_SECONDS {
        let message = format!("must be whole seconds, 1 to {LONGEST_SECONDS} (five years)");
        faults.push(Fault { path: "lifetime".into(), message });
        seconds = 1;
    }
    let expire_time = now.saturating_add(SignedDuration::from_secs(seconds)).unwrap_or(Timestamp::MAX);
    if !faults.is_empty() {
        return Err(faults);
    }
    let scope = if token.all_shops { Scope::All } else { Scope::Shops(shops) };
    Ok(Asked { display_name: display_name.to_owned(), role, scope, expire_time })
}

/// Writes a token.
pub fn write(record: &TokenRecord) -> v1::Token {
    let role = match record.role {
        Role::Manager => ProtoRole::Manager,
        Role::ServiceWriter => ProtoRole::ServiceWriter,
        Role::Dispatcher => ProtoRole::Dispatcher,
        Role::Technician => ProtoRole::Technician,
        Role::Screen => ProtoRole::Screen,
    };
    let shops = match &record.scope {
        Scope::All => Vec::new(),
        Scope::Shops(shops) => shops.iter().map(|shop| names::shop(shop)).collect(),
    };
    v1::Token {
        name: name(&record.id),
        display_name: record.display_name.clone(),
        role: role.into(),
        shops,
        all_shops: record.scope == Scope::All,
        create_time: Some(to_instant(record.create_time)),
        expire_time: Some(to_instant(record.expire_time)),
        revoke_time: record.revoke_time.map(to_instant),
    }
}

/// Returns the name of a token.
pub fn name(token: &str) -> String {
    format!("tokens/{token}")
}

/// Reads the name of a token and returns its id.
///
/// # Errors
/// A fault of `name` if it is no such name.
pub fn parse_name(name: &str) -> Result<String, Fault> {
    let id = name.strip_prefix("tokens/").filter(|id| names::check_id(id, "name").is_ok());
    id.map(str::to_owned)
        .ok_or_else(|| Fault { path: "name".into(), message: "has not the format tokens/{token}".into() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(change: impl FnOnce(&mut v1::Token, &mut Option<prost_types::Duration>)) -> Result<Asked, Vec<String>> {
        let mut token = v1::Token {
            display_name: " front desk ".into(),
            role: ProtoRole::ServiceWriter.into(),
            shops: vec!["shops/b".into(), "shops/a".into()],
            ..Default::default()
        };
        let mut lifetime = Some(prost_types::Duration { seconds: 1000, nanos: 0 });
        change(&mut token, &mut lifetime);
        let faults = |faults: Vec<Fault>| faults.into_iter().map(|fault| fault.path).collect();
        read(&token, lifetime.as_ref(), Timestamp::UNIX_EPOCH).map_err(faults)
    }

    #[test]
    fn a_good_token_is_read() {
        let token = asked(|_, _| {}).unwrap();
        assert_eq!((token.display_name.as_str(), token.role), ("front desk", Role::ServiceWriter));
        assert_eq!(token.scope, Scope::Shops(["a", "b"].map(str::to_owned).into()));
        assert_eq!(token.expire_time.as_second(), 1000);
        let all = asked(|token, _| (token.shops, token.all_shops) = (vec![], true)).unwrap();
        assert_eq!(all.scope, Scope::All);
    }

    #[test]
    fn all_faults_are_told() {
        let all = asked(|token, lifetime| (*token, *lifetime) = (v1::Token::default(), None)).unwrap_err();
        assert_eq!(all, ["token.display_name", "token.role", "token.shops", "lifetime"]);
        let check = |change: fn(&mut v1::Token, &mut Option<prost_types::Duration>), expected: &str| {
            assert_eq!(asked(change).unwrap_err(), [expected]);
        };
        check(|token, _| token.display_name = "x".repeat(101), "token.display_name");
        check(|token, _| token.display_name = "a\nb".into(), "token.display_name");
        check(|token, _| token.role = 77, "token.role");
        check(|token, _| token.shops[1] = "main".into(), "token.shops[1]");
        check(|token, _| token.all_shops = true, "token.shops");
        check(|token, _| token.shops = vec!["shops/a".into(); 1001], "token.shops");
        check(|_, lifetime| lifetime.as_mut().unwrap().seconds = 0, "lifetime");
        check(|_, lifetime| lifetime.as_mut().unwrap().nanos = 1, "lifetime");
        check(|_, lifetime| lifetime.as_mut().unwrap().seconds = i64::MAX, "lifetime");
    }
}
