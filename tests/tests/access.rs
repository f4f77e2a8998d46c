//! Every rpc of the contract with every role, for an own and a foreign shop, and with tokens of no use. The rpcs come
//! from the descriptors, so that one without a line in the policy is noticed here. On PostgreSQL too, where there is one.

#[allow(dead_code, reason = "the tests of the store stop it too")]
#[path = "../../services/store/tests/contract/cluster.rs"]
mod cluster;

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use fitup_proto::v1;
use fitup_proto::v1::token_service_client::TokenServiceClient;
use fitup_server::access::policy::{self, Admits};
use fitup_server::access::secret::Secret;
use fitup_store::{Change, NewToken, Role, Scope};
use fitup_tests::access::{Contract, Rpc, call, with_token};
use fitup_tests::server::{START, TestServer, enter_busy_shop, minutes_in, refused, small_order, small_shop};
use tonic::{Code, Status};
use tonic_types::StatusExt;

/// Makes a token in the database itself; `days` may be over.
async fn token(server: &TestServer, role: Role, shops: Option<&[&str]>, days: i64) -> String {
    token_for(server, role, shops, jiff::SignedDuration::from_hours(24 * days)).await
}

/// Makes a token that is good from the start of the server's clock for so long.
async fn token_for(server: &TestServer, role: Role, shops: Option<&[&str]>, lifetime: jiff::SignedDuration) -> String {
    let secret = Secret::draw().unwrap();
    let now: jiff::Timestamp = START.parse().unwrap();
    let at = now - jiff::SignedDuration::from_hours(24 * 400);
    let scope = shops.map_or(Scope::All, |shops| Scope::Shops(shops.iter().map(|shop| (*shop).to_owned()).collect()));
    let new = NewToken {
        id: format!("t-{}", &secret.text()[6..20]),
        display_name: "test".into(),
        role,
        scope,
        digest: secret.digest(),
        expire_time: now + lifetime,
    };
    let change = Change { at, actor: "test".into(), origin: None, request: None };
    server.open_store().await.create_token(&change, new, Box::new(|_| vec![])).await.unwrap();
    secret.text()
}

async fn server() -> TestServer {
    TestServer::start_with(|config| config.require_tokens = true).await
}

/// Enters a shop with order 1042, a plan, the run that made it and hold 1051, and returns their ids.
async fn fill(server: &TestServer, shop: &str, manager: &str) -> BTreeMap<&'static str, String> {
    let request = v1::CreateShopRequest { shop_id: shop.into(), shop: Some(small_shop()), ..Default::default() };
    server.shops().create_shop(with_token(request, manager)).await.unwrap();
    let request = v1::CreateOrderRequest {
        parent: format!("shops/{shop}"),
        order_id: "1042".into(),
        order: Some(small_order()),
        ..Default::default()
    };
    server.orders().create_order(with_token(request, manager)).await.unwrap();
    let limits =
        v1::plan_run::Limits { time_limit: Some(prost_types::Duration { seconds: 1, nanos: 0 }), ..Default::default() };
    let request =
        v1::CreatePlanRunRequest { parent: format!("shops/{shop}"), limits: Some(limits), ..Default::default() };
    let run = server.plans().create_plan_run(with_token(request, manager)).await.unwrap().into_inner();
    let watch = with_token(v1::WatchPlanRunRequest { name: run.name.clone() }, manager);
    let mut stream = server.plans().watch_plan_run(watch).await.unwrap().into_inner();
    let mut plan = String::new();
    while let Some(state) = stream.message().await.unwrap() {
        plan = state.plan;
    }
    let publish = v1::PublishPlanRequest { name: plan.clone(), ..Default::default() };
    server.plans().publish_plan(with_token(publish, manager)).await.unwrap();
    let request = v1::HoldQuoteRequest {
        parent: format!("shops/{shop}"),
        order_id: "1051".into(),
        order: Some(small_order()),
        expire_time: minutes_in(1440),
        future_count: 10,
        ..Default::default()
    };
    server.quotes().hold_quote(with_token(request, manager)).await.unwrap();
    let last = |name: &str| name.rsplit('/').next().unwrap().to_owned();
    BTreeMap::from([
        ("shop", shop.to_owned()),
        ("order", "1042".to_owned()),
        ("plan", last(&plan)),
        ("plan_run", last(&run.name)),
        ("hold", "1051".to_owned()),
        ("token", "t-none".to_owned()),
    ])
}

/// Rpcs whose request names no shop, and why that is right.
const NAME_NO_SHOP: &[(&str, &str)] = &[
    ("ListShops", "lists those of the caller: see below"),
    ("CreateShop", "names it by an id: see below"),
    ("CreateToken", "names shops in a list: see below"),
    ("ListTokens", "lists those of the caller's shops: see below"),
    ("RevokeToken", "names a token: see below"),
];

/// What a caller is told, with one name in place of the shop's.
fn told(answer: Result<Vec<u8>, Status>, shop: &str) -> (Code, String, String) {
    match answer {
        Ok(bytes) => (Code::Ok, String::new(), format!("{bytes:?}")),
        Err(status) => {
            let details = format!("{:?}", status.get_error_details());
            let plain =
                |text: &str| text.replace(&format!("shops/{shop}"), "shops/X").replace(&format!("{shop:?}"), "X");
            (status.code(), plain(status.message()), plain(&details))
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_rpc_with_every_role_and_shop() {
    walk(server().await).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn every_rpc_with_every_role_and_shop_on_postgresql() {
    let Some(cluster) = cluster::shared() else { return };
    let database = cluster.url("fitup", "postgres");
    let on_it = |config: &mut fitup_server::Config| {
        (config.require_tokens, config.database) = (true, Some(database));
    };
    walk(TestServer::start_with(on_it).await).await;
}

async fn walk(server: TestServer) {
    let owner = token(&server, Role::Manager, None, 1).await;
    let (own, foreign) = (fill(&server, "own", &owner).await, fill(&server, "foreign", &owner).await);
    let missing = BTreeMap::from_iter(foreign.clone().into_iter().chain([("shop", "missing".to_owned())]));
    let contract = Contract::read();
    assert!(contract.rpcs.len() >= 32);
    let mut rpcs: Vec<&Rpc> = contract.rpcs.iter().collect();
    // What removes the shop comes last.
    rpcs.sort_by_key(|rpc| rpc.name == "DeleteShop");
    let mut roles = Vec::new();
    for role in Role::ALL {
        roles.push((role, token(&server, role, Some(&["own"]), 1).await));
    }
    for rpc in rpcs {
        let method = format!("fitup.v1.{}/{}", rpc.service, rpc.name);
        let Admits::Roles(admitted) = policy::admits(&method) else {
            panic!("{method} has no line in services/server/src/access/policy.rs");
        };
        let (_, names_a_shop) = contract.request(rpc, &own);
        let is_excepted = NAME_NO_SHOP.iter().any(|(name, _)| *name == rpc.name);
        assert!(names_a_shop != is_excepted, "{method}: say in NAME_NO_SHOP why its request names no shop");
        for (role, token) in &roles {
            let bearer = format!("bearer {token}");
            let ask = async |ids: &BTreeMap<&str, String>| {
                let answer = call(server.channel(), rpc, &contract.request(rpc, ids).0, Some(&bearer)).await;
                told(answer, &ids["shop"])
            };
            if !admitted.contains(role) {
                let answers = [ask(&own).await, ask(&foreign).await, ask(&missing).await];
                for answer in &answers {
                    assert_eq!(answer.0, Code::PermissionDenied, "{method} by {role:?}: {answer:?}");
                    assert!(answer.2.contains("ROLE_FORBIDS"), "{answer:?}");
                    assert_eq!(answer, &answers[0]);
                }
                continue;
            }
            if names_a_shop {
                let (of_foreign, of_missing) = (ask(&foreign).await, ask(&missing).await);
                assert_eq!(of_foreign, of_missing, "{method} by {role:?} tells foreign shops apart");
                assert_eq!(of_foreign.0, Code::NotFound, "{method} by {role:?}: {of_foreign:?}");
            }
            // Minimal requests may be refused for what they lack, but never for who asks.
            let of_own = ask(&own).await;
            let fine = [Code::Ok, Code::InvalidArgument, Code::FailedPrecondition, Code::ResourceExhausted];
            // Order 1042 was not made from lines.
            let may_be_gone = rpc.service == "TokenService" || rpc.name == "GetTakeIn";
            let is_gone = may_be_gone && of_own.0 == Code::NotFound;
            assert!(fine.contains(&of_own.0) || is_gone, "{method} by {role:?}: {of_own:?}");
        }
    }
    // What was asked of the foreign shop has changed nothing there.
    let request = v1::ListHistoryRequest { parent: "shops/foreign".into(), page_size: 500, ..Default::default() };
    let mut history = fitup_proto::v1::history_service_client::HistoryServiceClient::new(server.channel());
    let entries = history.list_history(with_token(request, &owner)).await.unwrap().into_inner().entries;
    let strangers: Vec<_> =
        entries.iter().filter(|entry| roles.iter().any(|(_, token)| entry.actor.contains(&token[6..20]))).collect();
    assert!(strangers.is_empty(), "{strangers:?}");
    assert!(entries.len() >= 4, "{entries:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn every_rpc_with_tokens_of_no_use() {
    let server = server().await;
    let expired = token(&server, Role::Manager, None, -1).await;
    let revoked = token(&server, Role::Manager, None, 1).await;
    let good = token(&server, Role::Manager, None, 1).await;
    let mut tokens = TokenServiceClient::new(server.channel());
    let name = format!("tokens/t-{}", &revoked[6..20]);
    let request = v1::RevokeTokenRequest { name, ..Default::default() };
    let answer = tokens.revoke_token(with_token(request, &good)).await.unwrap().into_inner();
    assert!(answer.revoke_time.is_some());
    let unknown = Secret::draw().unwrap().text();
    let ids = BTreeMap::from(["shop", "order", "plan", "plan_run", "hold", "token"].map(|name| (name, "x".to_owned())));
    let contract = Contract::read();
    for rpc in &contract.rpcs {
        let request = contract.request(rpc, &ids).0;
        for (header, reason) in [
            (None, "TOKEN_MISSING"),
            (Some(format!("bearer {expired}")), "TOKEN_EXPIRED"),
            (Some(format!("bearer {revoked}")), "TOKEN_REVOKED"),
            (Some(format!("bearer {unknown}")), "TOKEN_UNKNOWN"),
            (Some(good.clone()), "TOKEN_UNKNOWN"),
            (Some(format!("basic {good}")), "TOKEN_UNKNOWN"),
            (Some(format!("bearer {}", &good[..69])), "TOKEN_UNKNOWN"),
            (Some(format!("bearer {good}0")), "TOKEN_UNKNOWN"),
            (Some(format!("bearer  {good}")), "TOKEN_UNKNOWN"),
            (Some(format!("bearer {}", good.to_uppercase())), "TOKEN_UNKNOWN"),
            (Some("bearer ".to_owned()), "TOKEN_UNKNOWN"),
            (Some(String::new()), "TOKEN_UNKNOWN"),
        ] {
            let answer = call(server.channel(), rpc, &request, header.as_deref()).await;
            refused(answer, Code::Unauthenticated, reason);
        }
        // The scheme is written in any way: RFC 9110, section 11.1.
        let answer = call(server.channel(), rpc, &request, Some(&format!("BEARER {good}"))).await;
        assert!(!matches!(answer.map_err(|status| status.code()), Err(Code::Unauthenticated)), "{rpc:?}");
    }
}

/// Goal: nobody goes on listening with a token that is no longer good. Method: three watch one long plan run; one token
/// expires, one is revoked, one stays.
#[tokio::test(flavor = "multi_thread")]
async fn streams_end_with_their_token() {
    let server = TestServer::start().await;
    enter_busy_shop(&server).await;
    let server = server.restart_with(|config| config.require_tokens = true).await;
    let started = Instant::now();
    let owner = token(&server, Role::Manager, None, 1).await;
    let limits = v1::plan_run::Limits {
        time_limit: Some(prost_types::Duration { seconds: 600, nanos: 0 }),
        ..Default::default()
    };
    let request = v1::CreatePlanRunRequest { parent: "shops/main".into(), limits: Some(limits), ..Default::default() };
    let run = server.plans().create_plan_run(with_token(request, &owner)).await.unwrap().into_inner();
    let watch = async |token: &str| {
        let request = with_token(v1::WatchPlanRunRequest { name: run.name.clone() }, token);
        let mut stream = server.plans().watch_plan_run(request).await.unwrap().into_inner();
        stream.message().await.unwrap().expect("a first state");
        stream
    };
    let ends = async |mut stream: tonic::Streaming<v1::PlanRun>| loop {
        match tokio::time::timeout(Duration::from_secs(20), stream.message()).await.expect("it is cut") {
            Ok(state) => assert!(state.is_some(), "it ends as if nothing had happened"),
            Err(status) => return Err::<(), _>(status),
        }
    };
    let mut stays = watch(&owner).await;
    let revoked = token(&server, Role::Screen, Some(&["main"]), 1).await;
    let watching = watch(&revoked).await;
    let soon = jiff::SignedDuration::try_from(started.elapsed() + Duration::from_secs(4)).unwrap();
    let expiring = token_for(&server, Role::Screen, Some(&["main"]), soon).await;
    refused(ends(watch(&expiring).await).await, Code::Unauthenticated, "TOKEN_EXPIRED");
    let request = v1::RevokeTokenRequest { name: format!("tokens/t-{}", &revoked[6..20]), ..Default::default() };
    TokenServiceClient::new(server.channel()).revoke_token(with_token(request, &owner)).await.unwrap();
    refused(ends(watching).await, Code::Unauthenticated, "TOKEN_REVOKED");

    let request = with_token(v1::CancelPlanRunRequest { name: run.name.clone(), ..Default::default() }, &owner);
    server.plans().cancel_plan_run(request).await.unwrap();
    let mut last = None;
    while let Some(state) = stays.message().await.unwrap() {
        last = Some(state);
    }
    assert_eq!(last.unwrap().state(), v1::plan_run::State::Cancelled);
    server.stop().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn who_sees_which_shops_and_tokens() {
    let server = server().await;
    let owner = token(&server, Role::Manager, None, 1).await;
    for shop in ["a", "b", "c"] {
        let request = v1::CreateShopRequest { shop_id: shop.into(), shop: Some(small_shop()), ..Default::default() };
        server.shops().create_shop(with_token(request, &owner)).await.unwrap();
    }
    let manager = token(&server, Role::Manager, Some(&["a", "c", "new"]), 1).await;
    let listed = async |token: &str, page_size: i32, page_token: String| {
        let request = v1::ListShopsRequest { page_size, page_token };
        let page = server.shops().list_shops(with_token(request, token)).await.unwrap().into_inner();
        (page.shops.into_iter().map(|shop| shop.name).collect::<Vec<_>>(), page.next_page_token)
    };
    assert_eq!(listed(&owner, 0, String::new()).await.0, ["shops/a", "shops/b", "shops/c"]);
    assert_eq!(listed(&manager, 0, String::new()).await.0, ["shops/a", "shops/c"]);
    let (first, next) = listed(&manager, 1, String::new()).await;
    assert_eq!(
        (first, listed(&manager, 1, next).await),
        (vec!["shops/a".to_owned()], (vec!["shops/c".to_owned()], String::new()))
    );

    // A shop is entered within the scope alone; whether the foreign one exists makes no difference.
    let enter = async |shop: &str, validate_only| {
        let shop_id = shop.to_owned();
        let request = v1::CreateShopRequest { shop_id, shop: Some(small_shop()), validate_only, ..Default::default() };
        server.shops().create_shop(with_token(request, &manager)).await
    };
    for foreign in ["b", "nowhere"] {
        refused(enter(foreign, false).await, Code::PermissionDenied, "SHOP_FORBIDS");
        refused(enter(foreign, true).await, Code::PermissionDenied, "SHOP_FORBIDS");
    }
    enter("new", false).await.unwrap();

    // Nobody gives out more than they have, or sees and takes back what is for other shops too.
    let mut tokens = TokenServiceClient::new(server.channel());
    let mut make = async |by: &str, shops: &[&str], request_id: &str| {
        let token = v1::Token {
            display_name: "wall".into(),
            role: v1::token::Role::Screen.into(),
            shops: shops.iter().map(|shop| format!("shops/{shop}")).collect(),
            all_shops: shops.is_empty(),
            ..Default::default()
        };
        let lifetime = Some(prost_types::Duration { seconds: 3600, nanos: 0 });
        let request = v1::CreateTokenRequest { token: Some(token), request_id: request_id.into(), lifetime };
        tokens.create_token(with_token(request, by)).await.map(tonic::Response::into_inner)
    };
    for foreign in [&["b"][..], &["a", "b"], &["nowhere"], &[]] {
        refused(make(&manager, foreign, "").await, Code::PermissionDenied, "SHOP_FORBIDS");
    }
    let id = "3f2b8c1e-58d1-4a6b-9c35-0d6c2f1a7e44";
    let made = make(&manager, &["a"], id).await.unwrap();
    assert_eq!(listed(&made.secret, 0, String::new()).await.0, ["shops/a"]);
    let again = make(&manager, &["a"], id).await.unwrap();
    assert_eq!((again.secret.as_str(), again.token), ("", made.token.clone()), "a repeat has no secret to tell");
    let for_b = make(&owner, &["a", "b"], "").await.unwrap().token.unwrap();
    let mut tokens = TokenServiceClient::new(server.channel());
    let list = tokens.list_tokens(with_token(v1::ListTokensRequest::default(), &manager)).await.unwrap().into_inner();
    let names: Vec<_> = list.tokens.iter().map(|token| token.name.clone()).collect();
    assert_eq!(names.len(), 2, "the manager's own and the one for a: {names:?}");
    assert!(!names.contains(&for_b.name));
    let mut revoke = async |name: &str| {
        let request = v1::RevokeTokenRequest { name: name.to_owned(), ..Default::default() };
        tokens.revoke_token(with_token(request, &manager)).await
    };
    refused(revoke(&for_b.name).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    revoke(&made.token.unwrap().name).await.unwrap();
    let request = with_token(v1::ListShopsRequest::default(), &made.secret);
    refused(server.shops().list_shops(request).await, Code::Unauthenticated, "TOKEN_REVOKED");
}

/// A request id that was used is told before the shop is looked for, and no foreign shop is told apart by that.
#[tokio::test(flavor = "multi_thread")]
async fn used_request_ids_tell_nothing() {
    let server = server().await;
    let owner = token(&server, Role::Manager, None, 1).await;
    for shop in ["own", "foreign"] {
        let request = v1::CreateShopRequest { shop_id: shop.into(), shop: Some(small_shop()), ..Default::default() };
        server.shops().create_shop(with_token(request, &owner)).await.unwrap();
    }
    let writer = token(&server, Role::ServiceWriter, Some(&["own"]), 1).await;
    let enter = async |shop: &str, by: &str| {
        let request = v1::CreateOrderRequest {
            parent: format!("shops/{shop}"),
            order_id: "1042".into(),
            order: Some(small_order()),
            request_id: "3f2b8c1e-58d1-4a6b-9c35-0d6c2f1a7e44".into(),
            ..Default::default()
        };
        server.orders().create_order(with_token(request, by)).await
    };
    enter("own", &writer).await.unwrap();
    enter("own", &writer).await.unwrap();
    for shop in ["foreign", "nowhere"] {
        refused(enter(shop, &writer).await, Code::InvalidArgument, "REQUEST_ID_REUSED");
    }
    // Request ids are each caller's own.
    enter("foreign", &owner).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn probes_need_no_token_and_the_contract_any() {
    use tonic_health::pb::{HealthCheckRequest, health_client::HealthClient};
    use tonic_reflection::pb::v1::ServerReflectionRequest;
    use tonic_reflection::pb::v1::server_reflection_client::ServerReflectionClient;
    let server = server().await;
    for service in ["", "fitup.v1.TokenService", "fitup.v1.HistoryService"] {
        let request = HealthCheckRequest { service: service.into() };
        HealthClient::new(server.channel()).check(request).await.unwrap();
    }
    let ask = || tokio_stream::once(ServerReflectionRequest::default());
    let mut reflection = ServerReflectionClient::new(server.channel());
    refused(reflection.server_reflection_info(ask()).await, Code::Unauthenticated, "TOKEN_MISSING");
    let screen = token(&server, Role::Screen, Some(&[]), 1).await;
    reflection.server_reflection_info(with_token(ask(), &screen)).await.unwrap();
    // What there is not is not told to strangers.
    let mut rpc = Contract::read().rpcs[0].clone();
    rpc.name = "PaintShop".into();
    refused(call(server.channel(), &rpc, &[], None).await, Code::Unauthenticated, "TOKEN_MISSING");
    let bearer = format!("bearer {screen}");
    refused(call(server.channel(), &rpc, &[], Some(&bearer)).await, Code::Unimplemented, "METHOD_UNKNOWN");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_token_that_calls_too_often_is_told_to_wait() {
    let server = TestServer::start_with(|config| (config.require_tokens, config.rate_limit) = (true, 5)).await;
    let (eager, other) = (token(&server, Role::Screen, None, 1).await, token(&server, Role::Screen, None, 1).await);
    let ask = async |token: &str| server.shops().list_shops(with_token(v1::ListShopsRequest::default(), token)).await;
    let mut answers = Vec::new();
    for _ in 0..30 {
        answers.push(ask(&eager).await);
    }
    let refusal = answers.into_iter().find(Result::is_err).expect("ten at once and five a second");
    let details = refused(refusal, Code::ResourceExhausted, "RATE_EXCEEDED");
    let wait = details.retry_info().unwrap().retry_delay.unwrap();
    assert!(wait <= Duration::from_millis(200), "{wait:?}");
    ask(&other).await.unwrap();
    tokio::time::sleep(Duration::from_millis(250)).await;
    ask(&eager).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn connections_beyond_the_limit_are_closed() {
    let server = TestServer::start_with(|config| config.connection_limit = 2).await;
    let endpoint = || tonic::transport::Endpoint::from_shared(format!("http://{}", server.address)).unwrap();
    let ask = async |channel| {
        let mut shops = fitup_proto::v1::shop_service_client::ShopServiceClient::new(channel);
        shops.list_shops(v1::ListShopsRequest::default()).await
    };
    let second = endpoint().connect().await.unwrap();
    ask(second.clone()).await.unwrap();
    let third = endpoint().connect_lazy();
    let status = ask(third.clone()).await.unwrap_err();
    assert!(matches!(status.code(), Code::Unavailable | Code::Unknown | Code::Cancelled), "{status:?}");
    ask(server.channel()).await.unwrap();
    drop(second);
    for attempt in 0.. {
        if ask(third.clone()).await.is_ok() {
            break;
        }
        assert!(attempt < 100, "a place gets free when a connection ends");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_history_tells_who_when_and_from_where() {
    let server = server().await;
    let owner = token(&server, Role::Manager, None, 1).await;
    fill(&server, "main", &owner).await;
    let mut history = fitup_proto::v1::history_service_client::HistoryServiceClient::new(server.channel());
    let mut list = async |resource: &str, page_size: i32, page_token: String| {
        let (parent, resource) = ("shops/main".into(), resource.into());
        let request = v1::ListHistoryRequest { parent, page_size, page_token, resource };
        history.list_history(with_token(request, &owner)).await.map(tonic::Response::into_inner)
    };
    let all = list("", 0, String::new()).await.unwrap();
    let told: Vec<_> = all.entries.iter().rev().map(|entry| (entry.action.as_str(), entry.resource.as_str())).collect();
    assert_eq!(&told[..2], [("create", "shops/main"), ("create", "shops/main/orders/1042")]);
    let first = all.entries.last().unwrap();
    assert_eq!((first.actor_display_name.as_str(), first.origin.as_str()), ("test", "127.0.0.1"));
    assert_eq!(first.actor, format!("tokens/t-{}", &owner[6..20]));
    assert_eq!(
        first.create_time.as_ref().unwrap().seconds / 3600,
        START.parse::<jiff::Timestamp>().unwrap().as_second() / 3600
    );
    assert!(
        first.changes.iter().any(|change| change.field == "time_zone" && change.after_json == "\"America/Chicago\"")
    );
    let by_server = all.entries.iter().find(|entry| entry.action == "claim").expect("the run was claimed");
    assert_eq!((by_server.origin.as_str(), by_server.actor_display_name.as_str()), ("", ""));

    let mut pages = Vec::new();
    let mut page_token = String::new();
    loop {
        let page = list("", 2, page_token).await.unwrap();
        pages.extend(page.entries);
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    assert_eq!(pages, all.entries);
    let of_order = list("shops/main/orders/1042", 0, String::new()).await.unwrap();
    assert_eq!(of_order.entries.len(), 1);
    refused(list("shops/other/orders/1042", 0, String::new()).await, Code::InvalidArgument, "FIELDS_INVALID");
    refused(list("", 0, "rubbish".into()).await, Code::InvalidArgument, "PAGE_TOKEN_INVALID");
}
