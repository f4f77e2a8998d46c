//! Plain facts to be stored, and changes to store them with.

use fitup_model::order::{EquipmentNeed, Hazard, Need, OrderLink, OrderOperation, OrderVisit, Progress};
use fitup_model::shop::PlanningSettings;
use fitup_model::timetable::Quality;
use fitup_model::{OrderFacts, Price, ShopFacts, Timetable};
use fitup_store::{Change, Encode, Request};
use jiff::Timestamp;
use uuid::Uuid;

/// Returns an instant, in seconds after an arbitrary origin.
pub fn at(seconds: i64) -> Timestamp {
    Timestamp::from_second(1_900_000_000 + seconds).expect("not that far away")
}

/// Returns a change without a request.
pub fn change(seconds: i64) -> Change {
    Change { at: at(seconds), actor: "tester".into(), origin: None, request: None }
}

/// Returns a change with a request.
pub fn request(seconds: i64, id: u128, content: u8) -> Change {
    let request = Request { id: Uuid::from_u128(id), method: "test".into(), fingerprint: [content; 32] };
    Change { request: Some(request), ..change(seconds) }
}

/// Returns an encoding for changes whose response does not matter.
pub fn unencoded<T: 'static>() -> Encode<T> {
    Box::new(|_| Vec::new())
}

/// Returns a shop with nothing in it.
pub fn plain_shop(id: &str) -> ShopFacts {
    ShopFacts {
        id: id.into(),
        display_name: "Corner shop".into(),
        time_zone: "America/Chicago".into(),
        skills: vec!["body".into()],
        calendars: Vec::new(),
        holidays: Vec::new(),
        bays: Vec::new(),
        equipment: Vec::new(),
        technicians: Vec::new(),
        changeovers: Vec::new(),
        settings: PlanningSettings::default(),
    }
}

/// Returns an order with one operation.
pub fn plain_order(id: &str) -> OrderFacts {
    OrderFacts {
        id: id.into(),
        vehicle: "grey hatchback".into(),
        note: String::new(),
        cancelled: false,
        arrival_time: at(0),
        arrived: true,
        promise_time: None,
        late_weight: None,
        flow_weight: None,
        visits: Vec::new(),
        operations: vec![plain_operation("straighten")],
        links: Vec::new(),
        parts: Vec::new(),
        approvals: Vec::new(),
    }
}

/// Returns an operation that waits.
pub fn plain_operation(id: &str) -> OrderOperation {
    OrderOperation {
        id: id.into(),
        display_name: String::new(),
        work_minutes: 60,
        low_work_minutes: None,
        high_work_minutes: None,
        crew: vec!["body".into()],
        visit: None,
        equipment: Vec::new(),
        interruptible: true,
        needs: Vec::new(),
        earliest_start_time: None,
        same_person: None,
        pin: None,
        hazards: Vec::new(),
        hold_point: None,
        progress: Progress::Waiting,
    }
}

/// Returns a plan for nothing.
pub fn empty_timetable() -> Timetable {
    Timetable {
        as_of_time: at(0),
        horizon_time: at(86_400),
        quality: Quality::Optimal,
        price: Price::default(),
        bound: 0,
        orders: Vec::new(),
        left_out: Vec::new(),
    }
}

/// Returns an order of a typical size: twelve operations in three visits.
pub fn typical_order(id: &str) -> OrderFacts {
    let mut order = plain_order(id);
    order.visits = (0..3)
        .map(|index| OrderVisit {
            id: format!("visit-{index}"),
            bay_class: "body".into(),
            loose_parts: false,
            family: None,
            bay: None,
        })
        .collect();
    order.parts = vec![Need {
        id: "panel".into(),
        display_name: String::new(),
        expected_time: Some(at(9)),
        met: false,
        supply: None,
    }];
    order.operations = (0..12)
        .map(|index| OrderOperation {
            visit: Some(format!("visit-{}", index / 4)),
            needs: if index == 4 { vec!["panel".into()] } else { Vec::new() },
            hazards: vec![Hazard::Welding],
            equipment: vec![EquipmentNeed { equipment: "welder".into(), count: 1 }],
            ..plain_operation(&format!("operation-{index}"))
        })
        .collect();
    order.links = (1..12)
        .map(|index| OrderLink {
            from: format!("operation-{}", index - 1),
            to: format!("operation-{index}"),
            min_wait_minutes: 0,
            max_wait_minutes: None,
        })
        .collect();
    order
}
