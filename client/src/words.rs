//! Times and numbers as people read them.

use fitup_proto::v1;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::wire::from_proto;

/// Returns an instant as `Mon 5 May 08:00`.
pub fn when(instant: Timestamp, zone: &TimeZone) -> String {
    zone.to_datetime(instant).strftime("%a %-d %b %H:%M").to_string()
}

/// Returns an instant of a message as `Mon 5 May 08:00`; a dash if it is not set.
pub fn proto_when(instant: Option<&prost_types::Timestamp>, zone: &TimeZone) -> String {
    from_proto(instant).map_or_else(|| "-".to_owned(), |instant| when(instant, zone))
}

/// Returns an instant of a message as `5 May 08:00`, for narrow columns; a dash if it is not set.
pub fn proto_date(instant: Option<&prost_types::Timestamp>, zone: &TimeZone) -> String {
    let text = |instant| zone.to_datetime(instant).strftime("%-d %b %H:%M").to_string();
    from_proto(instant).map_or_else(|| "-".to_owned(), text)
}

/// Returns minutes as `45 min`, `3 h 30 min` or `2 d 4 h`.
pub fn span(minutes: i64) -> String {
    let (days, hours, rest) = (minutes / 1440, minutes % 1440 / 60, minutes % 60);
    match (days, hours, rest) {
        (0, 0, rest) => format!("{rest} min"),
        (0, hours, 0) => format!("{hours} h"),
        (0, hours, rest) => format!("{hours} h {rest} min"),
        (days, 0, _) => format!("{days} d"),
        (days, hours, _) => format!("{days} d {hours} h"),
    }
}

/// Returns minutes as a decimal number of hours, `3.5 h`; less than an hour as `45 min`.
pub fn hours(minutes: i64) -> String {
    if minutes.abs() < 60 {
        return format!("{minutes} min");
    }
    let tenths = (minutes * 10 + 30).div_euclid(60);
    if tenths % 10 == 0 { format!("{} h", tenths / 10) } else { format!("{}.{} h", tenths / 10, tenths % 10) }
}

/// Returns a whole number with commas between thousands.
pub fn grouped(number: i64) -> String {
    let digits = number.unsigned_abs().to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    if number < 0 { format!("-{text}") } else { text }
}

/// Returns how far a price is at most above the best possible one, such as `at most 2.8 % above the best possible plan`.
///
/// The percentage is `(price - bound) / bound`, rounded up so that it stays true.
pub fn gap(price: i64, bound: i64) -> String {
    if price <= bound {
        return "proven: no plan is better".to_owned();
    }
    if bound <= 0 {
        return "how far from the best possible plan is not known yet".to_owned();
    }
    let tenths = ((price - bound) as f64 / bound as f64 * 1000.0).ceil() as i64;
    format!("at most {}.{} % above the best possible plan", grouped(tenths / 10), tenths % 10)
}

/// Returns `1 order` or `3 orders`.
pub fn count(number: usize, thing: &str) -> String {
    if number == 1 { format!("1 {thing}") } else { format!("{number} {thing}s") }
}

/// Returns what time on the deciding chain of `order` goes to, in words.
pub fn delay(delay: &v1::Delay, order: &str) -> String {
    let length = span(delay.duration.as_ref().map_or(0, crate::wire::minutes));
    let subject = &delay.subject;
    let taken = |by: &str| match delay.holder.as_str() {
        "" => String::new(),
        holder if holder == order => " (its own other work)".to_owned(),
        holder => format!(" ({by} {holder})"),
    };
    match delay.kind() {
        v1::delay::Kind::Work => format!("{length} of work"),
        v1::delay::Kind::Cure => format!("{length} of cure and flash"),
        v1::delay::Kind::Part => format!("{length} for part {subject}"),
        v1::delay::Kind::Approval => format!("{length} for approval {subject}"),
        v1::delay::Kind::Bay => format!("{length} for bay {subject}{}", taken("taken by")),
        v1::delay::Kind::Technician => format!("{length} for {subject}{}", taken("busy with")),
        v1::delay::Kind::Equipment => format!("{length} for equipment {subject}{}", taken("taken by")),
        v1::delay::Kind::Closed => format!("{length} closed or off"),
        v1::delay::Kind::Settled => format!("{length} settled by hand"),
        v1::delay::Kind::Other | v1::delay::Kind::Unspecified => format!("{length} of other waits"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_times_and_numbers() {
        assert_eq!([45, 60, 210, 1440, 3960].map(span), ["45 min", "1 h", "3 h 30 min", "1 d", "2 d 18 h"]);
        assert_eq!([45, 60, 210, 100].map(hours), ["45 min", "1 h", "3.5 h", "1.7 h"]);
        assert_eq!([0, 999, 1000, -1234567].map(grouped), ["0", "999", "1,000", "-1,234,567"]);
    }

    #[test]
    fn a_gap_is_never_told_too_small() {
        assert_eq!(gap(100, 100), "proven: no plan is better");
        assert_eq!(gap(10_001, 10_000), "at most 0.1 % above the best possible plan");
        assert_eq!(gap(5, 0), "how far from the best possible plan is not known yet");
    }
}
