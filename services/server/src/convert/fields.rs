//! Fields that occur in many messages, and where they stand.

use std::cell::RefCell;

use fitup_model::{Fault, Faults};
use jiff::{SignedDuration, Timestamp};
use prost_types::{Duration as ProtoDuration, Timestamp as ProtoTimestamp};

/// Where in a message something stands, and where its faults are noted.
#[derive(Clone, Copy)]
pub struct At<'a> {
    faults: &'a RefCell<Faults>,
    parent: Option<&'a At<'a>>,
    name: &'static str,
    index: Option<usize>,
}

impl<'a> At<'a> {
    /// Returns the message itself.
    pub fn root(faults: &'a RefCell<Faults>) -> At<'a> {
        At { faults, parent: None, name: "", index: None }
    }

    /// Returns a field of what stands here.
    pub fn field(&'a self, name: &'static str) -> At<'a> {
        At { faults: self.faults, parent: Some(self), name, index: None }
    }

    /// Returns an element of a repeated field of what stands here.
    pub fn item(&'a self, name: &'static str, index: usize) -> At<'a> {
        At { index: Some(index), ..self.field(name) }
    }

    /// Returns the path from the message, such as `operations[3].crew[0]`.
    pub fn path(&self) -> String {
        let mut path = self.parent.map(At::path).unwrap_or_default();
        if !path.is_empty() {
            path.push('.');
        }
        path.push_str(self.name);
        if let Some(index) = self.index {
            path.push_str(&format!("[{index}]"));
        }
        path
    }

    /// Notes that what stands here is wrong.
    pub fn fault(&self, message: impl Into<String>) {
        self.faults.borrow_mut().add(self.path(), message);
    }
}

/// Runs `read` on a message and returns what it made together with all faults that it noted.
pub fn collect<T>(read: impl FnOnce(&At) -> T) -> (T, Vec<Fault>) {
    let faults = RefCell::new(Faults::new());
    let value = read(&At::root(&faults));
    (value, faults.into_inner().into_result(()).err().unwrap_or_default())
}

/// Reads each element of the repeated field `name`.
pub fn each<P, M>(items: &[P], name: &'static str, at: &At, read: impl Fn(&P, &At) -> M) -> Vec<M> {
    items.iter().enumerate().map(|(index, item)| read(item, &at.item(name, index))).collect()
}

/// Reads a required instant.
pub fn instant(value: Option<&ProtoTimestamp>, at: &At) -> Timestamp {
    if value.is_none() {
        at.fault("is required");
    }
    optional_instant(value, at).unwrap_or_default()
}

/// Reads an instant that may be absent.
pub fn optional_instant(value: Option<&ProtoTimestamp>, at: &At) -> Option<Timestamp> {
    let value = value?;
    // google.protobuf.Timestamp begins with 0001-01-01; the end is that of civil times in every zone, 9999-12-30T22:00Z.
    let read = Timestamp::new(value.seconds, value.nanos).ok();
    let read = read.filter(|_| value.seconds >= -62_135_596_800 && value.nanos >= 0);
    if read.is_none() {
        at.fault(format!("{} s and {} ns is no instant of the years 1 to 9999", value.seconds, value.nanos));
    }
    read
}

/// Writes an instant.
pub fn to_instant(time: Timestamp) -> ProtoTimestamp {
    let (mut seconds, mut nanos) = (time.as_second(), time.subsec_nanosecond());
    if nanos < 0 {
        (seconds, nanos) = (seconds - 1, nanos + 1_000_000_000);
    }
    ProtoTimestamp { seconds, nanos }
}

/// Reads a required number of minutes.
pub fn minutes(value: Option<&ProtoDuration>, at: &At) -> u32 {
    if value.is_none() {
        at.fault("is required");
    }
    optional_minutes(value, at).unwrap_or(1)
}

/// Reads a number of minutes that may be absent.
pub fn optional_minutes(value: Option<&ProtoDuration>, at: &At) -> Option<u32> {
    let value = value?;
    if value.seconds < 0 || value.nanos < 0 {
        at.fault("must not be negative");
        return None;
    }
    if value.nanos != 0 || value.seconds % 60 != 0 {
        at.fault("must be whole minutes");
        return None;
    }
    let minutes = u32::try_from(value.seconds / 60).ok();
    if minutes.is_none() {
        at.fault(format!("{} s is out of all reason", value.seconds));
    }
    minutes
}

/// Writes a number of minutes.
pub fn to_minutes(minutes: u32) -> ProtoDuration {
    ProtoDuration { seconds: i64::from(minutes) * 60, nanos: 0 }
}

/// Writes a length of time.
pub fn to_duration(duration: SignedDuration) -> ProtoDuration {
    ProtoDuration { seconds: duration.as_secs(), nanos: duration.subsec_nanos() }
}

/// Reads a number that may not be negative; `fallback` stands in for one that is.
pub fn count(value: i32, fallback: u32, at: &At) -> u32 {
    u32::try_from(value).unwrap_or_else(|_| {
        at.fault(format!("must not be negative, and is {value}"));
        fallback
    })
}

/// Reads a number that may be absent, and may not be negative.
pub fn optional_count(value: Option<i32>, at: &At) -> Option<u32> {
    value.map(|value| count(value, 1, at))
}

/// Writes a number; the model keeps them far below the limit of the contract.
pub fn to_count(value: u32) -> i32 {
    i32::try_from(value).unwrap_or(i32::MAX)
}

/// Reads a text that is absent if empty.
pub fn optional_text(value: &str) -> Option<String> {
    (!value.is_empty()).then(|| value.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_lead_to_the_field() {
        let ((), faults) = collect(|at| {
            let operation = at.item("operations", 3);
            operation.item("crew", 0).fault("is unknown");
            operation.field("work").fault("is required");
        });
        let paths: Vec<&str> = faults.iter().map(|fault| fault.path.as_str()).collect();
        assert_eq!(paths, ["operations[3].crew[0]", "operations[3].work"]);
    }

    #[test]
    fn minutes_are_whole_and_not_negative() {
        let check = |seconds, nanos, expected: Result<u32, &str>| {
            let (value, faults) = collect(|at| minutes(Some(&ProtoDuration { seconds, nanos }), &at.field("work")));
            let found = faults.first().map_or(Ok(value), |fault| Err(fault.message.as_str()));
            assert_eq!(found, expected);
        };
        check(0, 0, Ok(0));
        check(5400, 0, Ok(90));
        check(-60, 0, Err("must not be negative"));
        check(0, -1, Err("must not be negative"));
        check(61, 0, Err("must be whole minutes"));
        check(60, 1, Err("must be whole minutes"));
        check(60 << 40, 0, Err("65970697666560 s is out of all reason"));
    }

    #[test]
    fn instants_keep_to_the_calendar_of_the_contract() {
        let check = |seconds, nanos, valid| {
            let (_, faults) = collect(|at| instant(Some(&ProtoTimestamp { seconds, nanos }), &at.field("t")));
            assert_eq!(faults.is_empty(), valid, "{seconds} {nanos}");
        };
        check(0, 0, true);
        check(-1, 999_999_999, true);
        check(-62_135_596_800, 0, true);
        check(-62_135_596_801, 0, false);
        check(253_402_207_200, 0, true);
        check(253_402_207_201, 0, false);
        check(0, -1, false);
        check(0, 1_000_000_000, false);
        check(i64::MAX, 0, false);
    }

    #[test]
    fn instants_before_1970_come_back() {
        for (seconds, nanos) in [(-1, 999_999_999), (-2, 1), (0, 1), (5, 0)] {
            let proto = ProtoTimestamp { seconds, nanos };
            let (time, faults) = collect(|at| instant(Some(&proto), at));
            assert_eq!((to_instant(time), faults.len()), (proto, 0));
        }
    }
}
