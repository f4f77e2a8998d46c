//! Instants and lengths of time between what people write and the contract.

use jiff::Timestamp;
use prost_types::{Duration, Timestamp as ProtoTimestamp};

/// Returns minutes as the form that is sent.
pub fn duration(minutes: i64) -> Duration {
    Duration { seconds: minutes * 60, nanos: 0 }
}

/// Returns the whole minutes of a duration.
pub fn minutes(duration: &Duration) -> i64 {
    duration.seconds.div_euclid(60)
}

/// Returns an instant in the form that is sent.
pub fn to_proto(instant: Timestamp) -> ProtoTimestamp {
    let (seconds, nanos) = (instant.as_second(), instant.subsec_nanosecond());
    // Before 1970 a fraction counts back from its second here, and on from the one before in the contract.
    if nanos < 0 {
        return ProtoTimestamp { seconds: seconds - 1, nanos: nanos + 1_000_000_000 };
    }
    ProtoTimestamp { seconds, nanos }
}

/// Returns an instant as it was sent; nothing if it is not set or out of range.
pub fn from_proto(instant: Option<&ProtoTimestamp>) -> Option<Timestamp> {
    let instant = instant?;
    Timestamp::new(instant.seconds, instant.nanos).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn instants_come_back() {
        for text in ["2031-05-05T13:00:00Z", "1969-12-31T23:59:59.5Z", "1969-12-31T23:59:58Z"] {
            let instant: Timestamp = text.parse().expect("is an instant");
            let sent = to_proto(instant);
            assert!((0..1_000_000_000).contains(&sent.nanos), "{text}");
            assert_eq!(from_proto(Some(&sent)), Some(instant));
        }
        assert_eq!(minutes(&duration(90)), 90);
    }
}
