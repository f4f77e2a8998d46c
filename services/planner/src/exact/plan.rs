//! From where the operations are to a plan that keeps every rule, bays included.

use fitup_model::keyed::{Key, OperationId, TechnicianId, VisitId};
use fitup_model::{Assignment, Plan};

use crate::bound::remaining::Way;
use crate::compile::{Compiled, Step};
use crate::construct;
use crate::random::Random;
use crate::schedule::{Schedule, Snapshot};

/// Returns the plan in which operations stand as `ways` says, if that can be; cars for which it cannot are placed
/// elsewhere, so that the plan may be dearer.
pub(crate) fn snapshot(compiled: &Compiled, ways: &[Option<Way>]) -> Snapshot {
    let mut plan = Plan::nothing_new(compiled.problem);
    for (index, way) in ways.iter().enumerate() {
        let Some(way) = way else { continue };
        plan.operations[OperationId::from_index(index)] = Some(assignment(compiled, index, *way));
    }
    choose_bays(compiled, ways, &mut plan);
    let mut schedule = Schedule::new(compiled, Random::new(0, 0));
    construct::repair(&mut schedule, &plan);
    let cost = schedule.cost();
    schedule.snapshot(cost)
}

/// Returns what a way means.
pub(crate) fn assignment(compiled: &Compiled, index: usize, way: Way) -> Assignment {
    let mode = &compiled.modes_of(index)[usize::from(way.mode)];
    let people = compiled.people_of(mode).iter();
    Assignment {
        start: compiled.clock.time(way.start),
        end: compiled.clock.time(way.end),
        technicians: people.map(|&person| TechnicianId::from_index(usize::from(person))).collect(),
        overtime: mode.overtime,
    }
}

/// Gives each visit, in order of their starts, the bay that has been free for the shortest time.
fn choose_bays(compiled: &Compiled, ways: &[Option<Way>], plan: &mut Plan) {
    let mut stays: Vec<(Step, Step, usize)> = Vec::new();
    for (visit, data) in compiled.visits.iter().enumerate() {
        let ways = || data.operations.iter().filter_map(|&index| ways[index as usize]);
        if let (Some(start), Some(end)) = (ways().map(|way| way.start).min(), ways().map(|way| way.end).max()) {
            let start = data.fact.map_or(start, |fact| start.min(fact.start));
            stays.push((start, end, visit));
        }
    }
    stays.sort_unstable();
    let mut free_from = vec![Step::MIN; compiled.bay_calendar.len()];
    for (start, end, visit) in stays {
        let choices = compiled.choices_of(visit).iter();
        let open = |bay: u16| {
            let calendar = &compiled.calendars[compiled.bay_calendar[usize::from(bay)] as usize];
            let from = start.clamp(0, compiled.clock.horizon);
            !compiled.visits[visit].keeps_hours || start == end || calendar.close(from) >= end
        };
        let free = choices.filter(|(bay, _)| free_from[usize::from(*bay)] <= start && open(*bay));
        // The cheapest, and of these the one that has been free for the shortest time.
        let Some(&(bay, _)) = free.max_by_key(|(bay, price)| (-price, free_from[usize::from(*bay)])) else { continue };
        free_from[usize::from(bay)] = end;
        plan.bays[VisitId::from_index(visit)] = Some(Key::from_index(usize::from(bay)));
    }
}
