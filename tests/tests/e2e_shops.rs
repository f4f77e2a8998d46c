//! Every method of the shop service over a socket.

use fitup_proto::v1;
use fitup_tests::server::{TestServer, faults, refused, small_shop};
use prost_types::FieldMask;
use tonic::Code;

fn named(name: &str) -> v1::GetShopRequest {
    v1::GetShopRequest { name: name.into() }
}

fn mask(paths: &[&str]) -> Option<FieldMask> {
    Some(FieldMask { paths: paths.iter().map(|path| (*path).to_owned()).collect() })
}

#[tokio::test]
async fn a_shop_is_entered_read_changed_and_removed() {
    let server = TestServer::start().await;
    let mut shops = server.shops();
    let created = server.create_shop("main", small_shop()).await;
    assert_eq!((created.name.as_str(), created.revision), ("shops/main", 1));
    assert!(!created.etag.is_empty() && created.create_time == created.update_time);
    assert_eq!(shops.get_shop(named("shops/main")).await.unwrap().into_inner(), created);

    // What is output only is not the caller's to say.
    let update = v1::Shop {
        name: "shops/main".into(),
        display_name: "Main & Elm".into(),
        revision: 77,
        published_plan: "shops/main/plans/x".into(),
        ..Default::default()
    };
    let request = v1::UpdateShopRequest { shop: Some(update), ..Default::default() };
    let updated = shops.update_shop(request).await.unwrap().into_inner();
    assert_eq!(updated.display_name, "Main & Elm");
    assert_eq!((updated.revision, updated.published_plan.as_str()), (2, ""));
    assert_eq!((&updated.bays, &updated.technicians), (&created.bays, &created.technicians));
    assert_ne!(updated.etag, created.etag);

    let delete = v1::DeleteShopRequest { name: "shops/main".into(), ..Default::default() };
    shops.delete_shop(delete.clone()).await.unwrap();
    refused(shops.get_shop(named("shops/main")).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    refused(shops.delete_shop(delete).await, Code::NotFound, "RESOURCE_NOT_FOUND");
}

#[tokio::test]
async fn masks_say_what_changes() {
    let server = TestServer::start().await;
    let mut shops = server.shops();
    let created = server.create_shop("main", small_shop()).await;
    let update = |change: fn(&mut v1::Shop), paths: &[&str]| {
        let mut shop = v1::Shop { name: "shops/main".into(), ..Default::default() };
        change(&mut shop);
        v1::UpdateShopRequest { shop: Some(shop), update_mask: mask(paths), ..Default::default() }
    };

    let cleared = shops.update_shop(update(|_| {}, &["equipment"])).await.unwrap().into_inner();
    assert_eq!((cleared.equipment.len(), cleared.bays.len()), (0, created.bays.len()));

    let refusal = shops.update_shop(update(|_| {}, &["bays", "bay", "settings.grid_minutes"])).await;
    let found = faults(refusal);
    assert!(found[0].starts_with("update_mask.paths[1]: \"bay\" is not a field"), "{found:?}");
    assert!(found[1].starts_with("update_mask.paths[2]:"), "{found:?}");

    // All fields of an empty shop: what is required is missing.
    let found = faults(shops.update_shop(update(|_| {}, &["*"])).await);
    assert!(found.iter().any(|fault| fault.starts_with("shop.display_name: ")), "{found:?}");
    let replaced =
        shops.update_shop(update(|shop| *shop = v1::Shop { name: shop.name.clone(), ..small_shop() }, &["*"]));
    let replaced = replaced.await.unwrap().into_inner();
    assert_eq!(replaced.equipment, created.equipment);

    // A change that changes nothing leaves the revision alone.
    let same = shops.update_shop(update(|shop| *shop = v1::Shop { name: shop.name.clone(), ..small_shop() }, &["*"]));
    assert_eq!(same.await.unwrap().into_inner(), replaced);
}

#[tokio::test]
async fn a_stale_etag_is_refused_and_nothing_changes() {
    let server = TestServer::start().await;
    let mut shops = server.shops();
    let first = server.create_shop("main", small_shop()).await;
    let update = |etag: &str, name: &str| v1::UpdateShopRequest {
        shop: Some(v1::Shop {
            name: "shops/main".into(),
            display_name: name.into(),
            etag: etag.into(),
            ..Default::default()
        }),
        ..Default::default()
    };
    let second = shops.update_shop(update(&first.etag, "Second")).await.unwrap().into_inner();
    refused(shops.update_shop(update(&first.etag, "Third")).await, Code::Aborted, "ETAG_MISMATCH");
    let check_only = v1::UpdateShopRequest { validate_only: true, ..update(&first.etag, "Third") };
    refused(shops.update_shop(check_only).await, Code::Aborted, "ETAG_MISMATCH");
    let delete = v1::DeleteShopRequest { name: "shops/main".into(), etag: first.etag, ..Default::default() };
    refused(shops.delete_shop(delete.clone()).await, Code::Aborted, "ETAG_MISMATCH");
    assert_eq!(shops.get_shop(named("shops/main")).await.unwrap().into_inner(), second);
    shops.delete_shop(v1::DeleteShopRequest { etag: second.etag, ..delete }).await.unwrap();
}

#[tokio::test]
async fn checking_only_writes_nothing() {
    let server = TestServer::start().await;
    let mut shops = server.shops();
    let create = |shop| v1::CreateShopRequest {
        shop_id: "main".into(),
        shop: Some(shop),
        validate_only: true,
        ..Default::default()
    };
    let checked = shops.create_shop(create(small_shop())).await.unwrap().into_inner();
    assert_eq!((checked.name.as_str(), checked.etag.as_str()), ("shops/main", ""));
    refused(shops.get_shop(named("shops/main")).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    faults(shops.create_shop(create(v1::Shop::default())).await);

    let created = server.create_shop("main", small_shop()).await;
    refused(shops.create_shop(create(small_shop())).await, Code::AlreadyExists, "RESOURCE_EXISTS");
    let update = |shop| v1::UpdateShopRequest { shop: Some(shop), validate_only: true, ..Default::default() };
    let rename = v1::Shop { name: "shops/main".into(), display_name: "Other".into(), ..Default::default() };
    let checked = shops.update_shop(update(rename)).await.unwrap().into_inner();
    assert_eq!((checked.display_name.as_str(), checked.etag.as_str()), ("Other", ""));
    assert_eq!(shops.get_shop(named("shops/main")).await.unwrap().into_inner(), created);
}

#[tokio::test]
async fn a_taken_name_is_refused() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let again = v1::CreateShopRequest { shop_id: "main".into(), shop: Some(small_shop()), ..Default::default() };
    let details = refused(server.shops().create_shop(again).await, Code::AlreadyExists, "RESOURCE_EXISTS");
    let resource = details.resource_info().unwrap();
    assert_eq!((resource.resource_type.as_str(), resource.resource_name.as_str()), ("fitup.v1.Shop", "shops/main"));
}

#[tokio::test]
async fn shops_are_listed_in_pages() {
    let server = TestServer::start().await;
    let mut shops = server.shops();
    for id in ["c", "a", "e", "b", "d"] {
        server.create_shop(id, small_shop()).await;
    }
    let mut names = Vec::new();
    let mut page_token = String::new();
    loop {
        let request = v1::ListShopsRequest { page_size: 2, page_token };
        let page = shops.list_shops(request).await.unwrap().into_inner();
        assert!(page.shops.len() <= 2);
        names.extend(page.shops.into_iter().map(|shop| shop.name));
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    assert_eq!(names, ["shops/a", "shops/b", "shops/c", "shops/d", "shops/e"]);
    let odd = v1::ListShopsRequest { page_size: 0, page_token: "rubbish".into() };
    refused(shops.list_shops(odd).await, Code::InvalidArgument, "PAGE_TOKEN_INVALID");
    let odd = v1::ListShopsRequest { page_size: -1, page_token: String::new() };
    assert_eq!(faults(shops.list_shops(odd).await), ["page_size: must not be negative, and is -1"]);
}

#[tokio::test]
async fn all_faults_of_a_shop_are_told_at_once() {
    let server = TestServer::start().await;
    let mut shop = small_shop();
    shop.time_zone = "Mars/Olympus".into();
    shop.bays.push(shop.bays[0].clone());
    shop.technicians[1].calendar = "night".into();
    shop.technicians[2].skills[0].skill = "frame".into();
    let overlapping = shop.calendars[0].shifts[0].clone();
    shop.calendars[0].shifts.push(overlapping);
    shop.holidays.push(v1::Holiday { date: "05/04/2031".into(), ..Default::default() });
    let request = v1::CreateShopRequest { shop_id: "Main".into(), shop: Some(shop), ..Default::default() };
    let found = faults(server.shops().create_shop(request).await);
    for path in [
        "shop_id",
        "shop.time_zone",
        "shop.bays[3].id",
        "shop.technicians[1].calendar",
        "shop.technicians[2].skills[0].skill",
        "shop.calendars[0].shifts[1].window",
        "shop.holidays[0].date",
    ] {
        assert!(found.iter().any(|fault| fault.starts_with(&format!("{path}: "))), "{path} is not in {found:#?}");
    }
    let listed = server.shops().list_shops(v1::ListShopsRequest::default()).await.unwrap().into_inner();
    assert_eq!(listed.shops, []);
}

#[tokio::test]
async fn names_and_required_fields_are_checked() {
    let server = TestServer::start().await;
    let mut shops = server.shops();
    for odd in ["", "main", "shops/", "shops/Main", "shops/a/orders/b", "shops/-"] {
        let found = faults(shops.get_shop(named(odd)).await);
        assert!(found[0].starts_with("name: ") && found[0].ends_with("has not the format shops/{shop}"), "{found:?}");
    }
    let nothing = faults(shops.create_shop(v1::CreateShopRequest::default()).await);
    assert!(nothing[0].starts_with("shop_id: ") && nothing[1] == "shop: is required", "{nothing:?}");
    assert_eq!(faults(shops.update_shop(v1::UpdateShopRequest::default()).await), ["shop: is required"]);
    let missing = v1::UpdateShopRequest {
        shop: Some(v1::Shop { name: "shops/nowhere".into(), ..Default::default() }),
        ..Default::default()
    };
    refused(shops.update_shop(missing).await, Code::NotFound, "RESOURCE_NOT_FOUND");
}
