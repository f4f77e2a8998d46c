//! The view by technician: a block for each day, wide enough to name operations.

use jiff::civil::Date;

use super::axis::{Day, at_work, days};
use super::chart::{Bar, Chart, Lane};
use super::{Scene, glyph_of, label, minute};

/// The narrowest a day may be, operations still named.
const COLUMNS_A_DAY: usize = 64;

/// What the glyphs mean.
const LEGEND: &str = "[ ] operation  = work  - done  : not at work  ! late order  || closed days\n\
                      < > goes on before or after\n";

/// Returns the technicians over up to `count` working days from `first` on.
pub fn draw(scene: &Scene<'_>, first: Date, count: usize) -> String {
    let days = days(scene, first, count);
    let name_width = scene.shop.technicians.iter().map(|technician| technician.id.len()).max().unwrap_or(0);
    let in_a_row = ((scene.width.saturating_sub(name_width + 2)) / COLUMNS_A_DAY).max(1);
    let room_for = in_a_row.min(days.len());
    let mut text = String::new();
    for days in days.chunks(in_a_row) {
        let lanes: Vec<Lane> = scene.shop.technicians.iter().map(|technician| lane(scene, technician, days)).collect();
        text += &Chart { days, room_for, width: scene.width, zone: scene.zone, paint: scene.paint }.draw(&lanes);
        text.push('\n');
    }
    text + LEGEND
}

fn lane(scene: &Scene<'_>, technician: &fitup_proto::v1::Technician, days: &[Day]) -> Lane {
    let mut bars = Vec::new();
    for work in scene.works() {
        if work.operation.technicians.contains(&technician.id) {
            let order = label(work.of);
            bars.push(Bar {
                start: work.start,
                end: work.end,
                labels: vec![format!("{order} {}", work.operation.operation), order],
                is_late: work.of.lateness.is_some(),
                pieces: vec![(work.start, work.end, glyph_of(work.operation))],
            });
        }
    }
    bars.sort_by_key(|bar| bar.start);
    let off = days.iter().flat_map(|day| off_hours(scene, technician, day)).collect();
    Lane { name: technician.id.clone(), bars, off }
}

/// Returns when a technician is not at work within a day's opening hours.
fn off_hours(scene: &Scene<'_>, technician: &fitup_proto::v1::Technician, day: &Day) -> Vec<(i64, i64)> {
    let overtime = technician.overtime.iter();
    let overtime = overtime.map(|time| (minute(time.start_time.as_ref()), minute(time.end_time.as_ref())));
    let mut times: Vec<(i64, i64)> =
        at_work(scene.shop, technician, day.date, scene.zone).into_iter().chain(overtime).collect();
    times.sort_unstable();
    let mut off = Vec::new();
    let mut since = day.start;
    for (start, end) in times {
        if start > since && start < day.end {
            off.push((since, start));
        }
        since = since.max(end.min(day.end));
    }
    off.push((since, day.end));
    off.retain(|(start, end)| start < end);
    off
}
