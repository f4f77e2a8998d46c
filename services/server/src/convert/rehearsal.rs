//! Rehearsals as messages.

use fitup_proto::v1;
use fitup_proto::v1::rehearse_response::{Gain, Mean, Way as WayMessage};
use fitup_rehearsal::weeks::interval::{self, gain, mean};
use fitup_rehearsal::weeks::{Habit, Measures, Way};

/// Returns the habit that a message names, if it is one.
pub fn habit_of(way: v1::DispatchWay) -> Option<Habit> {
    match way {
        v1::DispatchWay::FirstIn => Some(Habit::FirstIn),
        v1::DispatchWay::EarliestPromise => Some(Habit::EarliestPromise),
        v1::DispatchWay::LongestAtBooth => Some(Habit::LongestAtBooth),
        v1::DispatchWay::Plan | v1::DispatchWay::Unspecified => None,
    }
}

fn way_message(way: Way) -> v1::DispatchWay {
    match way {
        Way::Plan(_) => v1::DispatchWay::Plan,
        Way::Habit(Habit::FirstIn) => v1::DispatchWay::FirstIn,
        Way::Habit(Habit::EarliestPromise) => v1::DispatchWay::EarliestPromise,
        Way::Habit(Habit::LongestAtBooth) => v1::DispatchWay::LongestAtBooth,
    }
}

/// Returns the measures of the ways, the first of which is fitup's, by run.
pub fn write(ways: &[Way], found: &[Vec<Measures>], cars_per_week: f64) -> v1::RehearseResponse {
    let count = |cars: usize| i32::try_from(cars).unwrap_or(i32::MAX);
    let cars = found.first().into_iter().flatten().map(|measures| measures.cars).sum();
    let best = |what: fn(&Measures) -> f64| -> Option<Gain> {
        let of = |way: usize| found[way].iter().map(what).collect::<Vec<f64>>();
        let sum = |way: &usize| of(*way).iter().sum::<f64>();
        let habit = (1..ways.len()).min_by(|a, b| sum(a).total_cmp(&sum(b)))?;
        let share = gain(&of(0), &of(habit))?;
        Some(Gain { habit: way_message(ways[habit]).into(), share: Some(mean_message(share)) })
    };
    let rows = ways.iter().zip(found).map(|(way, runs)| {
        let of = |what: fn(&Measures) -> f64| {
            let values: Vec<f64> = runs.iter().map(what).collect();
            mean(&values).map(mean_message)
        };
        let sum = |what: fn(&Measures) -> usize| count(runs.iter().map(what).sum());
        WayMessage {
            way: way_message(*way).into(),
            on_time: of(|measures| measures.on_time),
            late_hours: of(|measures| measures.lateness / 60.0),
            weighted_late_hours: of(|measures| measures.weighted_lateness / 60.0),
            cycle_days: of(|measures| measures.cycle / 1440.0),
            utilisation: of(|measures| measures.utilisation),
            unfinished_count: sum(|measures| measures.unfinished),
            stayed_on_count: sum(|measures| measures.concessions.stayed_on),
            waited_count: sum(|measures| measures.concessions.waited_too_long),
            bay_count: sum(|measures| measures.concessions.bay_kept_open),
        }
    });
    v1::RehearseResponse {
        cars_per_week,
        car_count: count(cars),
        ways: rows.collect(),
        weighted_lateness_gain: best(|measures| measures.weighted_lateness),
        cycle_gain: best(|measures| measures.cycle),
        ..Default::default()
    }
}

fn mean_message(mean: interval::Mean) -> Mean {
    Mean { mean: mean.mean, half_width: mean.half.is_finite().then_some(mean.half) }
}
