//! Between what the hours of an operation may turn out to lie.

use crate::time::Span;

/// The least and the most that an operation takes, beside what is booked for the whole of it, which is the likely one.
///
/// What is left of one that has begun varies by the same shares.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spread {
    booked: Span,
    low: Option<Span>,
    high: Option<Span>,
}

impl Spread {
    /// Returns the spread; none where neither is said, and where `0 < low <= booked <= high` does not hold.
    pub fn new(booked: Span, low: Option<Span>, high: Option<Span>) -> Option<Spread> {
        let ordered = low.is_none_or(|low| Span::ZERO < low && low <= booked) && high.is_none_or(|high| booked <= high);
        let said = low.is_some() || high.is_some();
        (said && ordered && Span::ZERO < booked).then_some(Spread { booked, low, high })
    }

    /// Returns the least as a share of what is booked, from 0 to 1; `None` if it was not said.
    pub fn low_share(&self) -> Option<f64> {
        self.low.map(|low| self.share(low))
    }

    /// Returns the most as a share of what is booked, at least 1; `None` if it was not said.
    pub fn high_share(&self) -> Option<f64> {
        self.high.map(|high| self.share(high))
    }

    fn share(&self, work: Span) -> f64 {
        work.minutes() as f64 / self.booked.minutes() as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spread(booked: i64, low: Option<i64>, high: Option<i64>) -> Option<(Option<f64>, Option<f64>)> {
        let spread = Spread::new(Span::from_minutes(booked), low.map(Span::from_minutes), high.map(Span::from_minutes));
        spread.map(|spread| (spread.low_share(), spread.high_share()))
    }

    /// A quotient of whole minutes is the nearest number to the share (IEEE 754), as that of a percentage is: they are equal.
    #[test]
    fn shares_are_those_of_percentages() {
        assert_eq!(spread(90, Some(72), Some(144)), Some((Some(80.0 / 100.0), Some(160.0 / 100.0))));
        assert_eq!(spread(90, None, Some(90)), Some((None, Some(1.0))));
    }

    #[test]
    fn what_is_not_in_order_or_not_said_is_none() {
        assert_eq!(spread(90, None, None), None);
        assert_eq!(spread(90, Some(91), None), None);
        assert_eq!(spread(90, Some(0), None), None);
        assert_eq!(spread(90, None, Some(89)), None);
        assert_eq!(spread(0, None, Some(5)), None);
    }
}
