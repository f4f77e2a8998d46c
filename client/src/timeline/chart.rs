//! Bars on days.

use jiff::tz::TimeZone;

use super::axis::{Day, local_minute};
use super::glyph;
use crate::output::Paint;

/// A row of a chart.
#[derive(Debug, Clone, Default)]
pub struct Lane {
    /// What stands in front of it.
    pub name: String,
    /// What is on it; bars do not overlap.
    pub bars: Vec<Bar>,
    /// When it is closed or off, in minutes since 1970.
    pub off: Vec<(i64, i64)>,
}

/// A bar; times in minutes since 1970.
#[derive(Debug, Clone)]
pub struct Bar {
    /// First minute.
    pub start: i64,
    /// The minute after the last.
    pub end: i64,
    /// What it is called, the fullest first; the first that fits is taken.
    pub labels: Vec<String>,
    /// It wants attention.
    pub is_late: bool,
    /// What happens in it: start, end, glyph. Elsewhere it waits.
    pub pieces: Vec<(i64, i64, char)>,
}

/// A chart of some days.
#[derive(Debug, Clone, Copy)]
pub struct Chart<'c> {
    /// The days.
    pub days: &'c [Day],
    /// Days that there is room for, so that a chart of fewer has columns as wide.
    pub room_for: usize,
    /// Columns for all of it.
    pub width: usize,
    /// The shop's time zone.
    pub zone: &'c TimeZone,
    /// Colours.
    pub paint: Paint,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ink {
    Plain,
    Dim,
    Alarm,
}

/// A cell of a row: its day, its times and what it shows.
struct Cell {
    day: usize,
    start: i64,
    end: i64,
    owner: Option<usize>,
    glyph: char,
    ink: Ink,
}

impl Chart<'_> {
    /// Returns the chart, with a ruler above and a key of bars too short for their names below.
    pub fn draw(&self, lanes: &[Lane]) -> String {
        let name_width = lanes.iter().map(|lane| lane.name.chars().count()).max().unwrap_or(0);
        let cells = self.cells_each(name_width);
        let mut text = self.ruler(name_width, &cells);
        let mut keys: Vec<String> = Vec::new();
        for lane in lanes {
            let row = self.row(lane, &cells, &mut keys);
            text += &format!("{:<name_width$} {}\n", lane.name, self.join(&row));
        }
        if !keys.is_empty() {
            text += &wrap(&format!("{:<name_width$} ", "key"), &keys, "  ", self.width);
        }
        text
    }

    /// Returns the number of cells of each day: the room shared out, the first days get what is left over.
    fn cells_each(&self, name_width: usize) -> Vec<usize> {
        let count = self.room_for.max(self.days.len()).max(1);
        let gaps = self.days.iter().filter(|day| day.after_gap).count();
        let room = self.width.saturating_sub(name_width + 2 + count + gaps);
        (0..self.days.len()).map(|index| (room / count + usize::from(index < room % count)).max(1)).collect()
    }

    fn ruler(&self, name_width: usize, cells: &[usize]) -> String {
        let (mut dates, mut hours) = (format!("{:<name_width$} ", ""), format!("{:<name_width$} ", ""));
        for (day, &cells) in self.days.iter().zip(cells) {
            let edge = if day.after_gap { "||" } else { "|" };
            let long = day.date.strftime("%a %-d %b").to_string();
            let name = if long.len() <= cells { long } else { day.date.strftime("%-d").to_string() };
            dates += &format!("{edge}{:<cells$.cells$}", name);
            hours += &format!("{edge}{}", self.hours(day, cells));
        }
        format!("{}|\n{}|\n", self.paint.bold(&dates), hours)
    }

    /// Returns the hours of a day, each where it begins, in steps that leave room between.
    fn hours(&self, day: &Day, cells: usize) -> String {
        let cells_an_hour = cells as i64 * 60 / (day.end - day.start).max(1);
        let step = [1, 2, 3, 4, 6].into_iter().find(|step| step * cells_an_hour >= 4).unwrap_or(12);
        let mut text = vec![' '; cells];
        for hour in (0..24).step_by(step as usize) {
            let minute = local_minute(day.date, hour * 60, self.zone);
            let begins = |cell: &usize| (day.cell(*cell, cells).0..day.cell(*cell, cells).1).contains(&minute);
            let Some(cell) = (0..cells).find(begins) else { continue };
            let digits = hour.to_string();
            if cell + digits.len() <= cells {
                text.splice(cell..cell + digits.len(), digits.chars());
            }
        }
        text.into_iter().collect()
    }

    fn row(&self, lane: &Lane, cells_each: &[usize], keys: &mut Vec<String>) -> Vec<Cell> {
        let mut cells = Vec::new();
        for (index, (day, &count)) in self.days.iter().zip(cells_each).enumerate() {
            for cell in 0..count {
                let (start, end) = day.cell(cell, count);
                let off: i64 = lane.off.iter().map(|&(from, to)| overlap((start, end), (from, to))).sum();
                let glyph = if off * 2 > end - start { glyph::OFF } else { ' ' };
                cells.push(Cell { day: index, start, end, owner: None, glyph, ink: Ink::Dim });
            }
        }
        own(&mut cells, &lane.bars);
        for (index, bar) in lane.bars.iter().enumerate() {
            let run: Vec<usize> = (0..cells.len()).filter(|&cell| cells[cell].owner == Some(index)).collect();
            if !run.is_empty() {
                draw_bar(&mut cells, &run, bar, keys);
            }
        }
        cells
    }

    fn join(&self, cells: &[Cell]) -> String {
        let mut text = String::new();
        let mut run = String::new();
        let mut ink = Ink::Plain;
        let mut day = None;
        for cell in cells {
            let starts_day = day != Some(cell.day);
            if starts_day || cell.ink != ink {
                text += &self.painted(ink, &run);
                run.clear();
                ink = cell.ink;
            }
            if starts_day {
                text += if self.days[cell.day].after_gap { "||" } else { "|" };
                day = Some(cell.day);
            }
            run.push(cell.glyph);
        }
        text + &self.painted(ink, &run) + "|"
    }

    fn painted(&self, ink: Ink, text: &str) -> String {
        match ink {
            Ink::Plain => text.to_owned(),
            Ink::Dim => self.paint.dim(text),
            Ink::Alarm => self.paint.alarm(text),
        }
    }
}

/// Gives each cell to the bar that fills most of it. A bar that gets none takes its best cell from one that has several.
fn own(cells: &mut [Cell], bars: &[Bar]) {
    let covered = |cell: &Cell, bar: &Bar| overlap((cell.start, cell.end), (bar.start, bar.end));
    for cell in cells.iter_mut() {
        let best = (0..bars.len()).max_by_key(|&bar| (covered(cell, &bars[bar]), std::cmp::Reverse(bar)));
        // A bar of less than half a cell still shows; it only must not be nothing.
        cell.owner = best.filter(|&bar| covered(cell, &bars[bar]) > 0);
    }
    for (index, bar) in bars.iter().enumerate() {
        if cells.iter().any(|cell| cell.owner == Some(index)) {
            continue;
        }
        let Some(best) = (0..cells.len()).max_by_key(|&cell| covered(&cells[cell], bar)) else { continue };
        let has_several = |owner| cells.iter().filter(|cell| cell.owner == Some(owner)).count() > 1;
        if covered(&cells[best], bar) > 0 && cells[best].owner.is_none_or(has_several) {
            cells[best].owner = Some(index);
        }
    }
}

fn draw_bar(cells: &mut [Cell], run: &[usize], bar: &Bar, keys: &mut Vec<String>) {
    let (first, last) = (run[0], run[run.len() - 1]);
    let ink = if bar.is_late { Ink::Alarm } else { Ink::Plain };
    for &cell in run {
        let texture = texture(&cells[cell], bar);
        // Work that stops at closing is not worked on while its people are off.
        if !(texture == glyph::WORK && cells[cell].glyph == glyph::OFF) {
            cells[cell].glyph = texture;
        }
        cells[cell].ink = ink;
    }
    if run.len() > 1 {
        // A cut edge means that the bar goes on in time that is not on this chart.
        let starts_before = bar.start < cells[0].start && first == 0;
        let ends_after = bar.end > cells[cells.len() - 1].end && last == cells.len() - 1;
        cells[first].glyph = if starts_before { '<' } else { '[' };
        if run.len() > 2 {
            cells[last].glyph = if ends_after { '>' } else { ']' };
        }
    }
    // The name stands inside one day, between the edges of the bar.
    let inner = if run.len() > 2 { &run[1..run.len() - 1] } else { &run[run.len() - 1..] };
    let fits = |length: usize| {
        inner.windows(length).find(|part| cells[part[0]].day == cells[part[length - 1]].day).map(|part| part[0])
    };
    let placed = bar.labels.iter().find_map(|label| Some((label.clone(), fits(label.chars().count().max(1))?)));
    let (label, at) = placed.unwrap_or_else(|| (key_of(bar, keys), inner[0]));
    for (offset, letter) in label.chars().enumerate() {
        cells[at + offset].glyph = letter;
    }
}

/// Returns what happens in most of a cell of a bar; of two that are as long, work counts before waits.
fn texture(cell: &Cell, bar: &Bar) -> char {
    let in_bar = overlap((cell.start, cell.end), (bar.start, bar.end));
    let time_of = |wanted: char| -> i64 {
        let pieces = bar.pieces.iter().filter(|piece| piece.2 == wanted);
        pieces.map(|piece| overlap((cell.start, cell.end), (piece.0, piece.1))).sum()
    };
    let times = [glyph::WORK, glyph::DONE, glyph::CURE].map(|glyph| (glyph, time_of(glyph)));
    let busy: i64 = times.iter().map(|(_, time)| time).sum();
    let mut best = (glyph::WAIT, in_bar - busy);
    for (glyph, time) in times.into_iter().rev() {
        if time > 0 && time >= best.1 {
            best = (glyph, time);
        }
    }
    best.0
}

/// Returns the letter of a bar too short for its name; the key says what it stands for.
fn key_of(bar: &Bar, keys: &mut Vec<String>) -> String {
    let name = bar.labels.first().cloned().unwrap_or_default();
    let index = keys.iter().position(|key| key.split_once('=').is_some_and(|(_, known)| known == name));
    let index = index.unwrap_or(keys.len());
    let letter = (b'a' + (index % 26) as u8) as char;
    // After z the letters come again: the rows are read from left to right, as the key is.
    if index == keys.len() {
        keys.push(format!("{letter}={name}"));
    }
    letter.to_string()
}

fn overlap(a: (i64, i64), b: (i64, i64)) -> i64 {
    (a.1.min(b.1) - a.0.max(b.0)).max(0)
}

/// Returns words in lines of at most `width` if they can be, with `gap` between, the first after `head`.
pub fn wrap(head: &str, words: &[String], gap: &str, width: usize) -> String {
    let indent = head.chars().count();
    let mut text = head.to_owned();
    let mut length = indent;
    for (index, word) in words.iter().enumerate() {
        let word_length = word.chars().count();
        if index > 0 && length + gap.chars().count() + word_length > width {
            text = format!("{}\n{}", text.trim_end(), " ".repeat(indent));
            length = indent;
        } else if index > 0 {
            text += gap;
            length += gap.chars().count();
        }
        text += word;
        length += word_length;
    }
    text + "\n"
}
