//! Quantiles of samples.

/// Returns the value below which a share of the distribution lies that `sorted`, ascending, was drawn from.
///
/// Definition 8 of Hyndman and Fan (1996), doi:10.1080/00031305.1996.10473566, the one they recommend: about unbiased in
/// the median whatever the distribution. `None` of no sample.
pub fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let position = (sorted.len() as f64 + 1.0 / 3.0) * share.clamp(0.0, 1.0) + 1.0 / 3.0 - 1.0;
    let position = position.clamp(0.0, last as f64);
    let (index, part) = (position.floor() as usize, position.fract());
    // A sample without a value, written as infinity, must not turn into one that is not a number.
    if part == 0.0 {
        return Some(sorted[index]);
    }
    Some(sorted[index] * (1.0 - part) + sorted[(index + 1).min(last)] * part)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_to_ten() {
        let sample: Vec<f64> = (1..=10).map(f64::from).collect();
        // Hyndman and Fan (1996), definition 8.
        assert!((quantile(&sample, 0.9).unwrap() - 9.633_333).abs() < 1e-5);
        assert_eq!(quantile(&sample, 0.5), Some(5.5));
        assert_eq!(quantile(&sample, 0.0), Some(1.0));
        assert_eq!(quantile(&sample, 1.0), Some(10.0));
        assert_eq!(quantile(&[], 0.5), None);
        assert_eq!(quantile(&[1.0, f64::INFINITY], 0.95), Some(f64::INFINITY));
    }
}
