//! How many calls a token may make: a bucket for each, which fills at the rate and holds two seconds' worth.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

const BURST_SECONDS: f64 = 2.0;

/// Counts calls. There is one bucket for each token that was ever used here, and tokens are few.
#[derive(Debug)]
pub struct Rates {
    per_second: f64,
    buckets: Mutex<HashMap<String, Bucket>>,
}

#[derive(Debug, Clone, Copy)]
struct Bucket {
    calls: f64,
    since: Instant,
}

impl Rates {
    /// Returns full buckets for so many calls a second.
    pub fn new(per_second: u32) -> Rates {
        Rates { per_second: per_second.max(1).into(), buckets: Mutex::default() }
    }

    /// Takes a call from the bucket of `token`.
    ///
    /// # Errors
    /// If there is none left: how long to wait for the next.
    pub fn take(&self, token: &str, now: Instant) -> Result<(), Duration> {
        let most = self.per_second * BURST_SECONDS;
        let mut buckets = self.buckets.lock().unwrap_or_else(PoisonError::into_inner);
        let bucket = match buckets.get_mut(token) {
            Some(bucket) => bucket,
            None => buckets.entry(token.to_owned()).or_insert(Bucket { calls: most, since: now }),
        };
        let passed = now.saturating_duration_since(bucket.since).as_secs_f64();
        bucket.calls = (bucket.calls + passed * self.per_second).min(most);
        bucket.since = now;
        if bucket.calls < 1.0 {
            return Err(Duration::from_secs_f64((1.0 - bucket.calls) / self.per_second));
        }
        bucket.calls -= 1.0;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bucket_runs_dry_and_fills_again() {
        let (rates, start) = (Rates::new(10), Instant::now());
        let at = |millis| start + Duration::from_millis(millis);
        assert!((0..20).all(|_| rates.take("a", at(0)).is_ok()));
        let wait = rates.take("a", at(0)).unwrap_err();
        assert!(wait > Duration::from_millis(99) && wait < Duration::from_millis(101), "{wait:?}");
        assert!(rates.take("b", at(0)).is_ok(), "each has its own");
        assert!(rates.take("a", at(101)).is_ok());
        assert!(rates.take("a", at(101)).is_err());
        assert_eq!((0..100).filter(|_| rates.take("a", at(60_000)).is_ok()).count(), 20);
    }
}
