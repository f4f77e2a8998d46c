//! Solving beside the planner: HiGHS cannot be stopped half-way, so it works on a thread that may be left behind.

use std::sync::mpsc::{Receiver, TryRecvError, channel};

use super::{Answer, Limit, Program};

/// A program that is being solved.
pub struct Solving(Receiver<Option<Answer>>);

/// What has become of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// Still at work.
    Working,
    /// Done; `None` if the solver failed.
    Done(Option<Answer>),
}

impl Solving {
    /// Begins to solve `program` on a thread of its own, which ends by its limit whether anybody still waits or not.
    pub fn begin(program: Program, limit: Limit) -> Solving {
        let (sender, receiver) = channel();
        std::thread::spawn(move || {
            // Nobody may be waiting any more.
            let _ = sender.send(program.solve(limit));
        });
        Solving(receiver)
    }

    /// Looks whether it is done, without waiting.
    pub fn look(&self) -> State {
        match self.0.try_recv() {
            Ok(answer) => State::Done(answer),
            Err(TryRecvError::Empty) => State::Working,
            Err(TryRecvError::Disconnected) => State::Done(None),
        }
    }
}
