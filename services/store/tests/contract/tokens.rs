//! Bearer tokens.

use fitup_store::{Error, NO_SHOP, NewToken, Page, Role, Scope};

use crate::database::Database;
use crate::facts::{at, change, request, unencoded};

fn scope(shops: &[&str]) -> Scope {
    Scope::Shops(shops.iter().map(|shop| (*shop).to_owned()).collect())
}

fn token(id: &str, digest: u8, scope: Scope) -> NewToken {
    NewToken {
        id: id.into(),
        display_name: format!("till of {id}"),
        role: Role::Dispatcher,
        scope,
        digest: [digest; 32],
        expire_time: at(1000),
    }
}

fn page(after: Option<&str>) -> Page {
    Page { after: after.map(str::to_owned), limit: 100 }
}

pub async fn are_found_by_their_digest<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    for (number, role) in (0..).zip(Role::ALL) {
        let new = NewToken { role, ..token(&format!("t-{number}"), number, scope(&["b", "a"])) };
        let made = store.create_token(&change(1), new.clone(), unencoded()).await.unwrap().fresh().unwrap();
        assert_eq!((made.role, &made.scope, &made.display_name), (role, &new.scope, &new.display_name));
        assert_eq!((made.create_time, made.expire_time, made.revoke_time), (at(1), at(1000), None));
        assert_eq!(store.find_token(&new.digest).await.unwrap(), Some(made));
    }
    assert_eq!(store.find_token(&[9; 32]).await.unwrap(), None);
    let same = store.create_token(&change(1), token("other", 1, Scope::All), unencoded()).await.unwrap_err();
    assert!(matches!(same, Error::Constraint { .. }), "{same}");

    // A repeat makes no second one, and revoking twice is revoking once.
    let twice = async || store.create_token(&request(2, 7, 1), token("once", 77, Scope::All), unencoded()).await;
    assert!(twice().await.unwrap().fresh().is_some());
    assert!(twice().await.unwrap().fresh().is_none());
    let revoke = |seconds| {
        let store = &store;
        async move { store.revoke_token(&change(seconds), "once", &Scope::All, unencoded()).await.unwrap() }
    };
    let revoked = revoke(3).await.fresh().unwrap();
    assert_eq!(revoked.revoke_time, Some(at(3)));
    assert_eq!(revoke(4).await.fresh().unwrap(), revoked);
    assert_eq!(store.find_token(&[77; 32]).await.unwrap(), Some(revoked));
}

pub async fn are_seen_within_a_scope<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let all = [
        ("a", scope(&["a"])),
        ("b", scope(&["b"])),
        ("both", scope(&["a", "b"])),
        ("every", Scope::All),
        ("none", scope(&[])),
    ];
    for (number, (id, scope)) in (0..).zip(all) {
        store.create_token(&change(0), token(id, number, scope), unencoded()).await.unwrap();
    }
    let seen = async |within: &Scope, after| {
        let tokens = store.list_tokens(within, page(after)).await.unwrap();
        tokens.into_iter().map(|token| token.id).collect::<Vec<_>>()
    };
    assert_eq!(seen(&Scope::All, None).await, ["a", "b", "both", "every", "none"]);
    assert_eq!(seen(&Scope::All, Some("both")).await, ["every", "none"]);
    assert_eq!(seen(&scope(&["a", "c"]), None).await, ["a", "none"]);
    assert_eq!(seen(&scope(&["a", "b"]), None).await, ["a", "b", "both", "none"]);
    assert_eq!(seen(&scope(&[]), None).await, ["none"]);
    for foreign in ["b", "both", "every", "nowhere"] {
        let refused = store.revoke_token(&change(1), foreign, &scope(&["a"]), unencoded()).await.unwrap_err();
        assert!(matches!(refused, Error::NotFound { name } if name == format!("tokens/{foreign}")));
    }
    store.revoke_token(&change(1), "both", &scope(&["a", "b", "c"]), unencoded()).await.unwrap();
}

pub async fn are_fixed<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_token(&change(0), token("t", 1, scope(&["a"])), unencoded()).await.unwrap();
    store.revoke_token(&change(1), "t", &Scope::All, unencoded()).await.unwrap();
    let before = store.list_tokens(&Scope::All, page(None)).await.unwrap();
    for (statement, rule) in [
        ("update token set expire_time = expire_time + 1", "token_fixed"),
        ("update token set role = 'manager'", "token_fixed"),
        ("update token set revoke_time = null", "token_revoked_stays"),
        ("delete from token", "token_stays"),
        ("update token_shop set shop_id = 'b'", "token_shop_fixed"),
        ("delete from token_shop", "token_shop_fixed"),
        ("insert into token_shop values ('t', 'Not An Id')", "token_shop_id_format"),
        ("insert into token_shop values ('nobody', 'a')", "foreign key"),
    ] {
        let refused = database.execute(statement).await.unwrap_err();
        assert!(refused.contains(rule), "{statement}: {refused}");
    }
    let odd = |token: NewToken| {
        let store = &store;
        async move { store.create_token(&change(0), token, unencoded()).await.unwrap_err().to_string() }
    };
    let nameless = NewToken { display_name: String::new(), ..token("u", 2, Scope::All) };
    assert!(odd(nameless).await.ends_with("token_display_name_given"));
    let over = NewToken { expire_time: at(0), ..token("u", 2, Scope::All) };
    assert!(odd(over).await.ends_with("token_expires_later"));
    assert_eq!(store.list_tokens(&Scope::All, page(None)).await.unwrap(), before);
}

/// In the trail of each of its shops, without what it is found by.
pub async fn changes_are_told<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_token(&change(0), token("t", 1, scope(&["a", "b"])), unencoded()).await.unwrap();
    store.revoke_token(&change(1), "t", &Scope::All, unencoded()).await.unwrap();
    store.create_token(&change(2), token("every", 2, Scope::All), unencoded()).await.unwrap();
    for (shop, expected) in
        [("a", ["create", "update"].as_slice()), ("b", &["create", "update"]), (NO_SHOP, &["create"])]
    {
        let entries = store.list_audit(shop, 0, 10).await.unwrap();
        assert_eq!(entries.iter().map(|entry| entry.action.as_str()).collect::<Vec<_>>(), expected, "{shop}");
        assert!(entries[0].difference.contains(r#""role":[null,"dispatcher"]"#), "{}", entries[0].difference);
        assert!(!entries[0].difference.contains("digest"));
    }
    let revoked = &store.list_audit("b", 0, 10).await.unwrap()[1];
    let by_token = fitup_store::Change { actor: "tokens/t".into(), ..change(3) };
    store.create_shop(&by_token, crate::facts::plain_shop("c"), unencoded()).await.unwrap();
    for entries in [store.list_audit("c", 0, 1), store.list_latest_audit("c", None, None, 1)] {
        assert_eq!(entries.await.unwrap()[0].actor_display_name.as_deref(), Some("till of t"));
    }
    assert_eq!(revoked.actor_display_name, None);
    assert_eq!(revoked.difference, format!(r#"{{"revoke_time":[null,"{}"]}}"#, at(1)));
}
