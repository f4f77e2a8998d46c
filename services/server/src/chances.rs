//! What can happen in a shop, and how often, by its settings.

use fitup_model::shop::PlanningSettings;
use fitup_rehearsal::Chances;

/// Returns what can happen, by the settings of the shop.
pub fn chances(settings: &PlanningSettings) -> Chances {
    let share = |percent: u32| f64::from(percent) / 100.0;
    Chances {
        low: share(settings.work_low_percent()),
        high: share(settings.work_high_percent()),
        late_part: share(settings.late_part_percent()),
        late_days: settings.late_part_days(),
        late_approval: share(settings.late_approval_percent()),
        hidden_damage: share(settings.hidden_damage_percent()),
        hidden_work: share(settings.hidden_work_percent()),
        failed_check: share(settings.failed_check_percent()),
        rework: share(settings.rework_percent()),
        absence: share(settings.absence_percent()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shop_that_says_nothing_has_the_usual_chances() {
        assert_eq!(chances(&PlanningSettings::default()), Chances::default());
    }
}
