//! Chances as JSON.

use fitup_proto::v1;
use serde::Serialize;

/// A line of `shop chances`: one of the settings.
#[derive(Debug, Serialize)]
pub struct Chance {
    setting: String,
    set: f64,
    recorded: Option<i32>,
    of: Option<i32>,
    used: f64,
    learned_percent: i32,
}

impl Chance {
    /// Returns a line for one of the chances of `answer`.
    pub fn new(answer: &v1::Chances, chance: &v1::chances::Chance) -> Chance {
        let rounded = |value: f64| (1000.0 * value).round() / 1000.0;
        Chance {
            setting: chance.setting.clone(),
            set: rounded(chance.set_value),
            recorded: chance.hit_count,
            of: chance.seen_count,
            used: rounded(chance.used_value),
            learned_percent: answer.learned_percent,
        }
    }
}
