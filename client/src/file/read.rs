//! Typed helpers over a parsed TOML document that note every fault and go on.

use std::cell::RefCell;
use std::ops::Range;

use jiff::tz::TimeZone;
use toml_edit::{Document, Item, TableLike, Value};

use super::{Fault, Places, Source};

/// What reading a file collects, and what it needs to know.
pub struct Reader<'s> {
    source: &'s Source,
    /// The zone of times that name none.
    pub zone: TimeZone,
    faults: RefCell<Vec<Fault>>,
    places: RefCell<Places>,
}

/// A table of the file, with the paths of what it says in the file and in the message it becomes.
pub struct Table<'r> {
    reader: &'r Reader<'r>,
    table: &'r dyn TableLike,
    /// For people: `bay "rack-1"`.
    label: String,
    /// For the server: `bays[2]`; empty for the whole message.
    field: String,
    offset: usize,
    keys: RefCell<Vec<&'static str>>,
}

/// A value with its place.
#[derive(Debug, Clone)]
pub struct Found<T> {
    /// The value.
    pub value: T,
    /// First byte.
    pub offset: usize,
}

impl<'s> Reader<'s> {
    /// Returns a reader of `source`; times that name no zone are of `zone`.
    pub fn new(source: &'s Source, zone: TimeZone) -> Self {
        Self { source, zone, faults: RefCell::default(), places: RefCell::default() }
    }

    /// Parses the document, or notes why it is no TOML.
    pub fn parse(&self) -> Option<Document<&'s str>> {
        match Document::parse(self.source.text.as_str()) {
            Ok(document) => Some(document),
            Err(error) => {
                let offset = error.span().map_or(0, |span| span.start);
                let message = error.message().replace('\n', "; ");
                self.fault(offset, "", format!("not TOML: {message}"));
                None
            }
        }
    }

    /// Notes a fault at a byte offset.
    pub fn fault(&self, offset: usize, field: &str, message: String) {
        let place = Some(self.source.place(offset));
        let (file, field) = (self.source.name.clone(), field.to_owned());
        self.faults.borrow_mut().push(Fault { file, place, message, field });
    }

    /// Returns the places noted so far and forgets them.
    pub fn take_places(&self) -> Places {
        self.places.take()
    }

    /// Returns the faults noted so far, by place, and forgets them.
    pub fn take_faults(&self) -> Vec<Fault> {
        let mut faults = self.faults.take();
        faults.sort_by(|a, b| (a.place, &a.message).cmp(&(b.place, &b.message)));
        faults
    }
}

impl<'r> Table<'r> {
    /// Returns the whole document as a table.
    pub fn root(reader: &'r Reader<'r>, document: &'r Document<&'r str>) -> Self {
        let table: &'r dyn TableLike = document.as_table();
        Self { reader, table, label: String::new(), field: String::new(), offset: 0, keys: RefCell::default() }
    }

    /// Returns the same table as the start of another message, whose fields are counted from here.
    pub fn as_message(mut self) -> Self {
        self.field.clear();
        self.note_here("", self.offset, "");
        self
    }

    /// Returns the same table, filling the field `field` from here on.
    pub fn with_field(mut self, field: String) -> Self {
        self.field = field;
        self.note("", self.offset, "");
        self
    }

    /// First byte of the table.
    pub fn offset(&self) -> usize {
        self.offset
    }

    /// Returns the path of a field of this table's message.
    pub fn path(&self, field: &str) -> String {
        match (self.field.is_empty(), field.is_empty()) {
            (true, _) => field.to_owned(),
            (false, true) => self.field.clone(),
            (false, false) => format!("{}.{field}", self.field),
        }
    }

    /// Notes where a field of this table's message stands; `key` fills it, none if the table itself does.
    pub fn note(&self, field: &str, offset: usize, key: &str) {
        self.note_here(self.path(field), offset, key);
    }

    /// Notes where a field of the whole message stands.
    pub fn note_here(&self, path: impl Into<String>, offset: usize, key: &str) {
        let label = match (self.label.as_str(), key) {
            (label, "") => label.to_owned(),
            ("", key) => format!("`{key}`"),
            (label, key) => format!("{label}: `{key}`"),
        };
        self.reader.places.borrow_mut().note(path, offset, label);
    }

    /// Notes a fault of this table.
    pub fn fault(&self, offset: usize, field: &str, message: impl AsRef<str>) {
        let message = message.as_ref();
        let message = if self.label.is_empty() { message.to_owned() } else { format!("{}: {message}", self.label) };
        self.reader.fault(offset, &if field.is_empty() { String::new() } else { self.path(field) }, message);
    }

    /// Returns the id that the table says, if it says one.
    pub fn id(&self) -> Option<&'r str> {
        self.table.get("id").and_then(Item::as_str)
    }

    /// Returns whether the key is there.
    pub fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Returns the text at `key`, if there is one.
    pub fn text(&self, key: &'static str, field: &str) -> Option<String> {
        let found = self.item(key, field)?;
        match found.value.as_str() {
            Some(text) => Some(text.to_owned()),
            None => self.wrong_type(key, field, &found, "a text in quotes"),
        }
    }

    /// Returns the text at `key`; notes a fault and returns nothing in it if there is none.
    pub fn required_text(&self, key: &'static str, field: &str) -> String {
        if !self.has(key) {
            self.missing(key, field);
        }
        self.text(key, field).unwrap_or_default()
    }

    /// Notes that `key` is missing.
    pub fn missing(&self, key: &'static str, field: &str) {
        self.known(key);
        self.fault(self.offset, field, format!("`{key}` is missing"));
    }

    /// Returns whether `key` is true; not there is false.
    pub fn flag(&self, key: &'static str, field: &str) -> bool {
        let Some(found) = self.item(key, field) else { return false };
        match found.value.as_bool() {
            Some(flag) => flag,
            None => self.wrong_type(key, field, &found, "true or false").unwrap_or_default(),
        }
    }

    /// Returns the whole number at `key`, if there is one.
    pub fn integer(&self, key: &'static str, field: &str) -> Option<i32> {
        let found = self.item(key, field)?;
        match found.value.as_integer().map(i32::try_from) {
            Some(Ok(number)) => Some(number),
            Some(Err(_)) => {
                self.fault(found.offset, field, format!("`{key}` is out of range"));
                None
            }
            None => self.wrong_type(key, field, &found, "a whole number"),
        }
    }

    /// Returns the number at `key`, whole or decimal, if there is one.
    pub fn number(&self, key: &'static str, field: &str) -> Option<Found<f64>> {
        let found = self.item(key, field)?;
        let offset = found.offset;
        match number_of(found.value) {
            Some(value) => Some(Found { value, offset }),
            None => self.wrong_type(key, field, &found, "a number"),
        }
    }

    /// Returns the texts of the list at `key`; none if it is not there.
    pub fn texts(&self, key: &'static str, field: &str) -> Vec<Found<String>> {
        let Some(found) = self.item(key, field) else { return Vec::new() };
        let Some(array) = found.value.as_array() else {
            let wanted = format!("a list such as [\"{}\"]", found.value.as_str().unwrap_or("a"));
            self.wrong_type::<()>(key, field, &found, &wanted);
            return Vec::new();
        };
        let mut texts = Vec::new();
        for value in array {
            let offset = start_of(value.span()).unwrap_or(found.offset);
            match value.as_str() {
                Some(text) => texts.push(Found { value: text.to_owned(), offset }),
                None => self.fault(offset, field, format!("`{key}` holds {}, not only texts", kind_of(value))),
            }
        }
        texts
    }

    /// Returns the texts of the list at `key`, each noted as `field[i]`.
    pub fn names(&self, key: &'static str, field: &str) -> Vec<String> {
        let texts = self.texts(key, field);
        for (index, text) in texts.iter().enumerate() {
            self.note(&format!("{field}[{index}]"), text.offset, key);
        }
        texts.into_iter().map(|text| text.value).collect()
    }

    /// Returns the list at `key` with each text parsed and noted as `field[i]`; faulty ones are noted and left out.
    pub fn parsed_list<T>(
        &self,
        key: &'static str,
        field: &str,
        parse: impl Fn(&str, &TimeZone) -> Result<T, String>,
    ) -> Vec<T> {
        let mut list = Vec::new();
        for text in self.texts(key, field) {
            match parse(&text.value, &self.reader.zone) {
                Ok(value) => {
                    self.note(&format!("{field}[{}]", list.len()), text.offset, key);
                    list.push(value);
                }
                Err(message) => self.fault(text.offset, field, format!("`{key}`: {message}")),
            }
        }
        list
    }

    /// Returns the text at `key`, or a date or time written without quotes, parsed.
    pub fn parsed<T>(
        &self,
        key: &'static str,
        field: &str,
        parse: impl Fn(&str, &TimeZone) -> Result<T, String>,
    ) -> Option<T> {
        let found = self.item(key, field)?;
        let text = match found.value {
            Value::String(text) => text.value().clone(),
            Value::Datetime(time) => time.value().to_string(),
            _ => return self.wrong_type(key, field, &found, "a text in quotes"),
        };
        match parse(&text, &self.reader.zone) {
            Ok(value) => Some(value),
            Err(message) => {
                self.fault(found.offset, field, format!("`{key}`: {message}"));
                None
            }
        }
    }

    /// Returns the table at `key`, if there is one.
    pub fn table(&self, key: &'static str, field: &str) -> Option<Table<'r>> {
        self.known(key);
        let item = self.table.get(key)?;
        let offset = self.offset_of(key, item);
        let Some(table) = item.as_table_like() else {
            self.fault(offset, field, format!("`{key}` must be a table"));
            return None;
        };
        Some(self.child(table, join_labels(&self.label, &format!("`{key}`")), offset).with_field(self.path(field)))
    }

    /// Returns the tables of the list at `key`, such as all `[[bay]]`, as `field[i]`.
    pub fn tables(&self, key: &'static str, field: &str) -> Vec<Table<'r>> {
        let rows = self.rows(key).into_iter().enumerate();
        rows.map(|(index, row)| row.with_field(self.path(&format!("{field}[{index}]")))).collect()
    }

    /// Returns the tables of the list at `key` without saying yet which fields they fill.
    pub fn rows(&self, key: &'static str) -> Vec<Table<'r>> {
        self.known(key);
        let Some(item) = self.table.get(key) else { return Vec::new() };
        let rows: Vec<(&'r dyn TableLike, usize)> = match item {
            Item::ArrayOfTables(tables) => {
                let row = |table: &'r toml_edit::Table| {
                    (table as &'r dyn TableLike, start_of(table.span()).unwrap_or(self.offset))
                };
                tables.iter().map(row).collect()
            }
            Item::Value(Value::Array(array)) if array.iter().all(Value::is_inline_table) => {
                let row = |value: &'r Value| {
                    let table = value.as_inline_table()?;
                    Some((table as &'r dyn TableLike, start_of(value.span()).unwrap_or(self.offset)))
                };
                array.iter().filter_map(row).collect()
            }
            _ => {
                let header = if self.label.is_empty() { key.to_owned() } else { format!("...{key}") };
                let message = format!("`{key}` is a list of tables: write [[{header}]]");
                self.fault(self.offset_of(key, item), "", message);
                return Vec::new();
            }
        };
        let mut tables = Vec::new();
        for (index, (table, offset)) in rows.into_iter().enumerate() {
            let id = ["id", "date", "from"].iter().find_map(|key| table.get(key)).and_then(Item::as_str);
            let label = match id {
                Some(id) => format!("{key} {id:?}"),
                None => format!("{key} number {}", index + 1),
            };
            tables.push(self.child(table, join_labels(&self.label, &label), offset));
        }
        tables
    }

    /// Returns the tables at `key` that are named by their keys, such as `[calendar.day]`, as `field[i]`.
    pub fn named_tables(&self, key: &'static str, field: &str) -> Vec<(String, Table<'r>)> {
        self.known(key);
        let Some(item) = self.table.get(key) else { return Vec::new() };
        let Some(parent) = item.as_table_like() else {
            self.fault(self.offset_of(key, item), field, format!("`{key}` is named: write [{key}.NAME]"));
            return Vec::new();
        };
        let mut tables = Vec::new();
        for (name, item) in parent.iter() {
            let offset = start_of(item.span()).unwrap_or(self.offset);
            let Some(table) = item.as_table_like() else {
                self.fault(offset, field, format!("`{key}.{name}` must be a table: write [{key}.{name}]"));
                continue;
            };
            let field = self.path(&format!("{field}[{}]", tables.len()));
            tables.push((name.to_owned(), self.child(table, format!("{key} {name:?}"), offset).with_field(field)));
        }
        tables
    }

    /// Returns all entries of the table whose keys are names of the writer's own, such as `{ pull = 3.5 }`.
    pub fn entries(&self) -> Vec<(String, Found<&'r Value>)> {
        let mut entries = Vec::new();
        for (key, item) in self.table.iter() {
            let offset = start_of(item.span()).unwrap_or(self.offset);
            match item.as_value() {
                Some(value) => entries.push((key.to_owned(), Found { value, offset })),
                None => self.fault(offset, "", format!("`{key}` must be a value")),
            }
        }
        entries
    }

    /// Returns the value at `key` whatever its type.
    pub fn item(&self, key: &'static str, field: &str) -> Option<Found<&'r Value>> {
        self.known(key);
        let item = self.table.get(key)?;
        let offset = self.offset_of(key, item);
        self.note(field, offset, key);
        match item.as_value() {
            Some(value) => Some(Found { value, offset }),
            None => {
                self.fault(offset, field, format!("`{key}` must be a value, not a table"));
                None
            }
        }
    }

    /// Notes a fault for every key that nobody has asked for; called last.
    pub fn finish(self) {
        let known = self.keys.take();
        for (key, _) in self.table.iter() {
            if known.contains(&key) {
                continue;
            }
            let offset = self.table.get_key_value(key).and_then(|(key, _)| start_of(key.span())).unwrap_or(self.offset);
            let hint = match nearest(key, &known) {
                Some(near) => format!("; did you mean `{near}`?"),
                None => format!("; known here: {}", known.join(", ")),
            };
            self.fault(offset, "", format!("unknown key `{key}`{hint}"));
        }
    }

    /// Notes that the value at `key` has the wrong type.
    pub fn wrong_type<T>(&self, key: &str, field: &str, found: &Found<&Value>, wanted: &str) -> Option<T> {
        self.fault(found.offset, field, format!("`{key}` must be {wanted}, not {}", kind_of(found.value)));
        None
    }

    fn known(&self, key: &'static str) {
        let mut keys = self.keys.borrow_mut();
        if !keys.contains(&key) {
            keys.push(key);
        }
    }

    fn child(&self, table: &'r dyn TableLike, label: String, offset: usize) -> Table<'r> {
        Table { reader: self.reader, table, label, field: String::new(), offset, keys: RefCell::default() }
    }

    fn offset_of(&self, key: &str, item: &Item) -> usize {
        let of_key = || self.table.get_key_value(key).and_then(|(key, _)| start_of(key.span()));
        start_of(item.span()).or_else(of_key).unwrap_or(self.offset)
    }
}

/// Returns a TOML number as a decimal one.
pub fn number_of(value: &Value) -> Option<f64> {
    value.as_float().or_else(|| value.as_integer().map(|number| number as f64))
}

/// Returns the one of `known` that is most like `word`, if any is alike.
pub fn nearest<'k>(word: &str, known: &[&'k str]) -> Option<&'k str> {
    let allowed = 1 + word.chars().count() / 4;
    let near = known.iter().map(|&key| (edits(word, key), key)).min()?;
    let is_start = near.1.starts_with(word) && word.len() >= 3 || word.starts_with(near.1);
    (near.0 <= allowed || is_start).then_some(near.1)
}

/// Returns how many letters to add, drop, change or swap with the next to get from `a` to `b`.
fn edits(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut rows = vec![(0..=b.len()).collect::<Vec<usize>>()];
    for i in 1..=a.len() {
        let mut row = vec![i];
        for j in 1..=b.len() {
            let change = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut least = change.min(rows[i - 1][j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                least = least.min(rows[i - 2][j - 2] + 1);
            }
            row.push(least);
        }
        rows.push(row);
    }
    rows[a.len()][b.len()]
}

fn join_labels(outer: &str, inner: &str) -> String {
    if outer.is_empty() { inner.to_owned() } else { format!("{outer}, {inner}") }
}

fn start_of(span: Option<Range<usize>>) -> Option<usize> {
    span.map(|span| span.start)
}

fn kind_of(value: &Value) -> &'static str {
    match value {
        Value::String(_) => "a text",
        Value::Integer(_) => "a whole number",
        Value::Float(_) => "a decimal number",
        Value::Boolean(_) => "true or false",
        Value::Datetime(_) => "a date or time",
        Value::Array(_) => "a list",
        Value::InlineTable(_) => "a table",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn guesses_what_was_meant() {
        let known = ["classes", "calendar", "id"];
        assert_eq!(nearest("clases", &known), Some("classes"));
        assert_eq!(nearest("calender", &known), Some("calendar"));
        assert_eq!(nearest("di", &known), Some("id"));
        assert_eq!(nearest("weight", &known), None);
    }
}
