//! Moves the multipliers: the volume algorithm of Barahona and Anbil (2000), doi:10.1007/s101070050002.
//!
//! Steps go from the best multipliers so far in the direction of an average of what was used, which nears a solution of
//! the linear program, so that they do not zigzag. Floats decide only where to look: bounds come from
//! [`super::Bounder`], in integers.

use super::lattice::SCALE;
use super::resources::Resource;

/// State of the algorithm.
#[derive(Debug, Clone)]
pub(super) struct Volume {
    /// The best multipliers so far: price of a unit over a whole bucket.
    center: Vec<f64>,
    /// Average use of each bucket, in units.
    average: Vec<f64>,
    /// Share of the distance to the target that a step goes.
    stride: f64,
    /// Weight of the latest use in the average.
    weight: f64,
    failures: u32,
    /// Failures in a row after which strides become shorter.
    patience: u32,
    rounds: u32,
    best_before: f64,
}

/// Strides below this do not help any more.
const SHORTEST_STRIDE: f64 = 0.002;

impl Volume {
    /// Starts at the multipliers that `resources` have; strides become shorter after `patience` failures in a row.
    pub fn new(resources: &[Resource], patience: u32) -> Volume {
        let mut center = Vec::new();
        for resource in resources {
            for (edge, &multiplier) in resource.edges.windows(2).zip(&resource.multiplier) {
                center.push((multiplier * i64::from(edge[1] - edge[0])) as f64);
            }
        }
        Volume {
            average: Vec::new(),
            center,
            stride: 0.3,
            weight: 0.1,
            failures: 0,
            patience,
            rounds: 0,
            best_before: f64::NEG_INFINITY,
        }
    }

    /// Tells whether the steps have become too short to gain anything.
    pub fn is_done(&self) -> bool {
        self.stride < SHORTEST_STRIDE
    }

    /// Tells whether anything was learnt that steps can be taken from.
    pub fn has_begun(&self) -> bool {
        !self.average.is_empty()
    }

    /// Sets the multipliers of `resources` to the best so far.
    pub fn restore(&self, resources: &mut [Resource]) {
        set(resources, self.center.iter().copied());
    }

    /// Learns that the multipliers of `resources`, where `used` unit-steps are used, give the bound `value`, and the best
    /// before was `best`.
    pub fn learn(&mut self, resources: &[Resource], used: &[i64], value: f64, best: f64) {
        let use_now = per_bucket(resources, used);
        if self.average.is_empty() {
            self.average = use_now;
            return;
        }
        let free = free(resources);
        let mut agreement = 0.0;
        for (cell, now) in use_now.iter().enumerate() {
            self.average[cell] += self.weight * (now - self.average[cell]);
            agreement += (now - free[cell]) * (self.average[cell] - free[cell]);
        }
        self.rounds += 1;
        if value > best {
            self.failures = 0;
            let mut cell = 0;
            for resource in resources {
                for (edge, &multiplier) in resource.edges.windows(2).zip(&resource.multiplier) {
                    self.center[cell] = (multiplier * i64::from(edge[1] - edge[0])) as f64;
                    cell += 1;
                }
            }
            if agreement > 0.0 {
                self.stride = (self.stride * 1.1).min(2.0);
            }
        } else {
            self.failures += 1;
            if self.failures >= self.patience {
                self.stride *= 0.66;
                self.failures = 0;
            }
        }
        if self.rounds.is_multiple_of(100) {
            let best = best.max(value);
            if best - self.best_before < 0.01 * best.abs() {
                self.weight = (self.weight * 0.5).max(0.01);
            }
            self.best_before = best;
        }
    }

    /// Sets the multipliers of `resources` for the next look, on the way from `best` to `target`.
    pub fn step(&self, resources: &mut [Resource], best: f64, target: f64) {
        if self.average.is_empty() {
            // Nothing is learned since the buckets were refined: the multipliers stay as they are for a look.
            return;
        }
        let free = free(resources);
        let gradient = |cell: usize| self.average[cell] - free[cell];
        let norm: f64 = (0..free.len())
            .filter(|&cell| gradient(cell) > 0.0 || self.center[cell] > 0.0)
            .map(|cell| gradient(cell) * gradient(cell))
            .sum();
        let distance = (0.6 * (target - best)).max(0.001 * best.abs());
        let step = self.stride * distance / norm.max(1e-9);
        let next = self.center.iter().enumerate().map(|(cell, center)| center + step * gradient(cell));
        set(resources, next);
    }
}

/// Largest price of a unit-step, so that the worth of all capacity does not overflow.
const LARGEST: f64 = (1i64 << 38) as f64 * SCALE as f64 / 256.0;

fn set(resources: &mut [Resource], values: impl Iterator<Item = f64>) {
    let mut values = values;
    for resource in resources {
        for bucket in 0..resource.len() {
            let length = f64::from(resource.edges[bucket + 1] - resource.edges[bucket]);
            let value = values.next().unwrap_or(0.0) / length;
            let most = LARGEST.min(2f64.powi(58) / 1e6 / resource.capacity[bucket].max(1) as f64);
            resource.multiplier[bucket] = value.clamp(0.0, most).round() as i64;
        }
    }
}

fn per_bucket(resources: &[Resource], used: &[i64]) -> Vec<f64> {
    let lengths = resources.iter().flat_map(|resource| resource.edges.windows(2).map(|edge| edge[1] - edge[0]));
    used.iter().zip(lengths).map(|(&used, length)| used as f64 / f64::from(length)).collect()
}

fn free(resources: &[Resource]) -> Vec<f64> {
    let capacity: Vec<i64> = resources.iter().flat_map(|resource| resource.capacity.iter().copied()).collect();
    per_bucket(resources, &capacity)
}
