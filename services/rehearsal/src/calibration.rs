//! Quoted dates held against what became of them: a pure function of the past.
//!
//! Whatever the futures of a quote leave out, its error shows in how often dates were met. Each date is stretched by a factor
//! that follows that share: adaptive conformal inference of Gibbs and Candes (2021), arXiv:2106.00170, in the form that
//! follows the quantile of the scores itself, Angelopoulos, Candes and Tibshirani (2023), arXiv:2307.16895, section 2.1.
//!
//! The score of a car is `s = ln (C - t) / (D - t)` with `t` when it was quoted, `D` the date of the model and `C` when it was
//! complete. Quoted is `t + (D - t) exp(theta)`, so that a date is missed if `s > theta`, and after each outcome
//! `theta <- theta + eta (missed - alpha)`. If no score is larger than `b` and no more than `d` cars are out when an outcome
//! comes, then after `T` outcomes, whatever they were and in whatever order they came,
//!
//! ```text
//! |missed / T - alpha| <= (b + eta (d + 1)) / (eta T)
//! ```
//!
//! as `theta` stays within `b + eta (d + 1)` of 0: beyond `b` no date is missed any more, and what is out by then moves it
//! `d` times at most. A car counts once, when it is complete or its date has passed, whichever is first: cars that take long
//! are not left out, as they would be if one learned from complete cars alone.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use fitup_model::{Span, Time};

/// The step `eta`: a miss of an 80 % date makes later ones 4 % longer, a hit 1 % shorter.
pub const STEP: f64 = 0.05;

/// A date of the model for a car, and what became of the car.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Past {
    /// When the date was told.
    pub at: Time,
    /// By when the model had it complete.
    pub date: Time,
    /// When it was complete; `None` if it is not yet.
    pub complete: Option<Time>,
}

/// Returns `theta` for a date that is to be met in `share` of the cases, by what is known at `now`. `past` is in the order in
/// which the dates were told.
pub fn learned(past: &[Past], now: Time, share: f64, step: f64) -> f64 {
    let mut theta = 0.0;
    let mut out: BinaryHeap<Reverse<(Time, bool)>> = BinaryHeap::new();
    let mut hear = |out: &mut BinaryHeap<Reverse<(Time, bool)>>, until: Time| {
        while let Some(Reverse((_, missed))) = out.peek().copied().filter(|Reverse((known, _))| *known <= until) {
            out.pop();
            theta += step * (f64::from(u8::from(missed)) - (1.0 - share));
        }
        theta
    };
    for past in past.iter().take_while(|past| past.at <= now) {
        let theta = hear(&mut out, past.at);
        let date = stretched(past.at, past.date, theta);
        // A minute after the date it is known that it was missed.
        let outcome = match past.complete.filter(|complete| *complete <= date) {
            Some(complete) => (complete, false),
            None => (date + Span::from_minutes(1), true),
        };
        out.push(Reverse(outcome));
    }
    hear(&mut out, now)
}

/// Returns a date of the model stretched by `exp(theta)` from when it was told, in whole minutes.
pub fn stretched(at: Time, date: Time, theta: f64) -> Time {
    let minutes = ((date - at).minutes() as f64 * theta.exp()).round() as i64;
    at + Span::from_minutes(minutes)
}

/// In which share of the cases the dates of a quote are to be met: likely, P80, safe.
pub const SHARES: [f64; 3] = [0.5, 0.8, 0.95];

/// What the futures said of a car, and what became of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Said {
    /// When.
    pub at: Time,
    /// The dates as the futures had them, by [`SHARES`]; `None` if there was none before the horizon.
    pub futures: [Option<Time>; 3],
    /// When it was complete; `None` if it is not yet.
    pub complete: Option<Time>,
}

/// Returns what is told at `now` where the futures say `futures`: each date stretched by what became of those before. A date
/// that is met more often is never the earlier one.
pub fn dates(past: &[Said], futures: [Option<Time>; 3], now: Time, step: f64) -> [Option<Time>; 3] {
    let mut earlier = now;
    std::array::from_fn(|level| {
        let said = past
            .iter()
            .filter_map(|said| Some(Past { at: said.at, date: said.futures[level]?, complete: said.complete }));
        let theta = learned(&said.collect::<Vec<_>>(), now, SHARES[level], step);
        let date = stretched(now, futures[level]?, theta);
        earlier = earlier.max(date);
        Some(earlier)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn time(minutes: i64) -> Time {
        Time::from_minutes(minutes)
    }

    #[test]
    fn a_miss_makes_it_longer_and_a_hit_shorter() {
        let past = |complete| [Past { at: time(0), date: time(100), complete }];
        let learned = |complete, now| learned(&past(complete), time(now), 0.8, 0.05);
        assert_eq!(learned(Some(time(90)), 89), 0.0);
        assert!((learned(Some(time(90)), 90) + 0.01).abs() < 1e-12);
        // It is not complete, and its date passes.
        assert_eq!(learned(None, 100), 0.0);
        assert!((learned(None, 101) - 0.04).abs() < 1e-12);
        // That it is complete later changes nothing more.
        assert!((learned(Some(time(150)), 500) - 0.04).abs() < 1e-12);
        assert_eq!(stretched(time(60), time(160), 0.0), time(160));
        assert_eq!(stretched(time(60), time(160), 2f64.ln()), time(260));
    }

    #[test]
    fn each_date_learns_from_its_own_and_they_stay_in_order() {
        let said = |complete| Said { at: time(0), futures: [100, 110, 120].map(|date| Some(time(date))), complete };
        // Complete at 105: the likely date was missed, the others were met.
        let told = dates(&[said(Some(time(105)))], [Some(time(1200)), Some(time(2200)), None], time(200), 0.05);
        let after = |minutes: f64, theta: f64| Some(time(200 + (minutes * theta.exp()).round() as i64));
        assert_eq!(told, [after(1000.0, 0.025), after(2000.0, -0.01), None]);
        // A likely date that has learned to be late does not overtake a safe one.
        let late: Vec<Said> = (0..100).map(|_| said(Some(time(105)))).collect();
        let told = dates(&late, [Some(time(1200)), Some(time(1210)), Some(time(1220))], time(200), 0.05);
        assert_eq!(told, [told[0]; 3]);
    }
}
