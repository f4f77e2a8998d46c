//! The air of the day is dry enough for paint.

use super::{Case, Findings, names};
use crate::air;
use crate::book::Activity;

const SOURCE: &str = "the rule commonly quoted with ISO 8502-4:2017 and ISO 12944-7; dew point by WMO-No. 8, annex 4.B";

/// Warns if a surface would be too near to the dew point.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    let conditions = &case.take_in.conditions;
    let (Some(air), Some(humidity)) = (conditions.temperature_celsius, conditions.humidity_percent) else { return };
    let coats = case.left_to_do(Activity::Spray);
    if let Some(why) = air::too_wet(air, humidity, conditions.surface_celsius.unwrap_or(air))
        && !coats.is_empty()
    {
        found.warn("air-of-the-day", names(&coats), why, SOURCE);
    }
}
