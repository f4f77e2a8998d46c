//! A plan made by hand for the tests of the views, in the shop of `examples/shop.toml`.

use fitup_proto::v1;
use jiff::tz::TimeZone;

use super::Scene;
use crate::file::Source;
use crate::file::shop::read_shop;
use crate::file::text::proto_instant;
use crate::output::Paint;
use crate::wire::duration;

/// The shop.
pub fn shop() -> v1::Shop {
    let text = include_str!("../../examples/shop.toml").to_owned();
    read_shop(&Source { name: String::new(), text }).shop
}

/// The shop's time zone.
pub fn zone() -> TimeZone {
    TimeZone::get("America/Chicago").expect("is in the time zone database")
}

fn at(text: &str) -> Option<prost_types::Timestamp> {
    Some(proto_instant(&format!("2031-05-{text}"), &zone()).expect("is an instant"))
}

/// An operation: `id visit bay people start end`, times as day and clock of May; `-` is none.
fn operation(line: &str) -> v1::OperationPlan {
    let words: Vec<&str> = line.split(',').map(str::trim).collect();
    let [state, id, visit, bay, people, start, end] = words[..] else { panic!("seven words are wanted: {line}") };
    let none = |word: &str| if word == "-" { String::new() } else { word.to_owned() };
    let state = match state {
        "done" => v1::operation_plan::State::Done,
        "running" => v1::operation_plan::State::Running,
        _ => v1::operation_plan::State::Planned,
    };
    v1::OperationPlan {
        operation: id.to_owned(),
        display_name: String::new(),
        state: state.into(),
        visit: none(visit),
        bay: none(bay),
        start_time: at(start),
        end_time: at(end),
        technicians: people.split('+').filter(|person| *person != "-").map(str::to_owned).collect(),
        overtime: false,
    }
}

fn order(id: &str, vehicle: &str, arrival: &str, promise: Option<&str>, operations: &[&str]) -> v1::OrderPlan {
    let operations: Vec<v1::OperationPlan> = operations.iter().map(|line| operation(line)).collect();
    let mut visits: Vec<v1::VisitPlan> = Vec::new();
    for operation in operations.iter().filter(|operation| !operation.visit.is_empty()) {
        match visits.iter_mut().find(|visit| visit.visit == operation.visit) {
            Some(visit) => visit.end_time = operation.end_time,
            None => visits.push(v1::VisitPlan {
                visit: operation.visit.clone(),
                bay: operation.bay.clone(),
                loose_parts: false,
                start_time: operation.start_time,
                end_time: operation.end_time,
            }),
        }
    }
    let completion_time = operations.last().and_then(|operation| operation.end_time);
    let promise_time = promise.and_then(at);
    let seconds = completion_time.zip(promise_time).map_or(0, |(end, promise)| end.seconds - promise.seconds);
    v1::OrderPlan {
        order: format!("shops/riverside/orders/{id}"),
        vehicle: vehicle.to_owned(),
        arrival_time: at(arrival),
        promise_time,
        completion_time,
        lateness: (seconds > 0).then(|| duration(seconds / 60)),
        visits,
        operations,
        delays: Vec::new(),
        hold_expire_time: None,
    }
}

fn delay(kind: v1::delay::Kind, minutes: i64, subject: &str, holder: &str, operation: &str) -> v1::Delay {
    v1::Delay {
        kind: kind.into(),
        duration: Some(duration(minutes)),
        subject: subject.to_owned(),
        holder: holder.to_owned(),
        operation: operation.to_owned(),
        until_time: None,
    }
}

/// The plan: work running and done, a part that is late, a cure overnight, short stays in the booth, a free Sunday.
pub fn plan() -> v1::Plan {
    let mut rear = order(
        "1050",
        "grey hatchback, rear left hit",
        "05 08:00",
        Some("12 12:00"),
        &[
            "done, setup, rack, rack-1, ines, 05 08:00, 05 10:30",
            "running, pull, rack, rack-1, ines, 05 10:30, 05 14:30",
            "plan, panel, rack, rack-1, ines, 07 12:30, 08 10:00",
            "plan, prime, paint, booth, odo, 08 16:00, 08 16:40",
            "plan, cure, paint, booth, -, 08 16:40, 09 04:40",
            "plan, colour, paint, booth, odo, 12 10:00, 12 12:00",
            "plan, assemble, -, -, ines, 12 12:30, 12 16:00",
        ],
    );
    rear.delays = vec![
        delay(v1::delay::Kind::Part, 2760, "quarter-panel", "", "panel"),
        delay(v1::delay::Kind::Closed, 3900, "", "", "colour"),
        delay(v1::delay::Kind::Work, 1300, "", "", ""),
        delay(v1::delay::Kind::Bay, 330, "booth", "1051", "prime"),
    ];
    let door = order(
        "1051",
        "red wagon, front left door",
        "06 09:00",
        Some("13 17:00"),
        &[
            "plan, strip, body, body-1, ines, 06 09:00, 06 11:00",
            "plan, fit, body, body-1, ines, 06 11:00, 07 09:00",
            "plan, refinish, paint, booth, odo, 07 13:00, 07 14:20",
            "plan, bake, paint, booth, -, 07 14:20, 07 15:20",
            "plan, assemble, assembly, body-1, ines, 08 10:00, 08 12:00",
        ],
    );
    let mut bumper = order(
        "1052",
        "white van, bumper cover",
        "05 09:00",
        None,
        &["plan, spray, paint, booth, odo, 05 10:00, 05 10:20", "plan, polish, -, -, odo, 05 11:00, 05 11:30"],
    );
    bumper.visits[0].loose_parts = true;
    v1::Plan {
        name: "shops/riverside/plans/7f3a".to_owned(),
        state: v1::plan::State::Proposed.into(),
        plan_run: "shops/riverside/planRuns/11".to_owned(),
        shop_revision: 4,
        stale: false,
        as_of_time: at("05 10:45"),
        horizon_time: at("30 08:00"),
        quality: v1::plan::Quality::Feasible.into(),
        price: Some(v1::Price { total: 26_120, lateness: 1_200, flow: 24_920, ..v1::Price::default() }),
        bound: 25_400,
        gap: 0.0276,
        orders: vec![bumper, door, rear],
        left_out: vec![v1::LeftOut {
            order: "shops/riverside/orders/1053".to_owned(),
            reason: "NO_CREW".to_owned(),
            operation: "calibrate".to_owned(),
            message: "nobody has the skill calibration; give it to a technician".to_owned(),
        }],
        create_time: at("05 10:46"),
        replaced_plan: String::new(),
    }
}

/// Calls `draw` with the scene of the plan.
pub fn at_width(width: usize, draw: impl Fn(&Scene<'_>) -> String) -> String {
    let (plan, shop, zone) = (plan(), shop(), zone());
    draw(&Scene { plan: &plan, shop: &shop, zone: &zone, width, paint: Paint::PLAIN })
}
