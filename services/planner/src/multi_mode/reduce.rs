//! Leaves out modes that are never of use: Sprecher, Hartmann and Drexl (1997), doi:10.1007/BF01545587.

use super::{Activity, Mode, Project};

/// Returns the modes of each activity that may be of use; `None` if one has none left.
pub(super) fn useful_modes(project: &Project) -> Option<Vec<Vec<usize>>> {
    let all = |activity: &Activity| (0..activity.modes.len()).collect::<Vec<_>>();
    let mut modes: Vec<Vec<usize>> = project.activities.iter().map(all).collect();
    for (activity, modes) in project.activities.iter().zip(&mut modes) {
        // What takes no time holds nothing.
        modes.retain(|&mode| {
            let mode = &activity.modes[mode];
            mode.duration == 0 || mode.held.iter().zip(&project.held).all(|(need, most)| need <= most)
        });
        let no_worse = |one: usize, other: usize| {
            let (one, other) = (&activity.modes[one], &activity.modes[other]);
            let amounts = |mode: &Mode| mode.held.iter().chain(&mode.used).copied().collect::<Vec<_>>();
            one.duration <= other.duration && amounts(one).iter().zip(amounts(other)).all(|(a, b)| *a <= b)
        };
        let kept = modes.clone();
        modes.retain(|&mode| {
            !kept
                .iter()
                .any(|&other| other != mode && no_worse(other, mode) && (!no_worse(mode, other) || other < mode))
        });
    }
    // What is used up is not enough for a mode beside the least that the others take.
    loop {
        let least = |index: usize, resource: usize| {
            modes[index].iter().map(|&mode| project.activities[index].modes[mode].used[resource]).min().unwrap_or(0)
        };
        let sums: Vec<i64> = (0..project.used.len())
            .map(|resource| (0..modes.len()).map(|index| least(index, resource)).sum())
            .collect();
        let fits = |index: usize, mode: usize| {
            let used = &project.activities[index].modes[mode].used;
            (0..sums.len())
                .all(|resource| sums[resource] - least(index, resource) + used[resource] <= project.used[resource])
        };
        let left: Vec<Vec<usize>> = (modes.iter().enumerate())
            .map(|(index, own)| own.iter().copied().filter(|&mode| fits(index, mode)).collect())
            .collect();
        if left.iter().any(Vec::is_empty) {
            return None;
        }
        if left == modes {
            return Some(modes);
        }
        modes = left;
    }
}
