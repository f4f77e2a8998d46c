//! Hours said as three: low, likely and high.

/// How many cells the distribution function is summed over.
const CELLS: usize = 4096;

/// Low, likely and high, in one unit, in this order; low is less than high.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThreePoint {
    low: f64,
    likely: f64,
    high: f64,
}

impl ThreePoint {
    /// Returns the three if they are finite, not negative, in order, and not all the same.
    pub fn new(low: f64, likely: f64, high: f64) -> Option<ThreePoint> {
        let ordered = 0.0 <= low && low <= likely && likely <= high && low < high && high.is_finite();
        ordered.then_some(ThreePoint { low, likely, high })
    }

    /// Returns the mean of the beta distribution, `(a + 4 m + b) / 6`: Malcolm et al. (1959), doi:10.1287/opre.7.5.646.
    pub fn mean(&self) -> f64 {
        (self.low + 4.0 * self.likely + self.high) / 6.0
    }

    /// Returns the variance that the method of 1959 works with, `((b - a) / 6)^2`.
    pub fn classic_variance(&self) -> f64 {
        ((self.high - self.low) / 6.0).powi(2)
    }

    /// Returns the variance of the beta distribution that is sampled, `(mean - a) (b - mean) / 7`.
    pub fn variance(&self) -> f64 {
        (self.mean() - self.low) * (self.high - self.mean()) / 7.0
    }

    /// Returns the mean of the triangular distribution, `(a + m + b) / 3`.
    pub fn triangular_mean(&self) -> f64 {
        (self.low + self.likely + self.high) / 3.0
    }

    /// Returns the variance of the triangular distribution, `(a^2 + m^2 + b^2 - am - ab - mb) / 18`.
    pub fn triangular_variance(&self) -> f64 {
        let (a, m, b) = (self.low, self.likely, self.high);
        (a * a + m * m + b * b - a * m - a * b - m * b) / 18.0
    }

    /// Returns the value that the triangular distribution stays below with probability `share`, from 0 to 1.
    pub fn triangular_quantile(&self, share: f64) -> f64 {
        let (a, m, b) = (self.low, self.likely, self.high);
        let share = share.clamp(0.0, 1.0);
        if share < (m - a) / (b - a) {
            a + (share * (b - a) * (m - a)).sqrt()
        } else {
            b - ((1.0 - share) * (b - a) * (b - m)).sqrt()
        }
    }

    /// Returns the beta distribution, ready to be sampled.
    pub fn beta(&self) -> Beta {
        let (first, second) = (
            4.0 * (self.likely - self.low) / (self.high - self.low),
            4.0 * (self.high - self.likely) / (self.high - self.low),
        );
        let mut below = vec![0.0];
        let mut sum = 0.0;
        for cell in 0..CELLS {
            let x = (cell as f64 + 0.5) / CELLS as f64;
            sum += x.powf(first) * (1.0 - x).powf(second);
            below.push(sum);
        }
        for value in &mut below {
            *value /= sum;
        }
        Beta { low: self.low, high: self.high, guide: guide(&below), below }
    }
}

/// The beta distribution over `[low, high]` with the exponents `4 (m - a) / (b - a)` and `4 (b - m) / (b - a)`.
#[derive(Debug, Clone)]
pub struct Beta {
    low: f64,
    high: f64,
    /// Probability of what lies below each cell of the range.
    below: Vec<f64>,
    /// The first cell that reaches each of so many equal shares: where the search for a quantile begins, by the indexed
    /// search of Chen and Asau, On generating random variates from an empirical distribution (1974; from memory).
    guide: Vec<u32>,
}

/// Shares that the guide knows.
const GUIDES: usize = 1024;

fn guide(below: &[f64]) -> Vec<u32> {
    let first = |share: usize| below.partition_point(|below| *below < share as f64 / GUIDES as f64) as u32;
    (0..=GUIDES).map(first).collect()
}

impl Beta {
    /// Returns the value that the distribution stays below with probability `share`, from 0 to 1.
    ///
    /// Rises with `share`, so that the same random numbers give futures that can be compared.
    pub fn quantile(&self, share: f64) -> f64 {
        let share = share.clamp(0.0, 1.0);
        let from = (share * GUIDES as f64) as usize;
        let (first, last) = (self.guide[from] as usize, self.guide[(from + 1).min(GUIDES)] as usize);
        let after = first + self.below[first..=last.min(CELLS)].partition_point(|below| *below < share);
        let after = after.clamp(1, CELLS);
        let (left, right) = (self.below[after - 1], self.below[after]);
        let part = if right > left { (share - left) / (right - left) } else { 0.0 };
        self.low + (self.high - self.low) * (after as f64 - 1.0 + part) / CELLS as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found} is not {expected}");
    }

    /// (2, 5, 14): beta with shapes 2 and 4, quantiles from memory of its closed form, `F(x) = 1 - (1-x)^5 - 5x(1-x)^4`
    /// for x in 0..1; triangular moments by the formulas of any handbook of statistics.
    #[test]
    fn moments_and_quantiles_of_2_5_14() {
        let it = ThreePoint::new(2.0, 5.0, 14.0).unwrap();
        near(it.mean(), 6.0, 1e-12);
        near(it.classic_variance(), 4.0, 1e-12);
        near(it.variance(), 32.0 / 7.0, 1e-12);
        near(it.triangular_mean(), 7.0, 1e-12);
        near(it.triangular_variance(), 6.5, 1e-12);
        near(it.triangular_quantile(0.9), 10.71366, 1e-5);
        let beta = it.beta();
        for (share, value) in [(0.5, 5.76572), (0.8, 7.88231), (0.9, 9.00668), (0.95, 9.88890)] {
            near(beta.quantile(share), value, 2e-5);
            let x = (beta.quantile(share) - 2.0) / 12.0;
            near(1.0 - (1.0 - x).powi(5) - 5.0 * x * (1.0 - x).powi(4), share, 1e-6);
        }
        near(beta.quantile(0.0), 2.0, 1e-9);
        near(beta.quantile(1.0), 14.0, 1e-9);
    }

    /// The construction project of Hillier and Lieberman, Introduction to Operations Research, chapter on PERT/CPM (from
    /// memory): means, variances, the critical path of 44 weeks with variance 9, and the deadline of 47 weeks, which is one
    /// standard deviation away, so that it is met with probability 0.84.
    #[test]
    fn a_textbook_project() {
        let activities: [(&str, [f64; 3], f64, f64); 14] = [
            ("A", [1.0, 2.0, 3.0], 2.0, 1.0 / 9.0),
            ("B", [2.0, 3.5, 8.0], 4.0, 1.0),
            ("C", [6.0, 9.0, 18.0], 10.0, 4.0),
            ("D", [4.0, 5.5, 10.0], 6.0, 1.0),
            ("E", [1.0, 4.5, 5.0], 4.0, 4.0 / 9.0),
            ("F", [4.0, 4.0, 10.0], 5.0, 1.0),
            ("G", [5.0, 6.5, 11.0], 7.0, 1.0),
            ("H", [5.0, 8.0, 17.0], 9.0, 4.0),
            ("I", [3.0, 7.5, 9.0], 7.0, 1.0),
            ("J", [3.0, 9.0, 9.0], 8.0, 1.0),
            ("K", [4.0, 4.0, 4.0], 4.0, 0.0),
            ("L", [1.0, 5.5, 7.0], 5.0, 1.0),
            ("M", [1.0, 2.0, 3.0], 2.0, 1.0 / 9.0),
            ("N", [5.0, 5.5, 9.0], 6.0, 4.0 / 9.0),
        ];
        let before = ["", "A", "B", "C", "C", "E", "D", "EG", "C", "FI", "J", "J", "H", "KL"];
        let mut ends: Vec<(f64, f64)> = Vec::new();
        for ((_, [low, likely, high], mean, variance), before) in activities.iter().zip(before) {
            // What takes the same time always is no distribution.
            let found =
                ThreePoint::new(*low, *likely, *high).map_or((*likely, 0.0), |it| (it.mean(), it.classic_variance()));
            near(found.0, *mean, 1e-12);
            near(found.1, *variance, 1e-12);
            let position = |name: char| activities.iter().position(|own| own.0.starts_with(name)).unwrap();
            let start = before.chars().map(|name| ends[position(name)]).max_by(|a, b| a.0.total_cmp(&b.0));
            let start = start.unwrap_or((0.0, 0.0));
            ends.push((start.0 + found.0, start.1 + found.1));
        }
        let last = ends.iter().copied().max_by(|a, b| a.0.total_cmp(&b.0)).unwrap();
        near(last.0, 44.0, 1e-9);
        near(last.1, 9.0, 1e-9);
        near((47.0 - last.0) / last.1.sqrt(), 1.0, 1e-9);
    }

    #[test]
    fn the_guide_finds_the_cell_that_a_search_of_all_finds() {
        for (low, likely, high) in [(2.0, 5.0, 14.0), (0.8, 1.0, 1.6), (0.0, 0.0, 1.0), (1.0, 9.0, 9.0)] {
            let beta = ThreePoint::new(low, likely, high).unwrap().beta();
            let shares = (0..=10_000).map(|step| f64::from(step) / 10_000.0).chain(beta.below.iter().copied());
            for share in shares.chain([1e-300, 1.0 - f64::EPSILON]) {
                let after = beta.below.partition_point(|below| *below < share).clamp(1, CELLS);
                let (left, right) = (beta.below[after - 1], beta.below[after]);
                let part = if right > left { (share - left) / (right - left) } else { 0.0 };
                let expected = low + (high - low) * (after as f64 - 1.0 + part) / CELLS as f64;
                assert_eq!(beta.quantile(share).to_bits(), expected.to_bits(), "{share}");
            }
        }
    }

    #[test]
    fn what_is_not_in_order_is_refused() {
        for (low, likely, high) in
            [(3.0, 2.0, 5.0), (1.0, 6.0, 5.0), (2.0, 2.0, 2.0), (-1.0, 2.0, 3.0), (f64::NAN, 1.0, 2.0)]
        {
            assert_eq!(ThreePoint::new(low, likely, high), None);
        }
    }
}
