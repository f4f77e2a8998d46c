//! Means with their confidence intervals.

/// A mean and the half-width of its interval of 95 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// The mean.
    pub mean: f64,
    /// The interval reaches so far on either side; infinite for fewer than two values.
    pub half: f64,
}

/// 97.5 % quantiles of Student's t by degrees of freedom from 1: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2.
const T: [f64; 30] = [
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131, 2.120,
    2.110, 2.101, 2.093, 2.086, 2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
];

/// Returns the 97.5 % quantile of Student's t; beyond the table the first correction of the normal one,
/// `z + (z^3 + z) / (4 n)`: Abramowitz and Stegun (1964), 26.7.5.
pub fn student_t(freedom: usize) -> f64 {
    match freedom {
        0 => f64::INFINITY,
        1..=30 => T[freedom - 1],
        _ => {
            let z = 1.959_964_f64;
            z + (z.powi(3) + z) / (4.0 * freedom as f64)
        }
    }
}

/// Returns the mean of `values`, `mean +- t s / sqrt(n)`: Student (1908), doi:10.1093/biomet/6.1.1. `None` of no value.
pub fn mean(values: &[f64]) -> Option<Mean> {
    let count = values.len() as f64;
    if values.is_empty() {
        return None;
    }
    let mean = values.iter().sum::<f64>() / count;
    if values.len() == 1 {
        return Some(Mean { mean, half: f64::INFINITY });
    }
    let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (count - 1.0);
    Some(Mean { mean, half: student_t(values.len() - 1) * (variance / count).sqrt() })
}

/// Returns by what share the mean of `new` is below that of `old`, over pairs: the ratio estimator and its variance as in
/// Cochran (1977), Sampling Techniques, chapter 6. `None` if the old ones are all nothing, or the pairs are not pairs.
pub fn gain(new: &[f64], old: &[f64]) -> Option<Mean> {
    let base = old.iter().sum::<f64>() / old.len().max(1) as f64;
    if new.len() != old.len() || base <= 0.0 {
        return None;
    }
    let ratio = new.iter().sum::<f64>() / old.iter().sum::<f64>();
    let rest: Vec<f64> = new.iter().zip(old).map(|(new, old)| (new - ratio * old) / base).collect();
    Some(Mean { mean: 1.0 - ratio, half: mean(&rest)?.half })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The ten differences of Student's own example, hours of sleep gained: mean 1.58, t for no gain 4.06.
    #[test]
    fn sleep_of_student_1908() {
        let gains = [1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4];
        let found = mean(&gains).unwrap();
        assert!((found.mean - 1.58).abs() < 1e-9);
        assert!((found.mean / (found.half / 2.262) - 4.062).abs() < 1e-3, "{found:?}");
        assert_eq!(mean(&[3.0]).unwrap().half, f64::INFINITY);
        assert_eq!(mean(&[]), None);
    }

    #[test]
    fn beyond_the_table_it_goes_on() {
        // 40 and 120 degrees of freedom: the same table of NIST.
        assert!((student_t(40) - 2.021).abs() < 2e-3);
        assert!((student_t(120) - 1.980).abs() < 1e-3);
    }

    #[test]
    fn a_gain_that_is_the_same_in_every_pair_is_certain() {
        let found = gain(&[1.0, 2.0, 4.0], &[2.0, 4.0, 8.0]).unwrap();
        assert_eq!((found.mean, found.half), (0.5, 0.0));
        assert_eq!(gain(&[1.0], &[0.0]), None);
    }
}
