//! Arrivals, completions, time in the shop and work in process, and whether they fit together by Little's law
//! (Little (1961), "A proof for the queuing formula L = λW", doi:10.1287/opre.9.3.383).

const DAY: f64 = 86_400.0;

/// A stay in the shop, in seconds of any one clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stay {
    /// When it begins.
    pub arrival: i64,
    /// When it ends; none if it goes on.
    pub completion: Option<i64>,
}

impl Stay {
    /// Returns its length in days of 24 hours, weekends included; never negative.
    pub fn days(&self) -> Option<f64> {
        self.completion.map(|end| (end - self.arrival).max(0) as f64 / DAY)
    }
}

/// How cars flow through the shop.
#[derive(Debug, Clone, PartialEq)]
pub struct Flow {
    /// Stays that begin.
    pub arrived: usize,
    /// Stays that end.
    pub completed: usize,
    /// Mean days from arrival to completion, of those that end.
    pub cycle_days: Option<f64>,
    /// Cars there, on average over the time.
    pub work_in_process: f64,
    /// Work in process / (completions a day * cycle days): L / (λ W), 1 where the law holds, which is in a steady state.
    /// Above 1 the shop fills with cars that are not done, below 1 it empties.
    pub little: Option<f64>,
}

/// Returns the flow in `[from, until)`.
pub fn flow(stays: &[Stay], from: i64, until: i64) -> Flow {
    let ends = |stay: &&Stay| stay.completion.is_some_and(|end| (from..until).contains(&end));
    let completed = stays.iter().filter(ends).count();
    let days: f64 = stays.iter().filter(ends).filter_map(Stay::days).sum();
    let cycle_days = (completed > 0).then(|| days / completed as f64);
    let there = |stay: &Stay| (stay.completion.unwrap_or(until).min(until) - stay.arrival.max(from)).max(0);
    let length = (until - from).max(0) as f64;
    let work_in_process = if length > 0.0 { stays.iter().map(there).sum::<i64>() as f64 / length } else { 0.0 };
    let by_law = cycle_days.filter(|_| length > 0.0).map(|days| completed as f64 / (length / DAY) * days);
    Flow {
        arrived: stays.iter().filter(|stay| (from..until).contains(&stay.arrival)).count(),
        completed,
        cycle_days,
        work_in_process,
        little: by_law.filter(|law| *law > 0.0).map(|law| work_in_process / law),
    }
}

/// Returns booked hours a day in the shop, of `(booked hours, days in the shop)`: all hours over all days, a car that is
/// there for less than a day counted as there for one.
pub fn touch_hours(cars: &[(f64, f64)]) -> Option<f64> {
    let days: f64 = cars.iter().map(|(_, days)| days.max(1.0)).sum();
    (!cars.is_empty()).then(|| cars.iter().map(|(hours, _)| hours).sum::<f64>() / days)
}
