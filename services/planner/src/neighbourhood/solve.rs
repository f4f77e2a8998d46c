//! One neighbourhood: bound, then exact search, on the cars that are free.

use fitup_model::keyed::{Key, OperationId, VisitId};

use crate::bound::Bounder;
use crate::bound::remaining::Way;
use crate::compile::Compiled;
use crate::exact::bays::Bays;
use crate::exact::{Answer, Exact, plan};
use crate::schedule::{Saved, Schedule, Snapshot};
use crate::stop::Stop;
use crate::switches::Switches;

/// How much work a neighbourhood is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Effort {
    /// Looks of the bound.
    pub looks: u32,
    /// Ways that may be left for exact search.
    pub ways: usize,
    /// Conflicts of exact search.
    pub conflicts: u64,
}

/// What came of a neighbourhood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Found {
    /// A better plan, which is the best now.
    Better,
    /// There is none.
    Best,
    /// Not known.
    Open,
}

/// So many answers that turn out to break a rule are met.
const MOST_MISSES: u32 = 10;

/// Looks for a better place for the cars in `free`, all of which are planned, beside the others; `schedule` stands at `best`,
/// before and afterwards.
pub(super) fn improve(
    schedule: &mut Schedule,
    best: &mut Snapshot,
    free: &[usize],
    effort: Effort,
    switches: Switches,
    stop: &dyn Stop,
) -> Found {
    let left = schedule.compiled.with_held(schedule, free);
    let mut bounder = Bounder::new(&left, switches);
    bounder.advance(Some(best.cost), effort.looks, stop);
    let remaining = bounder.remaining(stop);
    if bounder.is_closed() {
        return Found::Best;
    }
    let Some(remaining) = remaining.filter(|remaining| remaining.size() <= effort.ways) else { return Found::Open };
    let Some(mut exact) = Exact::new(&left, best.cost, bounder.lattice(), Some(&remaining), Bays::Chosen) else {
        return Found::Open;
    };
    let begun_at = best.cost;
    let mut misses = 0;
    let verdict = loop {
        match exact.run(effort.conflicts.saturating_sub(exact.conflicts()).max(1), stop) {
            Answer::Proven => break Found::Best,
            Answer::Open | Answer::Spent => break Found::Open,
            Answer::Found(ways) => {
                let better = place(schedule, &ways, &exact.bays(), free) && schedule.cost() < best.cost;
                if better {
                    let cost = schedule.cost();
                    schedule.snapshot_into(cost, best);
                    exact.lower(cost);
                } else {
                    schedule.load(best);
                    misses += 1;
                    if misses > MOST_MISSES || !exact.refuse() {
                        break Found::Open;
                    }
                }
                if exact.conflicts() >= effort.conflicts {
                    break Found::Open;
                }
            }
        }
    };
    if best.cost < begun_at { Found::Better } else { verdict }
}

/// Places the cars in `free` as `ways` and `bays` say; `false` if that breaks a rule, and then some are left out.
fn place(schedule: &mut Schedule, ways: &[Option<Way>], bays: &[(u32, u16)], free: &[usize]) -> bool {
    let compiled: &Compiled = schedule.compiled;
    let mut to = schedule.to_plan();
    let mut saved = Saved::default();
    for &car in free {
        schedule.take_out(car, &mut saved);
        schedule.planned[car] = false;
        for &index in &compiled.cars[car].operations {
            let Some(way) = ways[index as usize] else { return false };
            to.operations[OperationId::from_index(index as usize)] =
                Some(plan::assignment(compiled, index as usize, way));
        }
    }
    for &(visit, bay) in bays {
        to.bays[VisitId::from_index(visit as usize)] = Some(Key::from_index(usize::from(bay)));
    }
    let mut scratch = Saved::default();
    free.iter().all(|&car| schedule.place_as_in(car, &to, &mut scratch))
}
