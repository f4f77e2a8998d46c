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

/// Returns the interval of 95 % of a share, `met` of `count`, by its score: Wilson (1927),
/// doi:10.1080/01621459.1927.10502953. From 0 to 1 of none.
pub fn wilson(met: usize, count: usize) -> (f64, f64) {
    if count == 0 {
        return (0.0, 1.0);
    }
    let z = 1.959_964_f64;
    let (met, count) = (met as f64, count as f64);
    let middle = (met + z * z / 2.0) / (count + z * z);
    let half = z / (count + z * z) * (met * (count - met) / count + z * z / 4.0).sqrt();
    ((middle - half).max(0.0), (middle + half).min(1.0))
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

    /// 81 of 263, 15 of 148, 0 of 20 and 1 of 29, by the score without correction: method 3 of the comparison in table I of
    /// Newcombe (1998), doi:10.1002/(SICI)1097-0258(19980430)17:8<857::AID-SIM777>3.0.CO;2-E.
    #[test]
    fn shares_of_newcombe_1998() {
        for (met, count, low, high) in
            [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0000, 0.1611), (1, 29, 0.0061, 0.1718)]
        {
            let found = wilson(met, count);
            assert!((found.0 - low).abs() < 1e-4 && (found.1 - high).abs() < 1e-4, "{met}/{count}: {found:?}");
        }
        assert_eq!(wilson(0, 0), (0.0, 1.0));
    }
}
