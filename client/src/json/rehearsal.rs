//! Rehearsals as JSON.

use fitup_proto::v1;
use fitup_proto::v1::rehearse_response as message;
use serde::Serialize;

use super::word;

/// A line of `rehearse`: a way to dispatch.
#[derive(Debug, Serialize)]
pub struct WayRow {
    way: String,
    on_time: Option<Mean>,
    late_hours: Option<Mean>,
    weighted_late_hours: Option<Mean>,
    cycle_days: Option<Mean>,
    utilisation: Option<Mean>,
    unfinished: i32,
    stayed_on: i32,
    waited_too_long: i32,
    bay_kept_open: i32,
}

#[derive(Debug, Serialize)]
struct Mean {
    mean: f64,
    half_width: Option<f64>,
}

/// The last line of `rehearse`: fitup against the best habit.
#[derive(Debug, Serialize)]
pub struct Gains {
    cars_per_week: f64,
    cars: i32,
    learned: bool,
    weighted_lateness: Option<Gain>,
    cycle: Option<Gain>,
}

#[derive(Debug, Serialize)]
struct Gain {
    habit: String,
    share: Option<Mean>,
}

impl From<&message::Way> for WayRow {
    fn from(way: &message::Way) -> Self {
        Self {
            way: way_word(way.way()),
            on_time: mean(way.on_time.as_ref()),
            late_hours: mean(way.late_hours.as_ref()),
            weighted_late_hours: mean(way.weighted_late_hours.as_ref()),
            cycle_days: mean(way.cycle_days.as_ref()),
            utilisation: mean(way.utilisation.as_ref()),
            unfinished: way.unfinished_count,
            stayed_on: way.stayed_on_count,
            waited_too_long: way.waited_count,
            bay_kept_open: way.bay_count,
        }
    }
}

impl From<&v1::RehearseResponse> for Gains {
    fn from(answer: &v1::RehearseResponse) -> Self {
        let gain = |gain: &message::Gain| Gain { habit: way_word(gain.habit()), share: mean(gain.share.as_ref()) };
        Self {
            cars_per_week: answer.cars_per_week,
            cars: answer.car_count,
            learned: answer.learned,
            weighted_lateness: answer.weighted_lateness_gain.as_ref().map(gain),
            cycle: answer.cycle_gain.as_ref().map(gain),
        }
    }
}

fn way_word(way: v1::DispatchWay) -> String {
    word(way.as_str_name(), "DISPATCH_WAY_").replace('_', "-")
}

fn mean(mean: Option<&message::Mean>) -> Option<Mean> {
    mean.map(|mean| Mean { mean: mean.mean, half_width: mean.half_width })
}
