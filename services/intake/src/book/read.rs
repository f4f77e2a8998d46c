//! Reads the tables of a rule book. What is wrong is noted with its place, and something harmless stands in for it.

use std::cell::RefCell;

use fitup_model::order::{EquipmentNeed, SamePersonWish};
use fitup_model::take_in::PartCondition;
use toml_edit::{Document, Item, TableLike, Value};

use super::{
    ACTIVITIES, Adhesive, BookFault, Follow, HAZARDS, MOST_FAULTS, Match, OperationTemplate, PanelKind, Reason, Rule,
    RuleBook, SafetyWords, VisitTemplate,
};

/// A `why` or `source` takes so many bytes at most: each pair of a `[[follow]]` keeps its own.
const LONGEST_REASON: usize = 2000;
/// So many pairs are taken; a table of two long lists makes more than anybody means.
const MOST_FOLLOWS: usize = 4000;

/// Returns the line and column of a byte.
pub fn place(text: &str, offset: usize) -> (usize, usize) {
    let mut offset = offset.min(text.len());
    while !text.is_char_boundary(offset) {
        offset -= 1;
    }
    let before = &text[..offset];
    let start = before.rfind('\n').map_or(0, |newline| newline + 1);
    (1 + before.matches('\n').count(), 1 + before[start..].chars().count())
}

/// Collects faults with their places.
struct Notes<'t> {
    text: &'t str,
    faults: RefCell<Vec<BookFault>>,
}

impl Notes<'_> {
    fn fault(&self, offset: usize, message: String) {
        if self.faults.borrow().len() >= MOST_FAULTS {
            return;
        }
        let (line, column) = place(self.text, offset);
        self.faults.borrow_mut().push(BookFault { line, column, message });
    }
}

/// A table, what it is called, and which of its keys were asked for.
struct Row<'t> {
    notes: &'t Notes<'t>,
    table: &'t dyn TableLike,
    label: String,
    offset: usize,
    keys: RefCell<Vec<&'static str>>,
}

impl<'t> Row<'t> {
    fn fault(&self, offset: usize, message: &str) {
        let message = if self.label.is_empty() { message.to_owned() } else { format!("{}: {message}", self.label) };
        self.notes.fault(offset, message);
    }

    fn get(&self, key: &'static str) -> Option<(&'t Item, usize)> {
        self.keys.borrow_mut().push(key);
        let item = self.table.get(key)?;
        Some((item, item.span().map_or(self.offset, |span| span.start)))
    }

    fn text(&self, key: &'static str) -> String {
        match self.get(key) {
            None => String::new(),
            Some((item, offset)) => item.as_str().map(|text| text.trim().to_owned()).unwrap_or_else(|| {
                self.fault(offset, &format!("`{key}` must be a text"));
                String::new()
            }),
        }
    }

    fn optional(&self, key: &'static str) -> Option<String> {
        Some(self.text(key)).filter(|text| !text.is_empty())
    }

    fn flag(&self, key: &'static str) -> bool {
        match self.get(key) {
            None => false,
            Some((item, offset)) => item.as_bool().unwrap_or_else(|| {
                self.fault(offset, &format!("`{key}` must be true or false"));
                false
            }),
        }
    }

    /// Reads a text or a list of texts.
    fn texts(&self, key: &'static str) -> Vec<String> {
        let Some((item, offset)) = self.get(key) else { return Vec::new() };
        if let Some(text) = item.as_str() {
            return vec![text.to_owned()];
        }
        let texts = item.as_array().map(|array| array.iter().map(|value| value.as_str().map(str::to_owned)).collect());
        let texts: Option<Vec<String>> = texts.unwrap_or(None);
        texts.unwrap_or_else(|| {
            self.fault(offset, &format!("`{key}` must be a list of texts"));
            Vec::new()
        })
    }

    /// Reads hours into whole minutes.
    fn minutes(&self, key: &'static str) -> Option<u32> {
        let (item, offset) = self.get(key)?;
        match item.as_value().map(minutes_of) {
            Some(Ok(minutes)) => Some(minutes),
            Some(Err(problem)) => {
                self.fault(offset, &format!("`{key}` {problem}"));
                None
            }
            None => None,
        }
    }

    fn numbers(&self, key: &'static str) -> Vec<i32> {
        let Some((item, offset)) = self.get(key) else { return Vec::new() };
        let whole = |value: &Value| value.as_integer().and_then(|number| i32::try_from(number).ok());
        let numbers: Option<Vec<i32>> = item.as_array().and_then(|array| array.iter().map(whole).collect());
        numbers.unwrap_or_else(|| {
            self.fault(offset, &format!("`{key}` must be a list of whole numbers"));
            Vec::new()
        })
    }

    /// Reads `{ strip = 40, fit = 60 }`.
    fn shares(&self, key: &'static str, read: fn(&Value) -> Result<u32, String>) -> Vec<(String, u32)> {
        let Some((item, offset)) = self.get(key) else { return Vec::new() };
        let Some(table) = item.as_table_like() else {
            self.fault(offset, &format!("`{key}` must be like {{ strip = 40, fit = 60 }}"));
            return Vec::new();
        };
        let mut shares = Vec::new();
        for (name, item) in table.iter() {
            let offset = item.span().map_or(offset, |span| span.start);
            match item.as_value().map(read) {
                Some(Ok(number)) => shares.push((name.to_owned(), number)),
                Some(Err(problem)) => self.fault(offset, &format!("`{key}`: `{name}` {problem}")),
                None => self.fault(offset, &format!("`{key}`: `{name}` must be a number")),
            }
        }
        shares
    }

    /// Reads words that must be known.
    fn words<T: Copy>(&self, key: &'static str, known: &[(&str, T)]) -> Vec<T> {
        let mut found = Vec::new();
        let offset = self.table.get(key).and_then(Item::span).map_or(self.offset, |span| span.start);
        for word in self.texts(key) {
            match known.iter().find(|(name, _)| *name == word) {
                Some((_, value)) => found.push(*value),
                None => {
                    let names: Vec<&str> = known.iter().map(|(name, _)| *name).collect();
                    self.fault(offset, &format!("`{key}`: unknown word {word:?}; there are {}", names.join(", ")));
                }
            }
        }
        found
    }

    fn reason(&self) -> Reason {
        let text = |key| {
            let text = self.text(key);
            if text.len() > LONGEST_REASON {
                self.fault(self.offset, &format!("`{key}` is longer than {LONGEST_REASON} bytes"));
                return String::new();
            }
            text
        };
        Reason { why: text("why"), source: text("source") }
    }

    /// Notes the keys that nobody asked for.
    fn finish(self) {
        for (key, item) in self.table.iter() {
            if !self.keys.borrow().contains(&key) {
                let offset = self.table.key(key).and_then(|key| key.span()).or(item.span());
                let offset = offset.map_or(self.offset, |span| span.start);
                self.fault(offset, &format!("unknown key `{key}`"));
            }
        }
    }
}

fn percent(value: &Value) -> Result<u32, String> {
    let number = value.as_integer().and_then(|number| u32::try_from(number).ok());
    number.filter(|number| *number <= 100).ok_or_else(|| "must be a whole number of percent".to_owned())
}

fn minutes_of(value: &Value) -> Result<u32, String> {
    let hours = value.as_float().or_else(|| value.as_integer().map(|number| number as f64));
    let hours = hours.filter(|hours| (0.0..=1440.0).contains(hours)).ok_or("must be a number of hours")?;
    let minutes = hours * 60.0;
    if (minutes - minutes.round()).abs() > 1e-6 {
        return Err(format!("{hours} h is not whole minutes"));
    }
    Ok(minutes.round() as u32)
}

/// Parses `30 min`, `1.5 h` or `2 d`.
fn wait(text: &str) -> Result<u32, String> {
    let wrong = || format!("{text:?} is no time such as \"30 min\", \"1.5 h\" or \"2 d\"");
    let (number, unit) = text.trim().split_once(' ').ok_or_else(wrong)?;
    let number: f64 = number.parse().map_err(|_| wrong())?;
    let minutes = match unit.trim() {
        "min" => number,
        "h" => number * 60.0,
        "d" => number * 1440.0,
        _ => return Err(wrong()),
    };
    if !(0.0..=86_400.0).contains(&minutes) || (minutes - minutes.round()).abs() > 1e-6 {
        return Err(format!("{text:?} is not whole minutes, or out of all reason"));
    }
    Ok(minutes.round() as u32)
}

/// Parses `30 min`, `30 min .. 4 h` or `within 4 h`.
fn waits(text: &str) -> Result<(u32, Option<u32>), String> {
    if let Some(longest) = text.trim().strip_prefix("within ") {
        return Ok((0, Some(wait(longest)?)));
    }
    match text.split_once("..") {
        None => Ok((wait(text)?, None)),
        Some((shortest, longest)) => {
            let (shortest, longest) = (wait(shortest)?, wait(longest)?);
            if longest < shortest {
                return Err(format!("{text:?} ends before it begins"));
            }
            Ok((shortest, Some(longest)))
        }
    }
}

fn equipment(text: &str) -> EquipmentNeed {
    let (name, count) = text.split_once(" x ").unwrap_or((text, "1"));
    EquipmentNeed { equipment: name.trim().to_owned(), count: count.trim().parse().unwrap_or(0) }
}

/// Reads a rule book with all that cannot be read in it.
pub fn read(text: &str) -> (RuleBook, Vec<BookFault>) {
    let notes = Notes { text, faults: RefCell::default() };
    let mut book = RuleBook {
        title: String::new(),
        works: Vec::new(),
        labours: Vec::new(),
        features: Vec::new(),
        panels: Vec::new(),
        visits: Vec::new(),
        operations: Vec::new(),
        follows: Vec::new(),
        rules: Vec::new(),
        brings: Vec::new(),
        adhesives: Vec::new(),
        safety: SafetyWords {
            spray_classes: Vec::new(),
            prime_classes: Vec::new(),
            spray_skills: Vec::new(),
            refrigerant_skills: Vec::new(),
            high_voltage_skills: Vec::new(),
            glass_minutes: 0,
            restraint_minutes: 0,
        },
    };
    match Document::parse(text) {
        Ok(document) => fill(&notes, &document, &mut book),
        Err(error) => {
            let offset = error.span().map_or(0, |span| span.start);
            notes.fault(offset, format!("not TOML: {}", error.message().replace('\n', "; ")));
        }
    }
    (book, notes.faults.into_inner())
}

const TABLES: [&str; 9] = ["book", "panel", "visit", "operation", "follow", "rule", "bring", "adhesive", "safety"];

fn fill(notes: &Notes<'_>, document: &Document<&str>, book: &mut RuleBook) {
    let root = document.as_table();
    for (name, item) in root.iter() {
        if !TABLES.contains(&name) {
            let offset = root.key(name).and_then(|key| key.span()).or(item.span()).map_or(0, |span| span.start);
            notes.fault(offset, format!("unknown table [{name}]; there are {}", TABLES.join(", ")));
        }
    }
    for row in rows(notes, root, "book") {
        book.title = row.text("title");
        book.works = row.texts("works");
        book.labours = row.texts("labours");
        book.features = row.texts("features");
        row.finish();
    }
    for row in rows(notes, root, "panel") {
        book.panels.push(PanelKind { kind: row.text("kind"), names: row.texts("names") });
        row.reason();
        row.finish();
    }
    for row in rows(notes, root, "visit") {
        book.visits.push(VisitTemplate {
            id: row.text("id"),
            class: row.text("class"),
            family: row.optional("family"),
            loose_parts: row.flag("loose_parts"),
        });
        row.reason();
        row.finish();
    }
    for row in rows(notes, root, "operation") {
        book.operations.push(operation(&row));
        row.finish();
    }
    for row in rows(notes, root, "follow") {
        follow(&row, book);
        row.finish();
    }
    for row in rows(notes, root, "rule") {
        book.rules.push(rule(&row));
        row.finish();
    }
    for row in rows(notes, root, "bring") {
        book.brings.push(rule(&row));
        row.finish();
    }
    for row in rows(notes, root, "adhesive") {
        book.adhesives.push(adhesive(&row));
        row.finish();
    }
    let mut found = rows(notes, root, "safety");
    if found.is_empty() {
        notes.fault(0, "the table [safety] is missing".into());
    }
    for row in found.drain(..) {
        book.safety = SafetyWords {
            spray_classes: row.texts("spray_classes"),
            prime_classes: row.texts("prime_classes"),
            spray_skills: row.texts("spray_skills"),
            refrigerant_skills: row.texts("refrigerant_skills"),
            high_voltage_skills: row.texts("high_voltage_skills"),
            glass_minutes: row.minutes("glass_hours").unwrap_or(0),
            restraint_minutes: row.minutes("restraint_hours").unwrap_or(0),
        };
        row.finish();
    }
}

/// Returns the tables of a name, whether there is one or a list of them.
fn rows<'t>(notes: &'t Notes<'t>, root: &'t dyn TableLike, name: &'static str) -> Vec<Row<'t>> {
    let Some(item) = root.get(name) else { return Vec::new() };
    let tables: Vec<&dyn TableLike> = match item {
        Item::ArrayOfTables(tables) => tables.iter().map(|table| table as &dyn TableLike).collect(),
        item => item.as_table_like().into_iter().collect(),
    };
    if tables.is_empty() {
        notes.fault(item.span().map_or(0, |span| span.start), format!("[{name}] must be a table"));
    }
    let spans: Vec<usize> = match item {
        Item::ArrayOfTables(tables) => tables.iter().map(|table| table.span().map_or(0, |span| span.start)).collect(),
        item => vec![item.span().map_or(0, |span| span.start)],
    };
    let row = |(index, (table, offset)): (usize, (&'t dyn TableLike, usize))| {
        let id = ["id", "kind", "then"].iter().find_map(|key| table.get(key).and_then(Item::as_str));
        let label = match (name, id) {
            ("book" | "safety", _) => String::new(),
            (name, Some(id)) => format!("{name} {id:?}"),
            (name, None) => format!("{name} number {}", index + 1),
        };
        Row { notes, table, label, offset, keys: RefCell::default() }
    };
    tables.into_iter().zip(spans).enumerate().map(row).collect()
}

fn operation(row: &Row<'_>) -> OperationTemplate {
    let crew = row.texts("crew");
    let unattended = row.flag("unattended");
    if crew.is_empty() != unattended {
        row.fault(row.offset, "give it a `crew`, or `unattended = true`");
    }
    let required = row.flag("same_person_required");
    let same_person = row.optional("same_person").map(|operation| SamePersonWish { operation, required });
    OperationTemplate {
        id: row.text("id"),
        name: row.text("name"),
        per_panel: row.flag("per_panel"),
        own: row.flag("own"),
        base_minutes: row.minutes("hours").unwrap_or(0),
        usual_minutes: row.minutes("usual_hours").unwrap_or(0),
        crew,
        visit: row.optional("visit"),
        equipment: row.texts("uses").iter().map(|text| equipment(text)).collect(),
        interruptible: row.flag("stops_at_closing"),
        same_person,
        approvals: row.texts("approvals"),
        hazards: row.words("hazards", &HAZARDS),
        does: row.words("does", &ACTIVITIES),
        hold: row.optional("hold"),
        rework: row.texts("rework"),
        again: row.flag("again"),
        required: row.flag("required"),
        reason: row.reason(),
    }
}

fn follow(row: &Row<'_>, book: &mut RuleBook) {
    let (firsts, thens) = (row.texts("first"), row.texts("then"));
    let found = row.text("wait");
    let (min_wait_minutes, max_wait_minutes) = match found.as_str() {
        "" => (0, None),
        text => waits(text).unwrap_or_else(|problem| {
            let offset = row.table.get("wait").and_then(Item::span).map_or(row.offset, |span| span.start);
            row.fault(offset, &format!("`wait`: {problem}"));
            (0, None)
        }),
    };
    let reason = row.reason();
    if firsts.is_empty() || thens.is_empty() {
        row.fault(row.offset, "say `first` and `then`");
    }
    if book.follows.len() + firsts.len() * thens.len() > MOST_FOLLOWS {
        row.fault(row.offset, &format!("more than {MOST_FOLLOWS} pairs of operations that follow each other"));
        return;
    }
    for then in &thens {
        for first in &firsts {
            let (first, then, reason) = (first.clone(), then.clone(), reason.clone());
            book.follows.push(Follow { first, then, min_wait_minutes, max_wait_minutes, reason });
        }
    }
}

fn rule(row: &Row<'_>) -> Rule {
    let conditions = [("new", PartCondition::New), ("used", PartCondition::Used)];
    Rule {
        id: row.text("id"),
        when: Match {
            works: row.texts("work"),
            panels: row.texts("panel"),
            labours: row.texts("labour"),
            condition: row.words("condition", &conditions).first().copied(),
            beside: row.texts("beside"),
            features: row.texts("feature"),
        },
        give: row.shares("give", percent),
        add: row.shares("add", minutes_of),
        bring: row.texts("bring"),
        part: row.texts("part"),
        caution: row.optional("caution"),
        reason: row.reason(),
    }
}

fn adhesive(row: &Row<'_>) -> Adhesive {
    let mut minutes = Vec::new();
    if let Some((item, offset)) = row.get("hours") {
        let lines = item.as_array().map(|array| array.iter().map(Value::as_array).collect::<Vec<_>>());
        for line in lines.unwrap_or_default() {
            let line: Option<Result<Vec<u32>, String>> = line.map(|line| line.iter().map(minutes_of).collect());
            match line {
                Some(Ok(line)) => minutes.push(line),
                Some(Err(problem)) => row.fault(offset, &format!("`hours` {problem}")),
                None => row.fault(offset, "`hours` must be a list of lists, one for each humidity"),
            }
        }
    }
    Adhesive {
        id: row.text("id"),
        temperatures: row.numbers("temperatures"),
        humidities: row.numbers("humidities"),
        minutes,
        reason: row.reason(),
    }
}
