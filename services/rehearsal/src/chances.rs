//! What can happen in a shop, and how often.

/// Probabilities and sizes. The values of [`Chances::default`] are common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chances {
    /// The least that work takes, as a share of what is booked.
    pub low: f64,
    /// The most that work takes, as a share of what is booked.
    pub high: f64,
    /// That a part which is still expected comes late.
    pub late_part: f64,
    /// So many days late at most, each number of days from 1 as likely as any other; at least 1.
    pub late_days: u32,
    /// That an approval which is still expected takes as many days longer.
    pub late_approval: f64,
    /// That damage is found when a car of which nothing has started is apart.
    pub hidden_damage: f64,
    /// Share by which the work on it grows then.
    pub hidden_work: f64,
    /// That work does not pass and is mended.
    pub failed_check: f64,
    /// Share of the work that mending takes.
    pub rework: f64,
    /// That somebody is away on a day.
    pub absence: f64,
}

impl Chances {
    /// Returns the chances of a shop where everything takes what was booked and nothing goes wrong.
    pub const NONE: Chances = Chances {
        low: 1.0,
        high: 1.0,
        late_part: 0.0,
        late_days: 1,
        late_approval: 0.0,
        hidden_damage: 0.0,
        hidden_work: 0.0,
        failed_check: 0.0,
        rework: 0.0,
        absence: 0.0,
    };
}

impl Default for Chances {
    fn default() -> Self {
        Chances {
            low: 0.8,
            high: 1.6,
            late_part: 0.15,
            late_days: 3,
            late_approval: 0.2,
            hidden_damage: 0.2,
            hidden_work: 0.2,
            failed_check: 0.02,
            rework: 0.5,
            absence: 0.02,
        }
    }
}
