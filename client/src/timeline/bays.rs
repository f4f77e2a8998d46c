//! The view by bay: which car stands where, and what the bay's time goes to.

use jiff::civil::Date;

use super::axis::days;
use super::chart::{Bar, Chart, Lane};
use super::{Scene, glyph_of, label, minute};

/// The narrowest a day may be, name and bars still readable.
const COLUMNS_A_DAY: usize = 21;

/// What the glyphs mean.
const LEGEND: &str = "[ ] stay in a bay  = work  - done  ~ cures by itself  . held, waits  : closed\n\
                      ! late  + loose parts only  | night  || closed days  < > goes on before or after\n";

/// Returns the bays over up to `count` working days from `first` on.
pub fn draw(scene: &Scene<'_>, first: Date, count: usize) -> String {
    let lanes: Vec<Lane> = scene.shop.bays.iter().map(|bay| lane(scene, bay)).collect();
    let days = days(scene, first, count);
    let name_width = lanes.iter().map(|lane| lane.name.len()).max().unwrap_or(0);
    let in_a_row = ((scene.width.saturating_sub(name_width + 2)) / COLUMNS_A_DAY).max(1);
    let room_for = in_a_row.min(days.len());
    let mut text = String::new();
    for days in days.chunks(in_a_row) {
        text += &Chart { days, room_for, width: scene.width, zone: scene.zone, paint: scene.paint }.draw(&lanes);
        text.push('\n');
    }
    text + LEGEND
}

fn lane(scene: &Scene<'_>, bay: &fitup_proto::v1::Bay) -> Lane {
    let mut bars = Vec::new();
    for order in &scene.plan.orders {
        for visit in order.visits.iter().filter(|visit| visit.bay == bay.id) {
            let works = order.operations.iter().filter(|operation| operation.visit == visit.visit);
            let piece = |operation: &fitup_proto::v1::OperationPlan| {
                (minute(operation.start_time.as_ref()), minute(operation.end_time.as_ref()), glyph_of(operation))
            };
            let name = label(order);
            bars.push(Bar {
                start: minute(visit.start_time.as_ref()),
                end: minute(visit.end_time.as_ref()),
                labels: if visit.loose_parts { vec![format!("{name}+"), name] } else { vec![name] },
                is_late: order.lateness.is_some(),
                pieces: works.map(piece).collect(),
            });
        }
    }
    bars.sort_by_key(|bar| bar.start);
    let off = bay.downtime.iter().map(|down| (minute(down.start_time.as_ref()), minute(down.end_time.as_ref())));
    Lane { name: bay.id.clone(), bars, off: off.collect() }
}
