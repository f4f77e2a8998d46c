//! Proof beside the search: [`Proof`] raises the bound by prices, then searches exactly what they leave below the price of
//! the best plan, where that is little enough; [`raise`] refutes targets near the bound.

pub(crate) mod raise;

use fitup_model::Cost;

use crate::bound::remaining::{Remaining, Way};
use crate::bound::{Bounder, Prices};
use crate::compile::Compiled;
use crate::exact::bays::Bays;
use crate::exact::{self, Answer, Exact};
use crate::milp::solver::{Solving, State};
use crate::milp::{self, Limit, Program};
use crate::outcome::Phase;
use crate::schedule::Snapshot;
use crate::stop::Stop;
use crate::switches::{Idea, Switches};

/// Looks at all cars before exact search begins.
const LOOKS_FIRST: u32 = 200;

/// Exact search begins when no more ways to place operations are left than this.
const MOST_WAYS: usize = 160_000;

/// What is left is counted anew when it is at most this share of what it was.
const WORTH_COUNTING: f64 = 0.9;

/// A smaller problem is worth beginning anew if it has no more than this share of the ways.
const WORTH_A_NEW_START: f64 = 0.6;

/// The integer program is asked when no more ways than this are left, so often, and for so long.
const MOST_WAYS_OF_PROGRAM: usize = 5_000;
const MOST_WAYS_UNTIMED: usize = 600;
const MOST_PROGRAMS: u32 = 2;
const MOST_SECONDS: f64 = 20.0;
const MOST_NODES: i32 = 100;

/// Conflicts of the first turns from above and from below.
const FIRST_TURN: u64 = 200;

/// Conflicts that the halving of makespans allows for each refutation, in turn.
const REFUTATION: [u64; 2] = [1, 200];

/// Exact search is given up after so many answers that turned out to be no better plans.
const MOST_MISSES: u32 = 100;

/// How long a turn is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Turn {
    /// Until this share of the time is used.
    Until(f64),
    /// A fixed amount of work.
    Work {
        /// Looks at all cars.
        looks: u32,
        /// Conflicts of exact search.
        conflicts: u64,
    },
}

/// What came of a turn.
#[derive(Debug)]
pub(crate) struct Found {
    /// No plan costs less.
    pub bound: Cost,
    /// By how much it has raised its own bound.
    pub gained: Cost,
    /// A better plan.
    pub plan: Option<Snapshot>,
    /// It has nothing more to say.
    pub finished: bool,
}

/// Raises the bound and searches exactly, in turns.
pub(crate) struct Proof<'c> {
    compiled: &'c Compiled<'c>,
    bounder: Bounder<'c>,
    exact: Option<Exact<'c>>,
    /// The integer program, for what exact search cannot be told.
    program: Option<(Solving, Remaining)>,
    programs: u32,
    /// For makespans: a search for plans no longer than the bound.
    shortest: Option<Exact<'c>>,
    /// Conflicts that the next turn of either search for makespans has, and whose turn it is.
    turn: (u64, bool),
    /// Ways that the exact search began with.
    ways: usize,
    /// Ways that were left at most when they were counted last.
    most: usize,
    looks: u32,
    rounds: u32,
    misses: u32,
    bound: Cost,
    best: Option<Snapshot>,
    switches: Switches,
}

impl<'c> Proof<'c> {
    /// Returns a proof that has not begun.
    pub fn new(compiled: &'c Compiled<'c>, switches: Switches) -> Proof<'c> {
        let bounder = Bounder::new(compiled, switches);
        let bound = bounder.bound();
        Proof {
            compiled,
            bounder,
            exact: None,
            program: None,
            programs: 0,
            shortest: None,
            turn: (0, false),
            ways: usize::MAX,
            most: usize::MAX,
            looks: 0,
            rounds: 0,
            misses: 0,
            bound,
            best: None,
            switches,
        }
    }

    /// Does a small piece of work.
    fn advance(&mut self, target: Cost, exactly: bool, (looks, conflicts): (u32, u64), stop: &dyn Stop) {
        let target = self.best.as_ref().map_or(target, |best| best.cost.min(target));
        if exactly && self.exact.is_some() && self.compiled.is_makespan() {
            self.search_makespan(target, conflicts, stop);
        } else if exactly && self.exact.is_some() {
            self.search(target, conflicts, stop);
        } else if !self.bounder.is_exhausted() {
            self.bounder.advance(Some(target), looks, stop);
            self.looks += looks;
            self.bound = self.bound.max(self.bounder.bound());
        }
    }

    /// Begins exact search if little enough is left to decide.
    fn begin(&mut self, target: Cost, timed: bool, stop: &dyn Stop) {
        if self.misses >= MOST_MISSES {
            return;
        }
        let lattice = self.bounder.lattice();
        if self.compiled.is_makespan() {
            if self.exact.is_none() && self.rounds <= 1 && self.switches.uses(Idea::Exact) {
                self.raise_makespan(target, stop);
                self.exact = Exact::new(self.compiled, target, lattice, None, Bays::Counted);
            }
            return;
        }
        if self.looks < LOOKS_FIRST && !self.bounder.is_exhausted() || self.bounder.is_closed() {
            return;
        }
        // What is left exactly takes some looks to find out: only where it can have become much less.
        let most = self.bounder.most_ways();
        if most > 2 * MOST_WAYS || most as f64 >= self.most as f64 * WORTH_COUNTING {
            return;
        }
        self.most = most;
        let Some(remaining) = self.bounder.remaining(stop) else { return };
        let size = remaining.size();
        if size <= MOST_WAYS && (size as f64) < self.ways as f64 * WORTH_A_NEW_START {
            self.exact = (self.switches.uses(Idea::Exact))
                .then(|| Exact::new(self.compiled, remaining.target, lattice, Some(&remaining), Bays::Counted))
                .flatten();
            self.ways = size;
            if (self.exact.is_none() || self.compiled.problem.outside.is_some())
                && size <= if timed { MOST_WAYS_OF_PROGRAM } else { MOST_WAYS_UNTIMED }
                && self.programs < MOST_PROGRAMS
                && self.switches.uses(Idea::Program)
            {
                self.begin_program(remaining, timed, stop);
            }
        }
    }

    /// Begins to solve the integer program; without a clock it is waited for, and limited by nodes.
    fn begin_program(&mut self, remaining: Remaining, timed: bool, stop: &dyn Stop) {
        let program = Program::new(self.compiled, &remaining, self.bounder.lattice());
        self.programs += 1;
        if timed {
            let seconds = stop.seconds_left().map_or(MOST_SECONDS, |left| (0.9 * left).min(MOST_SECONDS));
            self.program = Some((Solving::begin(program, Limit::Seconds(seconds)), remaining));
            return;
        }
        // The answer does not depend on when it comes.
        let solving = Solving::begin(program, Limit::Nodes(MOST_NODES));
        self.program = Some((solving, remaining));
        while self.program.is_some() && !stop.should_stop() {
            std::thread::sleep(std::time::Duration::from_micros(200));
            self.look_at_program();
        }
    }

    fn look_at_program(&mut self) {
        let Some((solving, remaining)) = self.program.take() else { return };
        match solving.look() {
            State::Working => self.program = Some((solving, remaining)),
            State::Done(answer) => {
                if let Some(answer) = answer {
                    self.take_answer(&answer, &remaining);
                }
            }
        }
    }

    fn take_answer(&mut self, answer: &milp::Answer, remaining: &Remaining) {
        self.bound = self.bound.max(answer.bound.unwrap_or(self.bound));
        if let Some(placed) = &answer.placed {
            let way = |(ways, position): (&Vec<Way>, &Option<usize>)| Some(ways[(*position)?]);
            let ways: Vec<Option<Way>> = remaining.ways.iter().zip(placed).map(way).collect();
            let plan = exact::plan::snapshot(self.compiled, &ways);
            self.keep(plan, remaining.target);
        }
    }

    /// Raises the bound of a makespan by halving: a target that is refuted with little work is a bound (destructive
    /// bounds: Klein and Scholl (1999), doi:10.1016/S0377-2217(97)00431-2).
    fn raise_makespan(&mut self, target: Cost, stop: &dyn Stop) {
        let lattice = self.bounder.lattice();
        for conflicts in REFUTATION {
            let (mut low, mut high) = (self.bound, target);
            while low < high && !stop.should_stop() {
                // All prices below `middle` are refuted, or not.
                let middle = lattice.ceil(low + (high - low) / 2 + 1).min(high);
                let exact = Exact::new(self.compiled, middle, lattice, None, Bays::Counted);
                match exact.map(|mut exact| exact.run(conflicts, stop)) {
                    Some(Answer::Proven) => low = middle,
                    Some(Answer::Open | Answer::Spent) if middle == high => break,
                    Some(Answer::Open | Answer::Spent) => high = middle - 1,
                    Some(Answer::Found(ways)) => {
                        let plan = exact::plan::snapshot(self.compiled, &ways);
                        high = (middle - 1).min(plan.cost);
                        self.keep(plan, target);
                    }
                    None => return,
                }
            }
            self.bound = self.bound.max(low);
        }
    }

    /// Searches from above (for a plan shorter than the best) and from below (for one no longer than the bound) in turns
    /// that grow.
    fn search_makespan(&mut self, target: Cost, conflicts: u64, stop: &dyn Stop) {
        if self.turn.0 == 0 {
            let work = self.exact.as_ref().map_or(0, Exact::conflicts);
            self.turn = (FIRST_TURN.max(work), !self.turn.1);
        }
        self.turn.0 = self.turn.0.saturating_sub(conflicts);
        if !self.turn.1 {
            return self.search(target, conflicts, stop);
        }
        let next = self.bounder.lattice().ceil(self.bound + 1);
        if self.shortest.as_ref().is_none_or(|shortest| shortest.target() != next) && next < target {
            self.shortest = Exact::new(self.compiled, next, self.bounder.lattice(), None, Bays::Counted);
        }
        let Some(shortest) = self.shortest.as_mut().filter(|_| next < target) else {
            self.turn.0 = 0;
            return self.search(target, conflicts, stop);
        };
        match shortest.run(conflicts, stop) {
            Answer::Open => {}
            Answer::Spent => self.turn.0 = 0,
            Answer::Proven => self.bound = next,
            Answer::Found(ways) => {
                let plan = exact::plan::snapshot(self.compiled, &ways);
                if plan.cost >= next {
                    self.misses += 1;
                    shortest.refuse();
                }
                self.keep(plan, target);
            }
        }
    }

    fn keep(&mut self, plan: Snapshot, target: Cost) {
        if plan.cost < target && self.best.as_ref().is_none_or(|best| plan.cost < best.cost) {
            self.best = Some(plan);
        }
    }

    fn search(&mut self, target: Cost, conflicts: u64, stop: &dyn Stop) {
        let Some(exact) = &mut self.exact else { return };
        exact.lower(target);
        match exact.run(conflicts, stop) {
            Answer::Open => {}
            Answer::Spent => self.exact = None,
            Answer::Proven => {
                self.bound = self.bound.max(exact.target());
                self.exact = None;
            }
            Answer::Found(ways) => {
                let plan = exact::plan::snapshot(self.compiled, &ways);
                if plan.cost < target {
                    exact.lower(plan.cost);
                    self.keep(plan, target);
                } else {
                    self.misses += 1;
                    if self.misses >= MOST_MISSES || !exact.refuse() {
                        self.exact = None;
                    }
                }
            }
        }
    }

    fn is_finished(&self, target: Cost) -> bool {
        let target = self.best.as_ref().map_or(target, |best| best.cost.min(target));
        self.bound >= target || {
            let idle = self.exact.is_none() && self.program.is_none() && self.rounds > 2;
            self.bounder.is_exhausted() && idle
        }
    }

    /// Returns what it is doing.
    pub fn phase(&self) -> Phase {
        if self.exact.is_some() { Phase::Exact } else { Phase::Bound }
    }

    /// Returns the number of conflicts of exact search so far.
    pub fn conflicts(&self) -> u64 {
        self.exact.as_ref().map_or(0, Exact::conflicts)
    }

    /// Returns the bound by prices, if there is one, once there were enough looks at all cars.
    pub fn bounder(&self) -> Option<&Bounder<'c>> {
        let enough = self.looks >= LOOKS_FIRST || self.bounder.is_exhausted();
        (enough && self.bounder.works()).then_some(&self.bounder)
    }

    /// Works for a turn; `target` is the price of the best plan.
    pub fn work(&mut self, target: Cost, turn: Turn, stop: &dyn Stop) -> Found {
        self.rounds += 1;
        self.best = None;
        let before = self.bound;
        self.begin(target, matches!(turn, Turn::Until(_)), stop);
        // Three turns in four are for the exact search, once there is one.
        let exactly = !self.rounds.is_multiple_of(4) || self.bounder.is_exhausted();
        match turn {
            Turn::Work { looks, conflicts } => self.advance(target, exactly, (looks, conflicts), stop),
            Turn::Until(until) => {
                while stop.used() < until && !stop.should_stop() && !self.is_finished(target) {
                    self.advance(target, exactly, (1, 20), stop);
                    self.look_at_program();
                    if self.bounder.is_exhausted() && self.exact.is_none() {
                        std::thread::sleep(std::time::Duration::from_millis(1));
                    }
                    if self.exact.is_none() && self.looks == LOOKS_FIRST {
                        self.begin(target, true, stop);
                    }
                }
            }
        }
        let plan = self.best.take();
        let target = plan.as_ref().map_or(target, |plan| plan.cost.min(target));
        let gained = self.bound - before;
        Found { bound: self.bound.min(target), gained, plan, finished: self.is_finished(target) }
    }

    /// Returns what hours are worth; to be had quickly once `stop` says so.
    pub fn prices(&self, stop: &dyn Stop) -> Prices {
        let bound = self.bounder.certificate(stop).map(|certificate| certificate.bound);
        Prices { bound, ..self.bounder.prices() }
    }
}
