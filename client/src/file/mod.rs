//! The files people write by hand: TOML, read so that every fault is found at once and told with its line.
//!
//! In reading order: [`Source`] is a file's text, [`read`] walks it with typed helpers, [`text`] holds the small grammars
//! inside strings (times, intervals, waits), [`shop`] and [`order`] are the two formats, [`mod@write`] prints them back; [`lines`] reads
//! and prints the lines of estimates, which are CSV.
//! Job outlines are the same tables once more; see [`crate::outline`].

pub mod lines;
pub mod order;
pub mod read;
pub mod shop;
pub mod text;
pub mod write;

use std::collections::BTreeMap;
use std::io::Read;
use std::{fmt, fs, io};

/// The largest file that is read, in bytes.
pub const LARGEST_FILE: u64 = 4 << 20;

/// The text of a file and what to call it.
#[derive(Debug, Clone)]
pub struct Source {
    /// The path as it was typed.
    pub name: String,
    /// All of it.
    pub text: String,
}

/// Where something stands in a file, both counted from 1; columns count characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Line.
    pub line: usize,
    /// Column.
    pub column: usize,
}

/// Something wrong in a file.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fault {
    /// The file.
    pub file: String,
    /// Where in it, if that is known.
    pub place: Option<Place>,
    /// What is wrong, with the thing it is wrong with.
    pub message: String,
    /// The field of the message sent to the server that was filled from there; empty if none was.
    pub field: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.place {
            Some(place) => write!(f, "{}:{}:{}: {}", self.file, place.line, place.column, self.message),
            None => write!(f, "{}: {}", self.file, self.message),
        }
    }
}

/// Why a file could not be read at all.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// The system refused.
    #[error("cannot read {name}")]
    Io {
        /// The file.
        name: String,
        /// Why.
        source: io::Error,
    },
    /// It holds nothing.
    #[error("{name} is empty")]
    Empty {
        /// The file.
        name: String,
    },
    /// It is larger than [`LARGEST_FILE`].
    #[error("{name} is larger than {} MiB", LARGEST_FILE >> 20)]
    TooLarge {
        /// The file.
        name: String,
    },
    /// It is not text.
    #[error("{name} is not UTF-8 text: byte {offset}, in line {line}, does not belong")]
    NotUtf8 {
        /// The file.
        name: String,
        /// The first bad byte, from 0.
        offset: usize,
        /// Its line, from 1.
        line: usize,
    },
}

impl Source {
    /// Returns the text of the file `name`; `-` is standard input.
    ///
    /// # Errors
    ///
    /// If it cannot be read, is empty, too large or not UTF-8.
    pub fn open(name: &str) -> Result<Self, FileError> {
        let io_error = |source| FileError::Io { name: name.to_owned(), source };
        let mut bytes = Vec::new();
        let reader: Box<dyn io::Read> =
            if name == "-" { Box::new(io::stdin()) } else { Box::new(fs::File::open(name).map_err(io_error)?) };
        // One byte more than allowed tells a file that is too large from one that just fits, without reading all of it.
        reader.take(LARGEST_FILE + 1).read_to_end(&mut bytes).map_err(io_error)?;
        Self::from_bytes(name, bytes)
    }

    /// Returns `bytes` as the text of the file `name`.
    ///
    /// # Errors
    ///
    /// If they are none, too many or not UTF-8.
    pub fn from_bytes(name: &str, bytes: Vec<u8>) -> Result<Self, FileError> {
        let name = name.to_owned();
        if bytes.len() as u64 > LARGEST_FILE {
            return Err(FileError::TooLarge { name });
        }
        let text = String::from_utf8(bytes).map_err(|error| {
            let offset = error.utf8_error().valid_up_to();
            let line = 1 + error.as_bytes()[..offset].iter().filter(|&&byte| byte == b'\n').count();
            FileError::NotUtf8 { name: name.clone(), offset, line }
        })?;
        if text.trim().is_empty() {
            return Err(FileError::Empty { name });
        }
        Ok(Self { name, text })
    }

    /// Returns the line and column of a byte offset.
    pub fn place(&self, offset: usize) -> Place {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        let before = &self.text[..offset];
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        Place { line: 1 + before.matches('\n').count(), column: 1 + before[line_start..].chars().count() }
    }
}

/// Where the fields of a message sent to the server stand in the file, by the server's paths such as
/// `bays[2].classes[0]`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Places(BTreeMap<String, Entry>);

/// Where a field stands, and what to call it.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Entry {
    offset: usize,
    label: String,
}

impl Places {
    /// Notes that `field` stands at byte `offset`, and what people call it.
    pub fn note(&mut self, field: impl Into<String>, offset: usize, label: impl Into<String>) {
        self.0.insert(field.into(), Entry { offset, label: label.into() });
    }

    /// Returns the byte offset of `field`, or else of the nearest field around it.
    pub fn find(&self, field: &str) -> Option<usize> {
        self.entry(field).map(|entry| entry.offset)
    }

    fn entry(&self, field: &str) -> Option<&Entry> {
        let mut field = field;
        loop {
            if let Some(entry) = self.0.get(field) {
                return Some(entry);
            }
            if field.is_empty() {
                return None;
            }
            field = &field[..field.rfind(['.', '[']).unwrap_or(0)];
        }
    }
}

/// Joins the faults found here with those that the server found in the same message.
///
/// A field that could not be read was not sent, so what the server says about it or its parts is left out. `prefix` is
/// the field of the request that holds the message, such as `shop`.
pub fn join_faults(
    source: &Source,
    places: &Places,
    local: &[Fault],
    server: impl IntoIterator<Item = (String, String)>,
    prefix: &str,
) -> Vec<Fault> {
    let mut all = local.to_vec();
    for (path, message) in server {
        let field = path.strip_prefix(prefix).and_then(|rest| rest.strip_prefix('.')).unwrap_or(&path);
        if local.iter().any(|fault| !fault.field.is_empty() && is_around(&fault.field, field)) {
            continue;
        }
        let entry = places.entry(field);
        let place = entry.map(|entry| source.place(entry.offset));
        let message = if message.is_empty() { format!("`{field}` is refused") } else { message };
        let message = entry.map_or_else(|| format!("{field}: {message}"), |entry| labelled(&entry.label, &message));
        all.push(Fault { file: source.name.clone(), place, message, field: field.to_owned() });
    }
    all.sort_by(|a, b| (&a.file, a.place, &a.message).cmp(&(&b.file, b.place, &b.message)));
    all.dedup_by(|a, b| a.place == b.place && a.message == b.message);
    all
}

/// Puts a label before a message, unless the message names the thing itself.
fn labelled(label: &str, message: &str) -> String {
    let thing = label.rsplit(", ").next().unwrap_or(label);
    let thing = thing.split(": `").next().unwrap_or(thing);
    if label.is_empty() || message.contains(thing) { message.to_owned() } else { format!("{label}: {message}") }
}

/// Tells whether one of two paths holds the other.
fn is_around(a: &str, b: &str) -> bool {
    let (short, long) = if a.len() <= b.len() { (a, b) } else { (b, a) };
    long.strip_prefix(short).is_some_and(|rest| rest.is_empty() || rest.starts_with(['.', '[']))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_where_a_byte_is() {
        let source = Source { name: "x".into(), text: "a\nüb\n".into() };
        assert_eq!(source.place(0), Place { line: 1, column: 1 });
        assert_eq!(source.place(4), Place { line: 2, column: 2 });
        assert_eq!(source.place(99), Place { line: 3, column: 1 });
    }

    #[test]
    fn refuses_what_is_not_text() {
        let error = |bytes: &[u8]| Source::from_bytes("s.toml", bytes.to_vec()).expect_err("is refused").to_string();
        assert_eq!(error(b""), "s.toml is empty");
        assert_eq!(error(b" \n\t"), "s.toml is empty");
        assert_eq!(error(b"a\nb\xff"), "s.toml is not UTF-8 text: byte 3, in line 2, does not belong");
        assert_eq!(error(&vec![b'a'; (4 << 20) + 1]), "s.toml is larger than 4 MiB");
    }

    #[test]
    fn finds_the_nearest_field() {
        let mut places = Places::default();
        places.note("bays[2]", 7, "bay \"b\"");
        places.note("bays[2].classes[0]", 9, "bay \"b\": `classes`");
        assert_eq!(places.find("bays[2].classes[0]"), Some(9));
        assert_eq!(places.find("bays[2].classes[1]"), Some(7));
        assert_eq!(places.find("bays[3]"), None);
    }

    #[test]
    fn joins_what_the_server_says_by_line() {
        let source = Source { name: "s.toml".into(), text: "one\ntwo\nthree\n".into() };
        let mut places = Places::default();
        places.note("", 0, "shop");
        places.note("bays[0]", 4, "bay \"b\"");
        places.note("bays[0].classes[0]", 8, "bay \"b\": `classes`");
        let field = "bays[1]".to_owned();
        let place = Some(source.place(8));
        let local = [Fault { file: "s.toml".into(), place, message: "unreadable".into(), field }];
        let server = [
            ("shop.bays[0].classes[0]", "is unknown"),
            ("shop.bays[1].id", "is about what could not be read"),
            ("shop.bays[0]", "bay \"b\" stands there twice"),
            ("shop_id", "is taken"),
        ]
        .map(|(field, message)| (field.to_owned(), message.to_owned()));
        let told: Vec<String> =
            join_faults(&source, &places, &local, server, "shop").iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "s.toml:1:1: shop: is taken",
                "s.toml:2:1: bay \"b\" stands there twice",
                "s.toml:3:1: bay \"b\": `classes`: is unknown",
                "s.toml:3:1: unreadable",
            ]
        );
    }
}
