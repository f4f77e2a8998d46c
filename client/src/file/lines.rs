//! Lines of an estimate as CSV.
//!
//! The format is that of RFC 4180, with a header line that says which column is which; columns come in any order:
//!
//! | column | holds |
//! | --- | --- |
//! | `line` | what the line is called: a changed line keeps it |
//! | `panel` | what is worked on, such as `front-door-left` |
//! | `work` | what is done: `replace`, `repair`, `remove-install`, `refinish` .., a word of the rule book |
//! | `hours` | booked hours, such as `1.5` |
//! | `labour` | kind of labour; may be missing or empty, as all that follow |
//! | `part` | number of the part |
//! | `condition` | `new` or `used` |
//! | `expected` | when the part comes, in the shop's time, such as `2031-05-08 10:00`; or `received` |
//! | `note` | anything else |

use fitup_proto::v1;
use jiff::tz::TimeZone;

use super::{Fault, Places, Source, text};
use crate::file::read::nearest;

/// Columns that a file may have; the first four must be there.
pub const COLUMNS: [&str; 9] = ["line", "panel", "work", "hours", "labour", "part", "condition", "expected", "note"];
const REQUIRED: usize = 4;

/// When a part comes; `None` if it is there.
pub type PartTime = Option<prost_types::Timestamp>;

/// Lines as read, and what is wrong with them.
#[derive(Debug, Clone, Default)]
pub struct Lines {
    /// The lines that could be read.
    pub lines: Vec<v1::EstimateLine>,
    /// Where their fields stand.
    pub places: Places,
    /// What is wrong.
    pub faults: Vec<Fault>,
}

/// Where the fields of a file begin, record by record, and where it breaks the format.
struct Scan {
    records: Vec<Vec<usize>>,
    faults: Vec<(usize, &'static str)>,
}

/// Walks the text by the grammar of RFC 4180, section 2. A line break may be LF alone, as many programs write it.
fn scan(text: &str) -> Scan {
    let bytes = text.as_bytes();
    let mut scan = Scan { records: Vec::new(), faults: Vec::new() };
    let (mut at, mut record) = (0, Vec::new());
    while at < bytes.len() {
        record.push(at);
        if bytes[at] == b'"' {
            let start = at;
            at += 1;
            loop {
                match (bytes.get(at), bytes.get(at + 1)) {
                    (None, _) => {
                        scan.faults.push((start, "the quote that opens here is never closed"));
                        break;
                    }
                    (Some(b'"'), Some(b'"')) => at += 2,
                    (Some(b'"'), _) => {
                        at += 1;
                        break;
                    }
                    _ => at += 1,
                }
            }
            if !matches!(bytes.get(at), None | Some(b',' | b'\n' | b'\r')) {
                scan.faults.push((at, "after the closing quote comes a comma or the end of the line"));
            }
        }
        while !matches!(bytes.get(at), None | Some(b',' | b'\n')) {
            if bytes[at] == b'"' {
                scan.faults.push((at, "a quote stands only around a whole field, and twice inside one"));
            }
            at += 1;
        }
        match bytes.get(at) {
            Some(b',') => {
                at += 1;
                if bytes.get(at).is_none() {
                    record.push(at);
                }
                continue;
            }
            _ => {
                scan.records.push(std::mem::take(&mut record));
                at += 1;
            }
        }
    }
    if !record.is_empty() {
        scan.records.push(record);
    }
    scan
}

/// Reads lines; times are of `zone`. A part that has no time of its own is there when `parts` says.
pub fn read_lines(source: &Source, zone: &TimeZone, parts: Option<PartTime>) -> Lines {
    let mut read = Lines::default();
    let fault = |offset: usize, field: String, message: String| Fault {
        file: source.name.clone(),
        place: Some(source.place(offset)),
        message,
        field,
    };
    let scan = scan(&source.text);
    if !scan.faults.is_empty() {
        read.faults = scan.faults.iter().map(|(at, why)| fault(*at, String::new(), (*why).to_owned())).collect();
        return read;
    }
    let mut reader = csv::ReaderBuilder::new();
    let reader = reader.has_headers(false).flexible(true);
    // The reader skips blank lines; so does the walk.
    let starts = scan.records.iter().filter(|record| !(record.len() == 1 && is_blank(&source.text, record[0])));
    let mut header: Vec<Option<&str>> = Vec::new();
    for (number, (record, starts)) in reader.from_reader(source.text.as_bytes()).records().zip(starts).enumerate() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                read.faults.push(fault(starts[0], String::new(), error.to_string()));
                break;
            }
        };
        if number == 0 {
            header = columns(&record, starts, &mut |at, message| read.faults.push(fault(at, String::new(), message)));
            continue;
        }
        if record.len() != header.len() {
            let message = format!("{} fields, where the header has {}", record.len(), header.len());
            read.faults.push(fault(starts[0], String::new(), message));
            continue;
        }
        let index = read.lines.len();
        let mut line = v1::EstimateLine::default();
        let mut expected = String::new();
        let mut name = record.get(0).unwrap_or_default().trim();
        for (column, value) in header.iter().zip(&record) {
            if *column == Some("line") {
                name = value.trim();
            }
        }
        let label = format!("line \"{name}\"");
        read.places.note(format!("lines[{index}]"), starts[0], label.clone());
        for ((column, value), start) in header.iter().zip(&record).zip(starts) {
            let (Some(column), value) = (column, value.trim()) else { continue };
            let field = format!("lines[{index}].{}", field_of(column));
            read.places.note(field.clone(), *start, format!("{label}: `{column}`"));
            let mut wrong = |problem: String| {
                read.faults.push(fault(*start, field.clone(), format!("{label}: `{column}`: {problem}")))
            };
            match *column {
                "line" => line.id = value.to_owned(),
                "panel" => line.panel = value.to_lowercase().split_whitespace().collect::<Vec<_>>().join("-"),
                "work" => line.work = value.to_owned(),
                "labour" => line.labour = value.to_owned(),
                "part" => line.part_number = value.to_owned(),
                "note" => line.note = value.to_owned(),
                "hours" => match value.parse::<f64>() {
                    Ok(hours) if hours >= 0.0 => match text::whole_minutes(hours * 60.0) {
                        Ok(minutes) => line.work_time = Some(text::duration(minutes)),
                        Err(problem) => wrong(format!("{value} h {problem}")),
                    },
                    _ => wrong(format!("\"{value}\" is no number of hours")),
                },
                "condition" => match value {
                    "" => {}
                    "new" => line.condition = v1::estimate_line::Condition::New.into(),
                    "used" => line.condition = v1::estimate_line::Condition::Used.into(),
                    other => wrong(format!("\"{other}\" is neither new nor used")),
                },
                "expected" => {
                    expected = value.to_owned();
                    match value {
                        "" => {}
                        "received" => line.part_received = true,
                        time => match text::proto_instant(time, zone) {
                            Ok(time) => line.part_expected_time = Some(time),
                            Err(problem) => wrong(format!("{problem}, and not \"received\"")),
                        },
                    }
                }
                _ => {}
            }
        }
        if let (true, false, Some(parts)) = (expected.is_empty(), line.part_number.is_empty(), parts) {
            (line.part_received, line.part_expected_time) = (parts.is_none(), parts);
        }
        read.lines.push(line);
    }
    if read.lines.is_empty() && read.faults.is_empty() {
        read.faults.push(fault(0, String::new(), "there is no line below the header".to_owned()));
    }
    read.faults.sort();
    read
}

fn is_blank(text: &str, at: usize) -> bool {
    matches!(text.as_bytes().get(at), None | Some(b'\n')) || text[at..].starts_with("\r\n")
}

fn field_of(column: &str) -> &'static str {
    match column {
        "line" => "id",
        "panel" => "panel",
        "work" => "work",
        "labour" => "labour",
        "hours" => "work_time",
        "part" => "part_number",
        "condition" => "condition",
        "expected" => "part_expected_time",
        _ => "note",
    }
}

/// Returns which column is where; what is no column is told and passed over.
fn columns(
    record: &csv::StringRecord,
    starts: &[usize],
    fault: &mut dyn FnMut(usize, String),
) -> Vec<Option<&'static str>> {
    let mut found: Vec<Option<&'static str>> = Vec::new();
    for (name, start) in record.iter().zip(starts) {
        let name = name.trim().trim_start_matches('\u{feff}');
        let column = COLUMNS.iter().copied().find(|column| *column == name);
        match column {
            None => {
                let hint = match nearest(name, &COLUMNS) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("there are {}", COLUMNS.join(", ")),
                };
                fault(*start, format!("unknown column `{name}`; {hint}"));
            }
            Some(column) if found.contains(&Some(column)) => fault(*start, format!("column `{column}` is there twice")),
            Some(_) => {}
        }
        found.push(column);
    }
    let missing: Vec<&str> =
        COLUMNS[..REQUIRED].iter().copied().filter(|column| !found.contains(&Some(column))).collect();
    if !missing.is_empty() {
        fault(starts[0], format!("the header lacks {}", missing.join(", ")));
    }
    found
}

/// Writes lines as a file that reads back as the same.
pub fn write_lines(lines: &[v1::EstimateLine], zone: &TimeZone) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut rows = vec![COLUMNS.map(str::to_owned)];
    for line in lines {
        let minutes = line.work_time.as_ref().map_or(0, text::minutes);
        let expected = match (line.part_received, text::from_proto(line.part_expected_time.as_ref())) {
            (true, _) => "received".to_owned(),
            (false, time) => time.map(|time| text::write_instant(time, zone)).unwrap_or_default(),
        };
        let condition = match line.condition() {
            v1::estimate_line::Condition::Unspecified => "",
            v1::estimate_line::Condition::New => "new",
            v1::estimate_line::Condition::Used => "used",
        };
        rows.push([
            line.id.clone(),
            line.panel.clone(),
            line.work.clone(),
            // Enough digits that the minutes come back.
            format!("{:.4}", minutes as f64 / 60.0).trim_end_matches('0').trim_end_matches('.').to_owned(),
            line.labour.clone(),
            line.part_number.clone(),
            condition.to_owned(),
            expected,
            line.note.clone(),
        ]);
    }
    for row in rows {
        // Writing into memory does not fail.
        let _ = writer.write_record(&row);
    }
    String::from_utf8(writer.into_inner().unwrap_or_default()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone() -> TimeZone {
        TimeZone::get("America/Chicago").expect("is in the time zone database")
    }

    fn read(text: &str) -> Lines {
        read_lines(&Source { name: "e.csv".into(), text: text.into() }, &zone(), None)
    }

    fn faults(text: &str) -> Vec<String> {
        read(text).faults.iter().map(ToString::to_string).collect()
    }

    /// Returns the fields of a text as the two readers see them, which must agree on where fields are.
    fn fields(text: &str) -> Vec<Vec<String>> {
        let scan = scan(text);
        assert_eq!(scan.faults, [], "{text:?}");
        let mut reader = csv::ReaderBuilder::new();
        let records = reader.has_headers(false).flexible(true).from_reader(text.as_bytes());
        let records: Vec<Vec<String>> =
            records.into_records().map(|record| record.expect("reads").iter().map(str::to_owned).collect()).collect();
        let counts: Vec<usize> = scan.records.iter().map(Vec::len).collect();
        assert_eq!(counts, records.iter().map(Vec::len).collect::<Vec<_>>(), "{text:?}");
        records
    }

    /// The examples of RFC 4180, section 2, rules 1 to 7.
    #[test]
    fn the_examples_of_rfc_4180() {
        let plain = [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]];
        assert_eq!(fields("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n"), plain);
        assert_eq!(fields("aaa,bbb,ccc\r\nzzz,yyy,xxx"), plain);
        assert_eq!(fields("field_name,field_name,field_name\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n")[1..], plain);
        assert_eq!(fields("aaa,bbb,ccc"), [["aaa", "bbb", "ccc"]]);
        assert_eq!(fields("\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx"), plain);
        assert_eq!(
            fields("\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx"),
            [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]]
        );
        assert_eq!(fields("\"aaa\",\"b\"\"bb\",\"ccc\""), [["aaa", "b\"bb", "ccc"]]);
        // Spaces are part of a field (rule 4), an empty one is one.
        assert_eq!(fields("a, b ,\r\n,,"), [["a", " b ", ""], ["", "", ""]]);
    }

    #[test]
    fn what_breaks_the_format_is_told_with_its_place() {
        assert_eq!(
            faults("line,panel,work,hours\r\n1,\"hood\" x,replace,1\r\n2,ho\"od,repair,1\r\n3,\"hood,repair,1\r\n"),
            [
                "e.csv:2:9: after the closing quote comes a comma or the end of the line",
                "e.csv:3:5: a quote stands only around a whole field, and twice inside one",
                "e.csv:4:3: the quote that opens here is never closed",
            ]
        );
    }

    #[test]
    fn lines_are_read_by_the_header() {
        let lines = read(
            "work,hours,line,panel,part,expected,note,condition\nreplace,1.5,1,Front Door Left,\"44,71\",2031-05-08 10:00,\"a\n\"\"b\"\"\",new\n\nscan,0.25,2,hood,,,,\n",
        );
        assert_eq!(lines.faults, []);
        let first = &lines.lines[0];
        assert_eq!((first.id.as_str(), first.panel.as_str(), first.work.as_str()), ("1", "front-door-left", "replace"));
        assert_eq!((first.part_number.as_str(), first.note.as_str()), ("44,71", "a\n\"b\""));
        assert_eq!(first.work_time, Some(text::duration(90)));
        assert_eq!(first.part_expected_time.map(|time| time.seconds), Some(1_936_018_800));
        assert_eq!(lines.lines[1].work_time, Some(text::duration(15)));
        // The second line stands below a field with a line break and an empty line.
        let source = Source { name: "e.csv".into(), text: "line\n1".into() };
        assert_eq!(source.place(lines.places.find("lines[1].id").unwrap_or(0)).line, 2);
    }

    #[test]
    fn all_faults_are_told_at_once() {
        assert_eq!(
            faults("line,pannel,work,hours,hours,condition,expected\n1,hood,replace,x,2,old,soon\n2,hood\n"),
            [
                "e.csv:1:1: the header lacks panel",
                "e.csv:1:6: unknown column `pannel`; did you mean `panel`?",
                "e.csv:1:24: column `hours` is there twice",
                "e.csv:2:16: line \"1\": `hours`: \"x\" is no number of hours",
                "e.csv:2:20: line \"1\": `condition`: \"old\" is neither new nor used",
                "e.csv:2:24: line \"1\": `expected`: \"soon\" is no time such as \"2031-05-05 08:00\", and not \"received\"",
                "e.csv:3:1: 2 fields, where the header has 7",
            ]
        );
        assert_eq!(faults("line,panel,work,hours\n"), ["e.csv:1:1: there is no line below the header"]);
    }

    #[test]
    fn what_is_written_comes_back() {
        let text = "line,panel,work,hours,labour,part,condition,expected,note\n1,hood,replace,1.55,body,\"a,b\",used,received,\"x\n\"\"y\"\"\"\n2,hood,refinish,0.1,,,,,\n";
        let lines = read(text);
        assert_eq!(lines.faults, []);
        let written = write_lines(&lines.lines, &zone());
        assert_eq!(read(&written).lines, lines.lines, "{written}");
    }
}
