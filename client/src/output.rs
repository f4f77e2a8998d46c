//! The one place that prints: data to standard output, everything else to standard error.

#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::io::{self, IsTerminal, Write};
use std::process;

use clap::ValueEnum;
use serde::Serialize;

use crate::error::Failure;

/// When to use colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ColorChoice {
    /// If the stream is a terminal and NO_COLOR is not set
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

/// Widest and narrowest that anything is laid out for.
const WIDTHS: std::ops::RangeInclusive<usize> = 60..=240;

/// How to print.
#[derive(Debug, Clone, Copy)]
pub struct Output {
    /// One JSON object a line instead of text.
    pub json: bool,
    /// Columns to lay out for.
    pub width: usize,
    paint: Paint,
    paint_errors: Paint,
}

/// Puts colour on text, or leaves it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Paint {
    is_on: bool,
}

impl Paint {
    /// Never colours.
    pub const PLAIN: Self = Self { is_on: false };

    fn new(choice: ColorChoice, is_terminal: bool) -> Self {
        let asks_for_none = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        let is_on = match choice {
            ColorChoice::Auto => is_terminal && !asks_for_none,
            ColorChoice::Always => true,
            ColorChoice::Never => false,
        };
        Self { is_on }
    }

    /// Returns the text as a heading.
    pub fn bold(self, text: &str) -> String {
        self.wrap("1", text)
    }

    /// Returns the text as something that wants attention.
    pub fn alarm(self, text: &str) -> String {
        self.wrap("1;31", text)
    }

    /// Returns the text as something that may be passed over.
    pub fn dim(self, text: &str) -> String {
        self.wrap("2", text)
    }

    fn wrap(self, code: &str, text: &str) -> String {
        if self.is_on && !text.is_empty() { format!("\x1b[{code}m{text}\x1b[0m") } else { text.to_owned() }
    }
}

impl Output {
    /// Returns an output for this terminal; `width` if it is given.
    pub fn new(json: bool, color: ColorChoice, width: Option<usize>) -> Self {
        let terminal = terminal_size::terminal_size().map(|(width, _)| usize::from(width.0));
        let width = width.or(terminal.filter(|_| io::stdout().is_terminal())).unwrap_or(80);
        Self {
            json,
            width: width.clamp(*WIDTHS.start(), *WIDTHS.end()),
            paint: Paint::new(color, io::stdout().is_terminal()),
            paint_errors: Paint::new(color, io::stderr().is_terminal()),
        }
    }

    /// Colours for standard output.
    pub fn paint(&self) -> Paint {
        self.paint
    }

    /// Tells whether progress may be drawn on standard error.
    pub fn may_draw(&self) -> bool {
        io::stderr().is_terminal()
    }

    /// Prints text as it is; the last line may lack its end.
    pub fn text(&self, text: &str) {
        let end = if text.ends_with('\n') || text.is_empty() { "" } else { "\n" };
        self.write(&format!("{text}{end}"));
    }

    /// Prints an object as one line of JSON.
    pub fn object(&self, object: &impl Serialize) {
        let line = serde_json::to_string(object).expect("our types have text keys and finite numbers only");
        self.write(&format!("{line}\n"));
    }

    /// Prints bytes as they are.
    pub fn bytes(&self, bytes: &[u8]) {
        let mut out = io::stdout().lock();
        end_if_closed(out.write_all(bytes).and_then(|()| out.flush()));
    }

    fn write(&self, text: &str) {
        self.bytes(text.as_bytes());
    }

    /// Tells something on standard error.
    pub fn note(&self, text: &str) {
        let _ = writeln!(io::stderr(), "{text}");
    }

    /// Tells a failure on standard error.
    pub fn failure(&self, failure: &Failure) {
        let paint = self.paint_errors;
        let mut text = format!("{} {}\n", paint.alarm("error:"), failure.message);
        for cause in &failure.causes {
            text += &format!("  {cause}\n");
        }
        for hint in &failure.hints {
            text += &format!("{} {hint}\n", paint.bold("hint:"));
        }
        let _ = io::stderr().write_all(text.as_bytes());
    }
}

/// Ends the program quietly if the reader of its output has gone, such as `head`: it wants no more.
fn end_if_closed(result: io::Result<()>) {
    if let Err(error) = result {
        process::exit(if error.kind() == io::ErrorKind::BrokenPipe { 0 } else { 4 });
    }
}

/// Lays out rows as columns; the last one is not padded.
pub fn columns(rows: &[Vec<String>]) -> String {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |column: usize| rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max();
    let widths: Vec<usize> = (0..count).map(|column| width(column).unwrap_or(0)).collect();
    let mut text = String::new();
    for row in rows {
        let cells: Vec<String> =
            row.iter().enumerate().map(|(column, cell)| format!("{cell:<0$}", widths[column])).collect();
        text += cells.join("  ").trim_end();
        text.push('\n');
    }
    text
}

/// Returns at most `width` characters of a text; `..` at its end says that some are missing.
pub fn shorten(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    let kept: String = text.chars().take(width.saturating_sub(2)).collect();
    format!("{}..", kept.trim_end())
}
