//! Waits, hours, and what comes after what.

use fitup_proto::v1;

use crate::wire::{duration, minutes};

/// Parses `30 min`, `1.5 h` or `2 d` into minutes.
///
/// # Errors
///
/// If it is malformed or not whole minutes.
pub fn wait(text: &str) -> Result<i64, String> {
    let text = text.trim();
    let split = text.find(|letter: char| letter.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, unit) = (text[..split].trim(), &text[split..]);
    let wrong = || format!("\"{text}\" is no time such as \"30 min\", \"1.5 h\" or \"2 d\"");
    let minutes = match unit {
        "min" => 1.0,
        "h" => 60.0,
        "d" => 1440.0,
        _ => return Err(wrong()),
    };
    whole_minutes(number.parse::<f64>().map_err(|_| wrong())? * minutes)
        .map_err(|problem| format!("\"{text}\" {problem}"))
}

/// Returns minutes as a whole number.
///
/// # Errors
///
/// If they are not whole, to a millionth, or out of all reason.
pub fn whole_minutes(minutes: f64) -> Result<i64, String> {
    let whole = minutes.round();
    if !minutes.is_finite() || whole.abs() > 1e9 {
        return Err("is out of range".to_owned());
    }
    if (minutes - whole).abs() > 1e-6 {
        return Err(format!("is {minutes:.2} minutes; whole minutes are wanted, such as {whole} min"));
    }
    Ok(whole as i64)
}

/// Writes minutes as `30 min`, `3 h` or `1.5 h`.
pub fn write_wait(minutes: i64) -> String {
    if minutes >= 60 && minutes % 30 == 0 { format!("{} h", minutes as f64 / 60.0) } else { format!("{minutes} min") }
}

/// Writes minutes as a decimal number of hours if that is exact, as operations have it.
pub fn write_hours(minutes: i64) -> Option<String> {
    (minutes % 3 == 0).then(|| format!("{:?}", minutes as f64 / 60.0))
}

/// An entry of `after`: `prime`, `prime + 30 min`, `prime + 30 min .. 24 h`, `prime within 24 h`.
///
/// # Errors
///
/// If it is malformed.
pub fn link(text: &str) -> Result<v1::Link, String> {
    let link = |from: &str, min: Option<i64>, max: Option<i64>| {
        let from = from.trim();
        if from.is_empty() || from.contains(char::is_whitespace) {
            return Err(format!(
                "\"{text}\" is not like \"prime\", \"prime + 30 min .. 24 h\" or \"prime within 24 h\""
            ));
        }
        let (min_wait, max_wait) = (min.map(duration), max.map(duration));
        Ok(v1::Link { from: from.to_owned(), to: String::new(), min_wait, max_wait })
    };
    if let Some((from, max)) = text.split_once(" within ") {
        return link(from, None, Some(wait(max)?));
    }
    let Some((from, waits)) = text.split_once('+') else { return link(text, None, None) };
    match waits.split_once("..") {
        Some((min, max)) => link(from, Some(wait(min)?), Some(wait(max)?)),
        None => link(from, Some(wait(waits)?), None),
    }
}

/// Writes an entry of `after`.
pub fn write_link(link: &v1::Link) -> String {
    let from = &link.from;
    match (link.min_wait.as_ref().map(minutes), link.max_wait.as_ref().map(minutes)) {
        (None | Some(0), None) => from.clone(),
        (Some(min), None) => format!("{from} + {}", write_wait(min)),
        (None | Some(0), Some(max)) => format!("{from} within {}", write_wait(max)),
        (Some(min), Some(max)) => format!("{from} + {} .. {}", write_wait(min), write_wait(max)),
    }
}
