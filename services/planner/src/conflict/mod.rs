//! Why a car finds no room: a small set of rules that cannot be kept together, none of which can be spared.
//!
//! [`conflict`] takes the car, the other cars as they stand in a plan, and every rule that could be given up
//! ([`Rule`]). It looks for a set of rules that leaves the car no room, though giving up any one of them does: a
//! minimal conflict. The halving of QuickXplain finds one (Junker (2004), "QuickXplain: preferred explanations and
//! relaxations for over-constrained problems", AAAI-04, pages 167 to 172); a deletion filter then goes over it once
//! more and proves each member (Chinneck and Dravnieks (1991), doi:10.1287/ijoc.3.2.157). There may be other conflicts
//! beside it: rules that are not in the set are given up while it is looked for.
//!
//! Whether a set leaves room is decided by the planner itself, on the [`relaxed`] problem in which nothing costs
//! anything but to leave a car out: a plan without left out cars shows room, an optimal one with them shows that there
//! is none.

mod relax;
mod rules;

use fitup_model::keyed::CarId;
use fitup_model::{Plan, Problem};

use crate::stop::Stop;
use crate::{Options, Outcome, plan};
pub use relax::relaxed;
pub use rules::{Rule, rules};

/// Iterations after which the planner gives up on a set of rules.
const ITERATIONS: u64 = 240;

/// A set of rules that cannot be kept together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conflict {
    /// The rules; none if what has happened leaves no room by itself.
    pub rules: Vec<Rule>,
    /// It is proven that they leave no room together, and for each of them that the others do. Otherwise a rule may be
    /// in the set that could be spared.
    pub minimal: bool,
}

/// Whether a set of rules leaves room for the car.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Room {
    Some,
    None,
    Unknown,
}

/// Returns a minimal conflict that keeps `car` out of `plan`; `None` if there is room for it after all, or nothing could
/// be proven before `stop`.
///
/// The other cars of the plan stay where they are: each of them is a rule that can be given up.
pub fn conflict(problem: &Problem, plan: &Plan, car: CarId, stop: &dyn Stop) -> Option<Conflict> {
    let search = Search { problem, plan, car, stop };
    let (own, others): (Vec<Rule>, Vec<Rule>) =
        rules(problem, plan, car).into_iter().partition(|rule| !matches!(rule, Rule::Car(_)));
    // A car that cannot be planned even alone is explained without the others.
    let all = match search.room(&own) {
        Room::None => own,
        Room::Some | Room::Unknown => {
            let all = [own, others].concat();
            if search.room(&all) != Room::None {
                return None;
            }
            all
        }
    };
    let found = if search.room(&[]) == Room::None { Vec::new() } else { search.explain(&[], false, &all) };
    search.filter(found)
}

struct Search<'a> {
    problem: &'a Problem,
    plan: &'a Plan,
    car: CarId,
    stop: &'a dyn Stop,
}

impl Search<'_> {
    /// Tells whether there is room for the car while `kept` are kept and all other rules are given up.
    fn room(&self, kept: &[Rule]) -> Room {
        let Some(problem) = relaxed(self.problem, self.plan, self.car, kept) else { return Room::Unknown };
        let options = Options { iterations: Some(ITERATIONS), ..Options::default() };
        match plan(&problem, &options, self.stop, &|_| ()) {
            Outcome::Optimal(solved) | Outcome::Feasible(solved) if solved.left_out.is_empty() => Room::Some,
            // Nothing else costs anything: no plan leaves fewer cars out.
            Outcome::Optimal(_) => Room::None,
            Outcome::Feasible(solved) if solved.bound > 0 => Room::None,
            Outcome::Feasible(_) | Outcome::Unknown { .. } | Outcome::Infeasible(_) => Room::Unknown,
        }
    }

    /// Returns a part of `open` that together with `kept` leaves no room; `added` tells whether `kept` has grown since
    /// room was last looked for.
    fn explain(&self, kept: &[Rule], added: bool, open: &[Rule]) -> Vec<Rule> {
        if added && self.room(kept) == Room::None {
            return Vec::new();
        }
        if open.len() <= 1 {
            return open.to_vec();
        }
        let (first, second) = open.split_at(open.len() / 2);
        let of_second = self.explain(&[kept, first].concat(), true, second);
        let of_first = self.explain(&[kept, &of_second].concat(), !of_second.is_empty(), first);
        [of_first, of_second].concat()
    }

    /// Drops the rules that can be spared and tells whether the rest is proven to be minimal; `None` if it is not proven
    /// to be a conflict.
    fn filter(&self, mut rules: Vec<Rule>) -> Option<Conflict> {
        if self.room(&rules) != Room::None {
            return None;
        }
        let mut minimal = true;
        let mut position = 0;
        while position < rules.len() {
            let mut less = rules.clone();
            less.remove(position);
            match self.room(&less) {
                Room::None => {
                    // What was needed before is still needed: fewer rules only leave more room.
                    rules = less;
                    continue;
                }
                Room::Some => {}
                Room::Unknown => minimal = false,
            }
            position += 1;
        }
        Some(Conflict { rules, minimal })
    }
}
