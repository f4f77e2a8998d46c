//! Breaks files: by design, so that they contradict themselves, and by chance, so that anything may be wrong.

use serde_json::{Value, json};

use crate::chance::Chance;

/// A shop file that must be refused.
#[derive(Debug, Clone)]
pub struct Contradiction {
    /// What is wrong with it.
    pub what: &'static str,
    /// What the refusal has to name: the place, or what stands there.
    pub names: &'static str,
    /// The file.
    pub text: String,
}

/// A small shop with one of everything, in which the places of [`contradictions`] are known.
pub fn plain_shop() -> Value {
    json!({
        "name": "plain", "grid": 5, "horizon": 2880,
        "calendars": {"day": [[480, 720], [750, 1020], [1920, 2160]], "always": [[0, 2880]]},
        "bays": [{"id": "prep-1", "class": "prep", "calendar": "always"},
                 {"id": "floor-1", "class": "floor", "calendar": "always"}],
        "equipment": [{"id": "lamp", "capacity": 1}],
        "techs": [{"id": "ada", "calendar": "day", "skills": {"refinish": 1.2, "body": 1.0}},
                  {"id": "bo", "calendar": "day", "skills": {"body": 0.9}}],
        "cars": [
            {"id": "1", "arrive": 480, "promise": 1020, "late_weight": 3, "flow_weight": 1,
             "visits": [{"id": "prep", "class": "prep", "on_vehicle": true}],
             "ops": [{"id": "1.sand", "work": 60, "crew": ["refinish"], "visit": "prep", "equipment": [],
                      "interruptible": true, "not_before": 0},
                     {"id": "1.dry", "work": 30, "crew": [], "visit": "prep", "equipment": [["lamp", 1]],
                      "interruptible": false, "not_before": 0}],
             "links": [{"from": "1.sand", "to": "1.dry", "min": 0, "max": 60}]},
            {"id": "2", "arrive": 0, "promise": 1020, "late_weight": 1, "flow_weight": 0,
             "visits": [{"id": "floor", "class": "floor", "on_vehicle": true}],
             "ops": [{"id": "2.hang", "work": 45, "crew": ["body", "body"], "visit": "floor", "equipment": [],
                      "interruptible": false, "not_before": 600}],
             "links": []}
        ]
    })
}

/// Returns every way in which a shop can contradict itself or the format, each once.
pub fn contradictions() -> Vec<Contradiction> {
    let mut all = Vec::new();
    let mut set = |what, names, pointer: &str, value: Value| {
        let mut shop = plain_shop();
        let (parent, key) = pointer.rsplit_once('/').expect("a pointer has a slash");
        match shop.pointer_mut(parent).expect("the place exists") {
            Value::Object(fields) => {
                fields.insert(key.to_string(), value);
            }
            Value::Array(items) => match key.parse::<usize>() {
                Ok(index) => items[index] = value,
                Err(_) => items.push(value),
            },
            _ => unreachable!("a place is in an object or in an array"),
        }
        all.push(Contradiction { what, names, text: shop.to_string() });
    };
    let huge = json!(1u64 << 62);
    set("no grid", "grid", "/grid", json!(0));
    set("a negative grid", "grid", "/grid", json!(-5));
    set("a grid in words", "grid", "/grid", json!("five"));
    set("a horizon off the grid", "horizon", "/horizon", json!(2881));
    set("a negative horizon", "horizon", "/horizon", json!(-5));
    set("an endless horizon", "horizon", "/horizon", huge.clone());
    set("an unknown objective", "objective", "/objective", json!("beauty"));
    set("an unknown field", "colour", "/colour", json!(1));
    set("a window that ends before it starts", "day", "/calendars/day/0", json!([720, 480]));
    set("windows that overlap", "day", "/calendars/day/1", json!([700, 1020]));
    set("windows in the wrong order", "day", "/calendars/day/2", json!([0, 240]));
    set("a window off the grid", "day", "/calendars/day/0", json!([481, 720]));
    set("a window after the horizon", "day", "/calendars/day/2", json!([1920, 2900]));
    set("a window of three numbers", "day", "/calendars/day/0", json!([480, 720, 5]));
    set("two bays of one name", "prep-1", "/bays/1/id", json!("prep-1"));
    set("a bay with an unknown calendar", "night", "/bays/0/calendar", json!("night"));
    set("two pools of one name", "lamp", "/equipment/-", json!({"id": "lamp", "capacity": 2}));
    set("a negative number of pieces", "capacity", "/equipment/0/capacity", json!(-1));
    set("two people of one name", "ada", "/techs/1/id", json!("ada"));
    set("a person with an unknown calendar", "night", "/techs/0/calendar", json!("night"));
    set("a rate of nothing", "body", "/techs/0/skills/body", json!(0.0));
    set("a negative rate", "body", "/techs/0/skills/body", json!(-1.0));
    set("an enormous rate", "body", "/techs/0/skills/body", json!(1e300));
    set("two cars of one name", "\"1\"", "/cars/1/id", json!("1"));
    set("an arrival off the grid", "arrive", "/cars/0/arrive", json!(482));
    set("a promise beyond all times", "promise", "/cars/0/promise", huge.clone());
    set("a negative price of lateness", "late_weight", "/cars/0/late_weight", json!(-1));
    set("a negative price of time", "flow_weight", "/cars/0/flow_weight", json!(-1));
    let dear = json!({"id": "1", "arrive": 480, "promise": -1_099_511_627_775i64, "late_weight": 1i64 << 40,
        "flow_weight": 0, "ops": [{"id": "1.dry", "work": 30}]});
    set("prices that add up to more than numbers hold", "weights", "/cars/0", dear);
    set("a price beyond all numbers", "late_weight", "/cars/0/late_weight", huge.clone());
    set(
        "a car without operations",
        "cars[1]",
        "/cars/1",
        json!({"id": "2", "arrive": 0, "promise": 0,
        "late_weight": 0, "flow_weight": 0, "visits": [], "ops": [], "links": []}),
    );
    let visit = json!({"id": "prep", "class": "prep", "on_vehicle": true});
    set("two visits of one name", "prep", "/cars/0/visits/-", visit.clone());
    let visit = json!({"id": "more", "class": "prep", "on_vehicle": true});
    set("a visit without operations", "visits[", "/cars/0/visits/-", visit);
    set("two operations of one name", "1.sand", "/cars/0/ops/1/id", json!("1.sand"));
    set("two operations of one name in two cars", "1.sand", "/cars/1/ops/0/id", json!("1.sand"));
    set("no work", "work", "/cars/0/ops/0/work", json!(0));
    set("negative work", "work", "/cars/0/ops/0/work", json!(-60));
    set("work off the grid", "work", "/cars/0/ops/0/work", json!(61));
    set("work beyond all times", "work", "/cars/0/ops/0/work", huge);
    set("the visit of another car", "floor", "/cars/0/ops/0/visit", json!("floor"));
    set("an unknown pool", "oven", "/cars/0/ops/1/equipment/0", json!(["oven", 1]));
    set("a pool twice", "equipment", "/cars/0/ops/1/equipment/-", json!(["lamp", 1]));
    set("no pieces of a pool", "equipment", "/cars/0/ops/1/equipment/0", json!(["lamp", 0]));
    set("an earliest start off the grid", "not_before", "/cars/0/ops/0/not_before", json!(3));
    set("a link from nowhere", "1.wash", "/cars/0/links/0/from", json!("1.wash"));
    set("a link to another car", "links[", "/cars/0/links/0/to", json!("2.hang"));
    set("a link to itself", "1.sand", "/cars/0/links/0/to", json!("1.sand"));
    let back = json!({"from": "1.dry", "to": "1.sand", "min": 0, "max": null});
    set("links in a circle", "1.dry", "/cars/0/links/-", back);
    set("a longest wait below the shortest", "links[", "/cars/0/links/0/min", json!(65));
    set("a wait off the grid", "min", "/cars/0/links/0/min", json!(2));
    for (what, names, pointer) in [
        ("no name", "name", "/name"),
        ("no cars", "cars", "/cars"),
        ("a bay without a name", "id", "/bays/0/id"),
        ("a bay without a class", "class", "/bays/0/class"),
        ("a person without skills", "skills", "/techs/0/skills"),
        ("a car without arrival", "arrive", "/cars/0/arrive"),
        ("an operation without work", "work", "/cars/0/ops/0/work"),
        ("a link without end", "to", "/cars/0/links/0/to"),
    ] {
        let mut shop = plain_shop();
        let (parent, key) = pointer.rsplit_once('/').expect("a pointer has a slash");
        shop.pointer_mut(parent).and_then(Value::as_object_mut).expect("the place exists").remove(key);
        all.push(Contradiction { what, names, text: shop.to_string() });
    }
    let twice = plain_shop().to_string().replacen("\"day\":", "\"day\":[[0,5]],\"day\":", 1);
    all.push(Contradiction { what: "two calendars of one name", names: "day", text: twice });
    let twice = plain_shop().to_string().replacen("\"work\":60", "\"work\":60,\"work\":65", 1);
    all.push(Contradiction { what: "a field twice", names: "work", text: twice });
    let text = plain_shop().to_string();
    let cut = text[..text.len() / 2].to_string();
    all.push(Contradiction { what: "half a file", names: "line 1", text: cut });
    all.push(Contradiction { what: "no file", names: "line 1", text: String::new() });
    all.push(Contradiction { what: "a file after the file", names: "line 1", text: format!("{text}{text}") });
    all.push(Contradiction { what: "a list of files", names: "line 1", text: format!("[{text}]") });
    all.push(Contradiction { what: "a deep nest", names: "line 1", text: "[".repeat(100_000) });
    all
}

/// What stands where a number stood.
const NUMBERS: [&str; 25] = [
    "-1",
    "0",
    "1",
    "2",
    "3",
    "5",
    "-5",
    "7",
    "0.5",
    "-0.0",
    "1e3",
    "1e308",
    "1e400",
    "5e-324",
    "4294967295",
    "4294967296",
    "1099511627776",
    "1099511627775",
    "-1099511627780",
    "9007199254740993",
    "9223372036854775807",
    "9223372036854775805",
    "-9223372036854775808",
    "18446744073709551615",
    "100000000000000000000",
];

/// What stands where anything stood.
const WORDS: [&str; 16] = [
    "null",
    "true",
    "[]",
    "{}",
    "\"\"",
    "\"always\"",
    "[[0,5]]",
    "\"\\u0000\"",
    "\"\\ud800\"",
    "\"é\u{1f697}\"",
    "NaN",
    "-",
    ",",
    "\"",
    "}",
    "]",
];

/// A valid text to be broken again and again.
#[derive(Debug, Clone)]
pub struct Original {
    text: String,
    value: Option<Value>,
    places: Vec<String>,
}

impl Original {
    /// Takes a text; if it is JSON it is also broken as such.
    pub fn new(text: String) -> Original {
        let value: Option<Value> = serde_json::from_str(&text).ok();
        let mut places = Vec::new();
        if let Some(value) = &value {
            list_places(value, String::new(), &mut places);
        }
        Original { text, value, places }
    }

    /// Returns the text with one to three things changed.
    pub fn broken(&self, chance: &mut Chance) -> String {
        let changes = 1 + chance.below(3);
        match &self.value {
            Some(value) if chance.happens(60) => {
                let mut value = value.clone();
                for _ in 0..changes {
                    self.change_value(&mut value, chance);
                }
                value.to_string()
            }
            _ => {
                let mut text = self.text.clone();
                for _ in 0..changes {
                    text = change_text(&text, chance);
                }
                text
            }
        }
    }

    fn change_value(&self, root: &mut Value, chance: &mut Chance) {
        let other = &self.places[chance.below(self.places.len())];
        let other = root.pointer(other).cloned().unwrap_or(Value::Null);
        let Some(place) = root.pointer_mut(&self.places[chance.below(self.places.len())]) else { return };
        match (chance.below(4), place) {
            (0, place) => *place = other,
            (1, Value::Array(items)) if !items.is_empty() => {
                let (from, to) = (chance.below(items.len()), chance.below(items.len()));
                match chance.below(3) {
                    0 => items.swap(from, to),
                    1 => drop(items.remove(from)),
                    _ => items.insert(to, items[from].clone()),
                }
            }
            (1, Value::Object(fields)) if !fields.is_empty() => {
                let key = fields.keys().nth(chance.below(fields.len())).cloned().expect("below its length");
                let value = fields.remove(&key).unwrap_or(Value::Null);
                if chance.happens(30) {
                    fields.insert(key + "s", value);
                }
            }
            (_, Value::Number(number)) => {
                let (now, by) = (number.as_i64().unwrap_or(0), chance.pick(&[5, -5, 1, 60, -1440, 1 << 20]));
                *number = now.saturating_add(by).into();
                if chance.happens(30) {
                    *number = chance.pick(&[0, -1, i64::MAX, i64::MIN, 1 << 40, 1 << 41, 5]).into();
                }
            }
            (_, Value::String(text)) => {
                *text = chance.pick(&["", "always", "prep", "x", "\u{0}", "🚗"]).to_string();
            }
            (_, place) => *place = json!(chance.pick(&[0, 1, -1])),
        }
    }
}

fn list_places(value: &Value, place: String, places: &mut Vec<String>) {
    match value {
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                list_places(item, format!("{place}/{index}"), places);
            }
        }
        Value::Object(fields) => {
            for (key, item) in fields {
                list_places(item, format!("{place}/{}", key.replace('~', "~0").replace('/', "~1")), places);
            }
        }
        _ => {}
    }
    places.push(place);
}

fn change_text(text: &str, chance: &mut Chance) -> String {
    let mut bytes = text.as_bytes().to_vec();
    let at = chance.below(bytes.len() + 1);
    let until = (at + 1 + chance.below(12)).min(bytes.len());
    match chance.below(7) {
        0 => bytes.truncate(at),
        1 => drop(bytes.drain(at..until)),
        2 => drop(bytes.splice(at..at, text.as_bytes()[at..until].to_vec())),
        3 if at < bytes.len() => bytes[at] ^= 1 << chance.below(7),
        4 => drop(bytes.splice(at..at, chance.pick(&WORDS).bytes())),
        _ => {
            // A whole number, wherever the next one stands.
            let is_part = |byte: &u8| byte.is_ascii_digit() || *byte == b'.' || *byte == b'-';
            let Some(start) = bytes[at..].iter().position(u8::is_ascii_digit).map(|offset| at + offset) else {
                return text.to_string();
            };
            let length = bytes[start..].iter().take_while(|byte| is_part(byte)).count();
            drop(bytes.splice(start..start + length, chance.pick(&NUMBERS).bytes()));
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn breaking_repeats_itself_and_changes_something() {
        let plain = plain_shop().to_string();
        let original = Original::new(plain.clone());
        let changed = (0..200).filter(|&seed| {
            let text = original.broken(&mut Chance::new(seed));
            assert_eq!(text, original.broken(&mut Chance::new(seed)));
            text != plain
        });
        assert!(changed.count() > 150);
    }
}
