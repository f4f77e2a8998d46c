//! How long freshly set glass holds a car, from the table of its adhesive.
//!
//! Inside the table the time is interpolated; outside it nothing is made up: the longest known time stands, with a
//! warning.

use fitup_model::take_in::Conditions;

use crate::book::{Adhesive, RuleBook};
use crate::safety::Caution;

/// Returns the minutes that a car stands, and what asks for caution about them.
pub fn hold(book: &RuleBook, conditions: &Conditions) -> (u32, Vec<Caution>) {
    let usual = book.safety.glass_minutes;
    let caution = |message: String, source: &str| {
        vec![Caution { rule: "glass-table".into(), about: Vec::new(), message, source: source.to_owned() }]
    };
    let found = conditions.adhesive.as_ref().and_then(|id| book.adhesives.iter().find(|one| one.id == *id));
    let Some(adhesive) = found else {
        let message = format!(
            "no table of an adhesive says how long the glass holds the car; {} stand in: enter the maker's table as an \
             [[adhesive]] of the rule book, and say which one is used, the temperature and the humidity",
            hours(usual)
        );
        return (
            usual,
            caution(message, "\"Minimum driveaway time for urethane adhesive\", I-CAR Repairability Technical Support"),
        );
    };
    let longest = adhesive.minutes.iter().flatten().copied().max().unwrap_or(usual).max(usual);
    let (Some(temperature), Some(humidity)) = (conditions.temperature_celsius, conditions.humidity_percent) else {
        let message = format!(
            "temperature and humidity are not said: {} stand in, the longest time known for adhesive {:?}",
            hours(longest),
            adhesive.id
        );
        return (longest, caution(message, &adhesive.reason.source));
    };
    match minutes(adhesive, temperature, humidity) {
        Some(minutes) => (minutes, Vec::new()),
        None => {
            let message = format!(
                "{temperature} °C and {humidity} % are outside the table of adhesive {:?}: {} stand in, which may be too \
                 short; ask its maker, and settle the hours by hand",
                adhesive.id,
                hours(longest)
            );
            (longest, caution(message, &adhesive.reason.source))
        }
    }
}

fn hours(minutes: u32) -> String {
    format!("{} h {:02} min", minutes / 60, minutes % 60)
}

/// Returns the minutes at this temperature and humidity, interpolated on both sides and rounded up; `None` outside the
/// table.
pub fn minutes(adhesive: &Adhesive, temperature: i32, humidity: i32) -> Option<u32> {
    let (column, across) = between(&adhesive.temperatures, temperature)?;
    let (row, along) = between(&adhesive.humidities, humidity)?;
    let last = |index: usize, length: usize| (index + 1).min(length - 1);
    let value = |row: usize, column: usize| f64::from(adhesive.minutes[row][column]);
    let next_column = last(column, adhesive.temperatures.len());
    let next_row = last(row, adhesive.humidities.len());
    let at = |row: usize| value(row, column) * (1.0 - across) + value(row, next_column) * across;
    let exact = at(row) * (1.0 - along) + at(next_row) * along;
    // Less than a millionth above a whole minute is how floats are, and no minute more.
    Some((exact - 1e-6).ceil().max(1.0) as u32)
}

/// Returns the index of the support below `value`, and how far on it is to the next, 0 to 1.
fn between(supports: &[i32], value: i32) -> Option<(usize, f64)> {
    let below = supports.iter().rposition(|support| *support <= value)?;
    match supports.get(below + 1) {
        None => (supports[below] == value).then_some((below, 0.0)),
        Some(above) => {
            let width = f64::from(above - supports[below]);
            Some((below, f64::from(value - supports[below]) / width))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::Reason;

    fn adhesive() -> Adhesive {
        Adhesive {
            id: "slow".into(),
            temperatures: vec![5, 15, 25],
            humidities: vec![20, 50],
            minutes: vec![vec![480, 240, 120], vec![300, 180, 60]],
            reason: Reason { why: String::new(), source: "made up for this test".into() },
        }
    }

    #[test]
    fn the_table_itself_comes_back() {
        let adhesive = adhesive();
        for (row, humidity) in adhesive.humidities.iter().enumerate() {
            for (column, temperature) in adhesive.temperatures.iter().enumerate() {
                let found = minutes(&adhesive, *temperature, *humidity);
                assert_eq!(found, Some(adhesive.minutes[row][column]));
            }
        }
    }

    /// Worked by hand: halfway between four supports is their mean; between two it is a straight line, rounded up.
    #[test]
    fn between_supports_it_is_interpolated() {
        assert_eq!(minutes(&adhesive(), 10, 35), Some((480 + 240 + 300 + 180) / 4));
        assert_eq!(minutes(&adhesive(), 20, 50), Some(120));
        assert_eq!(minutes(&adhesive(), 24, 50), Some(72));
        assert_eq!(minutes(&adhesive(), 15, 49), Some(182));
    }

    #[test]
    fn outside_nothing_is_made_up() {
        for (temperature, humidity) in [(4, 30), (26, 30), (10, 19), (10, 51), (-20, 100)] {
            assert_eq!(minutes(&adhesive(), temperature, humidity), None, "{temperature} {humidity}");
        }
        let mut book = RuleBook::built_in();
        book.adhesives = vec![adhesive()];
        let at = |temperature_celsius, humidity_percent| Conditions {
            adhesive: Some("slow".into()),
            temperature_celsius,
            humidity_percent,
            surface_celsius: None,
        };
        assert_eq!(hold(&book, &at(Some(25), Some(50))), (60, vec![]));
        let (minutes, cautions) = hold(&book, &at(Some(0), Some(50)));
        assert_eq!(minutes, 480, "the longest known, never less than without a table");
        assert!(cautions[0].message.starts_with("0 °C and 50 % are outside the table"));
        let (minutes, cautions) = hold(&book, &at(None, Some(50)));
        assert!(minutes == 480 && cautions[0].message.contains("not said"));
        let (minutes, cautions) = hold(&book, &Conditions::default());
        assert!(minutes == book.safety.glass_minutes && cautions[0].message.contains("no table"));
    }
}
