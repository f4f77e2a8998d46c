//! Who works: as many searches as threads, in the end as many exact neighbourhoods too, and the proofs, which go before them
//! but rest while they gain little.
//!
//! There are two proofs. Looks at all cars and refutations near the bound take turns by what they gain. Where the first goes
//! over to exact search below the best plan, refutations rest until that seems to lead nowhere, and share the time of the
//! searches then.

use std::collections::VecDeque;

use fitup_model::Cost;

use crate::improve::{Budget, Search};
use crate::neighbourhood::Neighbourhoods;
use crate::outcome::Phase;
use crate::prove::raise::Raise;
use crate::prove::{Found, Proof, Turn};
use crate::stop::Stop;

/// A proof rests when with what its latest turns gained, on average (the last one with this weight), it would not close as much
/// of the gap in the whole budget; the more turns, up to so many of each thread, the more often this happens in a row.
const LEAST_GAIN: f64 = 0.5;
const WEIGHT_OF_LAST: f64 = 0.2;
const LONGEST_REST: u32 = 8;

/// What looks and refutations are taken to gain at first.
const FIRST_GAINS: [f64; 2] = [5.0, 1.0];

/// Exact search below the best plan has so many conflicts before refutations share the time of the searches.
const CONFLICTS_ALONE: u64 = 80_000;

/// Every so many turns are for the proof that gains less.
const TURNS_OF_THE_BETTER: u32 = 4;

/// What a thread works at.
pub(crate) enum Worker<'c> {
    Search(Box<Search<'c>>),
    Proof(Box<Proof<'c>>),
    Raise(Box<Raise<'c>>),
    Free(Box<Neighbourhoods<'c>>),
}

/// A turn of a worker.
pub(crate) enum Task<'s> {
    Search(Budget<'s>),
    /// What is proven, and the price of the best plan.
    Proof {
        bound: Cost,
        target: Cost,
        turn: Turn,
    },
    /// As much as a search does in this budget.
    Free(Budget<'s>),
}

/// What came of a turn.
pub(crate) enum Done {
    Iterations(u64),
    Found(Phase, Found),
    Freed,
}

impl Worker<'_> {
    pub fn work(&mut self, task: Task, stop: &dyn Stop) -> Done {
        match (self, task) {
            (Worker::Search(search), Task::Search(budget)) => Done::Iterations(search.run(&budget)),
            (Worker::Proof(proof), Task::Proof { target, turn, .. }) => {
                let found = proof.work(target, turn, stop);
                Done::Found(proof.phase(), found)
            }
            (Worker::Raise(raise), Task::Proof { bound, target, turn }) => {
                Done::Found(Phase::Exact, raise.work(bound, target, turn, stop))
            }
            (Worker::Free(free), Task::Free(budget)) => {
                free.run(&budget, stop);
                Done::Freed
            }
            _ => Done::Iterations(0),
        }
    }
}

/// How a proof does.
#[derive(Debug, Clone, Copy)]
struct Record {
    /// What it would gain in the whole budget, by its latest turns, as a share of the gap.
    gain: f64,
    /// Turns of searches until the next one.
    rest: u32,
    /// Turns of each thread that the latest rest took.
    last_rest: u32,
}

impl Record {
    fn new(gain: f64) -> Record {
        Record { gain, rest: 0, last_rest: 0 }
    }

    /// Learns what a turn gained, as above.
    fn learn(&mut self, gain: f64, rests: bool, threads: usize) {
        self.gain += WEIGHT_OF_LAST * (gain - self.gain);
        let rests = rests && self.gain < LEAST_GAIN;
        self.last_rest = if rests { (2 * self.last_rest).clamp(1, LONGEST_REST) } else { 0 };
        self.rest = self.last_rest * threads as u32;
    }
}

/// The workers that wait for a turn.
pub(crate) struct Team<'c> {
    threads: usize,
    proof: Option<Box<Proof<'c>>>,
    raise: Option<Box<Raise<'c>>>,
    looks: Record,
    raises: Record,
    /// The first proof is exact search, and takes no turns with the second.
    exact: bool,
    /// And for so long that it may go on for ever.
    stuck: bool,
    /// One of two proofs that take turns is at work.
    proving: bool,
    /// Turns of these so far.
    turns: u32,
    /// The only thread was a proof's and is not to be one's again at once.
    due: bool,
    /// The last turn that was not one of the first proof was one of the second.
    raised: bool,
    /// Searches and neighbourhoods.
    hands: VecDeque<Worker<'c>>,
    /// How many of them were made so far.
    made: usize,
}

impl<'c> Team<'c> {
    /// Returns the team of so many threads.
    pub fn new(threads: usize, proof: Proof<'c>, raise: Option<Raise<'c>>) -> Team<'c> {
        Team {
            threads,
            proof: Some(Box::new(proof)),
            raise: raise.map(Box::new),
            looks: Record::new(FIRST_GAINS[0]),
            raises: Record::new(FIRST_GAINS[1]),
            exact: false,
            stuck: false,
            proving: false,
            turns: 0,
            due: false,
            raised: false,
            hands: VecDeque::new(),
            made: 0,
        }
    }

    /// Returns who has the next turn, if anybody; `hand` makes the search of a number, or neighbourhoods if asked, of which
    /// there are as many as searches once the plan is `ripe`.
    pub fn next(&mut self, ripe: bool, hand: impl FnOnce(usize, bool) -> Worker<'c>) -> Option<Worker<'c>> {
        if let Some(proof) = self.next_proof() {
            return Some(proof);
        }
        self.raised = false;
        let searches = self.threads;
        let most = if ripe { 2 * searches } else { searches };
        if self.made < most {
            self.made += 1;
            return Some(hand(self.made - 1, self.made > searches));
        }
        let idle = || {
            self.proof
                .take()
                .map(Worker::Proof)
                .or_else(|| self.raise.take_if(|raise| raise.is_ready()).map(Worker::Raise))
        };
        self.hands.pop_front().or_else(idle)
    }

    fn next_proof(&mut self) -> Option<Worker<'c>> {
        let due = std::mem::take(&mut self.due);
        let proof = self.proof.is_some() && self.looks.rest == 0 && !due;
        let raise = self.raises.rest == 0 && self.raise.as_ref().is_some_and(|raise| raise.is_ready());
        if self.exact {
            if proof {
                return self.proof.take().map(Worker::Proof);
            }
            self.raised = raise && self.stuck && !self.raised;
            return if self.raised { self.raise.take().map(Worker::Raise) } else { None };
        }
        if self.proving || due || !proof && !raise {
            return None;
        }
        self.proving = true;
        self.turns += 1;
        let raises = (self.raises.gain > self.looks.gain) != self.turns.is_multiple_of(TURNS_OF_THE_BETTER);
        if raise && (raises || !proof) {
            self.raise.take().map(Worker::Raise)
        } else {
            self.proof.take().map(Worker::Proof)
        }
    }

    /// Takes a search or neighbourhoods back after a turn.
    pub fn take_hand(&mut self, hand: Worker<'c>) {
        self.looks.rest = self.looks.rest.saturating_sub(1);
        self.raises.rest = self.raises.rest.saturating_sub(1);
        self.hands.push_back(hand);
    }

    /// Takes a proof back after a turn with this gain; not if it has nothing more to say.
    pub fn take_proof(&mut self, proof: Box<Proof<'c>>, gain: f64, finished: bool) {
        (self.proving, self.due) = (false, self.threads == 1);
        if let Some(raise) = &mut self.raise {
            raise.learn(&proof);
        }
        self.exact = !finished && proof.phase() == Phase::Exact;
        self.stuck = proof.conflicts() >= CONFLICTS_ALONE;
        self.looks.learn(gain, !self.exact, self.threads);
        self.proof = (!finished).then_some(proof);
    }

    /// Does the same with refutations.
    pub fn take_raise(&mut self, mut raise: Box<Raise<'c>>, gain: f64, finished: bool) {
        (self.proving, self.due) = (false, self.threads == 1);
        if let Some(proof) = &self.proof {
            raise.learn(proof);
        }
        self.raises.learn(gain, true, self.threads);
        self.raise = (!finished).then_some(raise);
    }

    /// There is nothing to search: what is left is for the proofs.
    pub fn search_no_more(&mut self) {
        self.hands.clear();
        self.made = 2 * self.threads;
    }

    /// Returns the proof, if it has not finished.
    pub fn proof(&self) -> Option<&Proof<'c>> {
        self.proof.as_deref()
    }
}
