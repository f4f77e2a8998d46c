//! What the solver answers, turned back into bounds and plans.

use fitup_model::Cost;
use highs::{HighsModelStatus, SolvedModel};

use crate::bound::lattice::Lattice;

/// What came of a program.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// No plan costs less, if the program was told of all plans cheaper than its target.
    pub bound: Option<Cost>,
    /// By operation: position of the way it is placed; `None` for facts and cars left out.
    pub placed: Option<Vec<Option<usize>>>,
    /// The program is solved: there is nothing more to find.
    pub finished: bool,
}

/// Share of a bound that the solver's tolerances may be worth, and the least such amount.
const TOLERANCE: (f64, f64) = (1e-6, 1e-3);

/// Reads the answer of the solver; `constant` is the part of the price that it does not know.
///
/// The solver computes in floats. Its bound is lowered by more than its tolerances before it is raised to the next price
/// that plans can have; feasibility tolerances are 1e-7 of coefficients that are prices.
pub fn read(solved: &SolvedModel, constant: f64, target: Cost, lattice: Lattice, columns: &[Vec<usize>]) -> Answer {
    let status = solved.status();
    if status == HighsModelStatus::Infeasible {
        return Answer { bound: Some(target), placed: None, finished: true };
    }
    let dual = solved.double_info_value(c"mip_dual_bound").ok().filter(|bound| bound.is_finite());
    let bound = dual.map(|bound| {
        let bound = bound + constant;
        let safe = bound - TOLERANCE.1.max(bound.abs() * TOLERANCE.0);
        lattice.ceil(safe.ceil() as Cost).min(target)
    });
    let values = solved.get_solution();
    let primal = solved.objective_value() + constant;
    let has_plan = values.columns().iter().any(|value| *value > 0.5) && primal < target as f64 && primal.is_finite();
    let placed = has_plan.then(|| {
        let chosen = |own: &Vec<usize>| own.iter().position(|&column| values.columns()[column] > 0.5);
        columns.iter().map(chosen).collect()
    });
    Answer { bound, placed, finished: status == HighsModelStatus::Optimal }
}
