//! The integer program: a time-indexed model of what is left to decide, solved by HiGHS through `good_lp`.
//!
//! Time-indexed formulations go back to Pritsker, Watters and Wolfe (1969), doi:10.1287/mnsc.16.1.93; the rows for
//! waits are the disaggregated ones of Christofides, Alvarez-Valdes and Tamarit (1987),
//! doi:10.1016/0377-2217(87)90240-2. The ways to place an operation are those that the bound could not rule out.
//!
//! Reading order: [`variables`], [`constraints`], [`objective`], [`outside`],
//! [`solution`], [`solver`].

pub mod constraints;
pub mod objective;
pub mod outside;
pub mod solution;
pub mod solver;
pub mod variables;

use good_lp::solvers::highs::{HighsProblem, highs};
use good_lp::{ProblemVariables, SolverModel};

use crate::bound::lattice::Lattice;
use crate::bound::remaining::Remaining;
use crate::compile::Compiled;
use fitup_model::Cost;
pub use solution::Answer;
use variables::Variables;

/// How long the solver may work.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// So many seconds.
    Seconds(f64),
    /// So many nodes of its tree.
    Nodes(i32),
}

/// A program ready to be solved, apart from the problem it was made of.
pub struct Program {
    /// Not yet a model of the solver, which could not be sent to another thread.
    problem: HighsProblem,
    size: usize,
    constant: f64,
    target: Cost,
    lattice: Lattice,
    /// Columns of the ways of each operation.
    columns: Vec<Vec<usize>>,
}

impl Program {
    /// Returns the program for `remaining`.
    pub fn new(compiled: &Compiled, remaining: &Remaining, lattice: Lattice) -> Program {
        let mut all = ProblemVariables::new();
        let variables = Variables::new(compiled, remaining, &mut all);
        let mut rows = constraints::all(compiled, remaining, &variables, &mut all);
        let (mut price, constant) = objective::price(compiled, remaining, &variables);
        price += outside::price(compiled, remaining, &variables, &mut all, &mut rows);
        // Variables are columns in the order in which they were added.
        let mut number = std::collections::HashMap::new();
        for (position, (variable, _)) in all.iter_variables_with_def().enumerate() {
            number.insert(variable, position);
        }
        let columns = variables.placed.iter().map(|own| own.iter().map(|way| number[way]).collect()).collect();
        let size = all.len();
        let mut problem = all.minimise(price).using(highs);
        for row in rows {
            problem.add_constraint(row);
        }
        Program { problem, size, constant, target: remaining.target, lattice, columns }
    }

    /// Returns the number of columns.
    pub fn size(&self) -> usize {
        self.size
    }

    /// Solves the program on this thread. There is no way to stop it before its limit.
    pub fn solve(self, limit: Limit) -> Option<Answer> {
        let mut model = self.problem.try_into_inner().ok()?;
        model.make_quiet();
        model.try_set_option("threads", 1).ok()?;
        model.try_set_option("parallel", "off").ok()?;
        model.try_set_option("mip_rel_gap", 0.0).ok()?;
        model.try_set_option("mip_abs_gap", 0.5 * self.lattice.step as f64).ok()?;
        match limit {
            Limit::Seconds(seconds) => model.try_set_option("time_limit", seconds).ok()?,
            Limit::Nodes(nodes) => model.try_set_option("mip_max_nodes", nodes).ok()?,
        }
        let solved = model.try_solve().ok()?;
        Some(solution::read(&solved, self.constant, self.target, self.lattice, &self.columns))
    }
}
