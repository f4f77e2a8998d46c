//! Who works: as many searches as threads, in the end as many exact neighbourhoods too, and one proof, which goes before them
//! but rests while it gains little.

use std::collections::VecDeque;

use fitup_model::Cost;

use crate::improve::{Budget, Search};
use crate::neighbourhood::Neighbourhoods;
use crate::outcome::Phase;
use crate::prove::{Found, Proof, Turn};
use crate::stop::Stop;

/// The proof rests when its gain in a turn, on average over its latest turns (the last one with this weight), is less than
/// this share of the gap; the more turns, up to so many of each thread, the more often this happens in a row.
const LEAST_GAIN: f64 = 0.002;
const WEIGHT_OF_LAST: f64 = 0.2;
const FIRST_GAIN: f64 = 0.05;
const LONGEST_REST: u32 = 8;

/// What a thread works at.
pub(crate) enum Worker<'c> {
    Search(Box<Search<'c>>),
    Proof(Box<Proof<'c>>),
    Free(Box<Neighbourhoods<'c>>),
}

/// A turn of a worker.
pub(crate) enum Task<'s> {
    Search(Budget<'s>),
    Proof {
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
            (Worker::Proof(proof), Task::Proof { target, turn }) => {
                let found = proof.work(target, turn, stop);
                Done::Found(proof.phase(), found)
            }
            (Worker::Free(free), Task::Free(budget)) => {
                free.run(&budget, stop);
                Done::Freed
            }
            _ => Done::Iterations(0),
        }
    }
}

/// The workers that wait for a turn.
pub(crate) struct Team<'c> {
    threads: usize,
    proof: Option<Box<Proof<'c>>>,
    /// Searches and neighbourhoods.
    hands: VecDeque<Worker<'c>>,
    /// How many of them were made so far.
    made: usize,
    /// Turns of searches until the proof has its next one.
    rest: u32,
    /// Turns of each thread that the latest rest of the proof took.
    last_rest: u32,
    /// What a turn of the proof gains lately, as a share of the gap.
    gain: f64,
}

impl<'c> Team<'c> {
    /// Returns the team of so many threads.
    pub fn new(threads: usize, proof: Proof<'c>) -> Team<'c> {
        Team {
            threads,
            proof: Some(Box::new(proof)),
            hands: VecDeque::new(),
            made: 0,
            rest: 0,
            last_rest: 0,
            gain: FIRST_GAIN,
        }
    }

    /// Returns who has the next turn, if anybody; `hand` makes the search of a number, or neighbourhoods if asked, of which
    /// there are as many as searches once the plan is `ripe`.
    pub fn next(&mut self, ripe: bool, hand: impl FnOnce(usize, bool) -> Worker<'c>) -> Option<Worker<'c>> {
        if self.rest == 0
            && let Some(proof) = self.proof.take()
        {
            return Some(Worker::Proof(proof));
        }
        let searches = self.threads;
        let most = if ripe { 2 * searches } else { searches };
        if self.made < most {
            self.made += 1;
            return Some(hand(self.made - 1, self.made > searches));
        }
        self.hands.pop_front().or_else(|| self.proof.take().map(Worker::Proof))
    }

    /// Takes a search or neighbourhoods back after a turn.
    pub fn take_hand(&mut self, hand: Worker<'c>) {
        self.rest = self.rest.saturating_sub(1);
        self.hands.push_back(hand);
    }

    /// Takes a proof back after a turn in which it gained this share of the gap.
    pub fn take_proof(&mut self, proof: Box<Proof<'c>>, gain: f64) {
        self.gain += WEIGHT_OF_LAST * (gain - self.gain);
        let rests = proof.phase() == Phase::Bound && self.gain < LEAST_GAIN;
        self.last_rest = if rests { (2 * self.last_rest).clamp(1, LONGEST_REST) } else { 0 };
        // A single thread takes turns in any case.
        self.rest = (self.last_rest * self.threads as u32).max(u32::from(self.threads == 1));
        self.proof = Some(proof);
    }

    /// There is nothing to search: what is left is for the proof.
    pub fn search_no_more(&mut self) {
        self.hands.clear();
        self.made = 2 * self.threads;
    }

    /// Returns the proof, if it has not finished.
    pub fn proof(&self) -> Option<&Proof<'c>> {
        self.proof.as_deref()
    }
}
