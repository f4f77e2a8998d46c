//! Chances learned from what was recorded, with what is set as the prior.

use fitup_model::{Count, Evidence};

use crate::chances::Chances;
use crate::quantile::quantile;
use crate::three_point::ThreePoint;

/// What is set counts as so many observations of each kind. Common practice, no source.
pub const PRIOR: f64 = 20.0;
/// The shares of operations below and above which the low and the high are judged.
const TAILS: [f64; 2] = [0.05, 0.95];
/// Learned shares of what is booked stay within these.
const LEAST: f64 = 0.05;
const MOST: f64 = 10.0;
/// Steps in which low and high are fitted, at most, and how near.
const STEPS: usize = 80;
const NEAR: f64 = 1e-6;

/// Returns the chances that are set, moved by what was recorded; an observation counts by `weight`, from 0 to 1.
///
/// A probability is the mean of its posterior, `(a + y) / (a + b + n)` of a beta prior with `a + b` = [`PRIOR`] and the
/// mean that is set, after `y` of `n`: Gelman et al. (2013), Bayesian Data Analysis, 3rd edition, 2.4. What is observed
/// counts less by a power of its likelihood: Ibrahim and Chen (2000), doi:10.1214/ss/1009212673. Amounts are weighed in the
/// same proportion, which is the mean's of a normal with known variance (there, 2.5): the share by which damage makes work
/// grow, and the values below and above which 5 of 100 operations lie; low and high are then those of the distribution
/// that is sampled with these values. What is never recorded stays as it is set.
pub fn learn(set: &Chances, seen: &Evidence, weight: f64) -> Chances {
    let weight = weight.clamp(0.0, 1.0);
    let (low, high) = spread(set, seen, weight);
    let hidden = seen.hidden_work.len() as f64;
    let mean = if hidden > 0.0 { seen.hidden_work.iter().sum::<f64>() / hidden } else { set.hidden_work };
    Chances {
        low,
        high,
        late_part: share(set.late_part, seen.late_parts, weight),
        hidden_damage: share(set.hidden_damage, seen.hidden_damage, weight),
        hidden_work: weighed(set.hidden_work, mean, hidden * weight),
        failed_check: share(set.failed_check, seen.failed_checks, weight),
        absence: share(set.absence, seen.absences, weight),
        ..*set
    }
}

/// Returns the mean of the posterior of a probability.
pub fn share(set: f64, seen: Count, weight: f64) -> f64 {
    (PRIOR * set + weight * f64::from(seen.hits)) / (PRIOR + weight * f64::from(seen.of))
}

/// Returns what is set and what was seen so many times, each by its weight.
fn weighed(set: f64, seen: f64, times: f64) -> f64 {
    (PRIOR * set + times * seen) / (PRIOR + times)
}

/// Returns low and high of the work.
fn spread(set: &Chances, seen: &Evidence, weight: f64) -> (f64, f64) {
    let mut work = seen.work.clone();
    work.sort_by(f64::total_cmp);
    let times = weight * work.len() as f64;
    let (Some(below), Some(above)) = (quantile(&work, TAILS[0]), quantile(&work, TAILS[1])) else {
        return (set.low, set.high);
    };
    if times == 0.0 {
        return (set.low, set.high);
    }
    let prior = tails(set.low, set.high);
    let wanted = [weighed(prior[0], below, times), weighed(prior[1], above, times)];
    let (mut low, mut high) = (set.low, set.high);
    for _ in 0..STEPS {
        let found = tails(low, high);
        // Each tail follows its end, and by less than it: the step goes the right way and not too far.
        let next = ((low + wanted[0] - found[0]).clamp(LEAST, 1.0), (high + wanted[1] - found[1]).clamp(1.0, MOST));
        let step = (next.0 - low).abs().max((next.1 - high).abs());
        (low, high) = next;
        if step < NEAR {
            break;
        }
    }
    (low, high)
}

/// Returns the values below and above which 5 of 100 samples lie.
fn tails(low: f64, high: f64) -> [f64; 2] {
    match ThreePoint::new(low, 1.0, high) {
        Some(work) => {
            let beta = work.beta();
            TAILS.map(|share| beta.quantile(share))
        }
        None => [1.0; 2],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found} is not {expected}");
    }

    /// Gelman et al. (2013), Bayesian Data Analysis, table 2.1 (from memory): 437 girls of 980 births with placenta previa
    /// under priors around 0.485; with a prior that counts as 20 the posterior is told as 0.447. Its mean and its median,
    /// which the table gives, agree to three places.
    #[test]
    fn a_textbook_posterior() {
        let births = Count { hits: 437, of: 980 };
        near(share(0.485, births, 1.0), 0.447, 5e-4);
        near(share(0.485, births, 1.0), (0.485 * 20.0 + 437.0) / 1000.0, 1e-12);
        // As the table's prior that counts as 200: a tenth of the births against 20.
        near(share(0.485, births, 0.1), 0.453, 5e-4);
    }

    #[test]
    fn without_records_or_weight_all_is_as_set() {
        let set = Chances { low: 0.7, high: 1.9, ..Chances::default() };
        assert_eq!(learn(&set, &Evidence::default(), 1.0), set);
        let seen = Evidence {
            work: vec![1.2, 1.4],
            late_parts: Count { hits: 3, of: 4 },
            hidden_damage: Count { hits: 1, of: 1 },
            hidden_work: vec![0.9],
            failed_checks: Count { hits: 2, of: 9 },
            absences: Count { hits: 9, of: 9 },
        };
        let found = learn(&set, &seen, 0.0);
        near(found.late_part, set.late_part, 1e-12);
        near(found.hidden_work, set.hidden_work, 1e-12);
        assert_eq!((found.low, found.high), (set.low, set.high));
        assert_eq!((found.late_approval, found.late_days), (set.late_approval, set.late_days));
    }

    /// Two batches, the first one's posterior as the prior of the second, are one: Gelman et al. (2013), 1.2 and 2.4. The
    /// prior of the second then counts as 20 + 30.
    #[test]
    fn what_is_learned_in_turns_is_learned_at_once() {
        let (first, second) = (Count { hits: 7, of: 30 }, Count { hits: 1, of: 25 });
        let after = share(0.15, first, 1.0);
        let in_turns = ((PRIOR + 30.0) * after + 1.0) / (PRIOR + 30.0 + 25.0);
        near(in_turns, share(0.15, Count { hits: first.hits + second.hits, of: 55 }, 1.0), 1e-12);
    }

    /// Goal: much evidence outweighs what is set, and what is learned is the distribution that the evidence is from. Method:
    /// evenly spaced quantiles of a known one in the place of a sample.
    #[test]
    fn the_distribution_of_much_evidence_is_found() {
        for (low, high) in [(0.7, 2.2), (0.9, 1.1), (1.0, 3.0), (0.5, 1.0)] {
            let beta = ThreePoint::new(low, 1.0, high).unwrap().beta();
            let work = (0..20_000).map(|number| beta.quantile((f64::from(number) + 0.5) / 20_000.0)).collect();
            let found = learn(&Chances::default(), &Evidence { work, ..Evidence::default() }, 1.0);
            near(found.low, low, 0.01);
            near(found.high, high, 0.01);
        }
    }

    /// A little evidence moves what is set a little, and to its side.
    #[test]
    fn a_little_evidence_moves_a_little() {
        let set = Chances::default();
        let slow = Evidence { work: vec![2.0; 5], ..Evidence::default() };
        let found = learn(&set, &slow, 1.0);
        assert!(set.high < found.high && found.high < 2.2, "{found:?}");
        let half = learn(&set, &slow, 0.5);
        assert!(set.high < half.high && half.high < found.high, "{half:?}");
        assert!(found.low <= 1.0);
    }
}
