//! The small grammars inside the strings of our files: instants, intervals, times of day, weeks, waits.
//!
//! | what | written | means |
//! | --- | --- | --- |
//! | instant | `2031-05-05 08:00` | local time of the shop; `2031-11-02T01:30-06:00` or `...Z` says its own zone |
//! | interval | `2031-05-06 08:00 .. 2031-05-07 12:00` | half-open: from the first instant up to the second |
//! | | `2031-05-06 08:00 .. 12:00` | on the same day |
//! | | `2031-05-06`, `2031-05-06 through 2031-05-08` | whole days, the last one included |
//! | | `2031-05-06 (filter change)` | any of these, with a note |
//! | wait | `30 min`, `1.5 h`, `2 d` | whole minutes; a day is 24 h |
//!
//! A local time that the clocks skip in spring is refused; of one that comes twice in autumn the earlier is meant.
//! Every `write_..` is the inverse of its parser.

mod instant;
#[cfg(test)]
mod tests;
mod wait;
mod week;

pub use instant::{date, instant, period, proto_instant, write_instant, write_period};
pub use wait::{link, wait, whole_minutes, write_hours, write_link, write_wait};
pub use week::{exception, shift, write_exception, write_shift};

// What is read into the form that is sent: the readers of files speak of both in one breath.
pub use crate::wire::{duration, from_proto, minutes, to_proto};

/// Splits `main (note)` in two; the note is empty if there is none.
fn split_note(text: &str) -> Result<(&str, String), String> {
    let Some((main, rest)) = text.split_once('(') else { return Ok((text.trim(), String::new())) };
    match rest.trim_end().strip_suffix(')') {
        Some(note) => Ok((main.trim(), note.to_owned())),
        None => Err(format!("the note of \"{text}\" does not end in `)`")),
    }
}

fn with_note(text: String, note: &str) -> String {
    if note.is_empty() { text } else { format!("{text} ({note})") }
}
