//! Which ideas of the planner are in use: all of them, unless somebody wants to know what one is worth.

use std::fmt;

/// An idea that the planner can do without.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Idea {
    /// The move that takes out whole cars that meet.
    Neighbours,
    /// The move that takes out what stands in the way of a dear car.
    Blockers,
    /// The move that makes what stands in the way of a dear car later.
    Later,
    /// The move that takes out the rest of some cars.
    Suffix,
    /// The move that takes out visits.
    Visit,
    /// The move that takes out a stretch of time.
    Window,
    /// The move that takes out single operations.
    Person,
    /// The move that reorders the whole shop.
    Reorder,
    /// The move that swaps two operations on a longest path.
    Critical,
    /// Insertion overlooks places now and then.
    Blinks,
    /// Insertion takes places for better or worse than they are: noise, and a taste for the people of before.
    Noise,
    /// Insertion lets visits begin later so that they wait less.
    Patience,
    /// Insertion holds an operation back now and then.
    Delay,
    /// Worse plans are accepted now and then; without, only plans that are no worse.
    Annealing,
    /// A few cars at a time are placed exactly beside all others.
    Free,
    /// Now and then much worse ones are accepted.
    Leaps,
    /// Insertion gives up as soon as the result is too dear to be kept.
    Hope,
    /// Threads go on from the best plan of all now and then.
    Exchange,
    /// All dispatch rules; without, the first one only.
    Rules,
    /// The bound by prices, and the exact search that rests on it where prices count.
    Bound,
    /// Windows are cut by price.
    Windows,
    /// The exact search.
    Exact,
    /// Exact search refutes targets above the bound, one after the other.
    Raise,
    /// The integer program.
    Program,
    /// The plan to begin with.
    WarmStart,
}

impl Idea {
    /// All of them.
    pub const ALL: [Idea; 25] = [
        Idea::Neighbours,
        Idea::Blockers,
        Idea::Later,
        Idea::Suffix,
        Idea::Visit,
        Idea::Window,
        Idea::Person,
        Idea::Reorder,
        Idea::Critical,
        Idea::Blinks,
        Idea::Noise,
        Idea::Patience,
        Idea::Delay,
        Idea::Annealing,
        Idea::Free,
        Idea::Leaps,
        Idea::Hope,
        Idea::Exchange,
        Idea::Rules,
        Idea::Bound,
        Idea::Windows,
        Idea::Exact,
        Idea::Raise,
        Idea::Program,
        Idea::WarmStart,
    ];

    /// Returns the name by which it is switched off.
    pub const fn name(self) -> &'static str {
        match self {
            Idea::Neighbours => "neighbours",
            Idea::Blockers => "blockers",
            Idea::Later => "later",
            Idea::Suffix => "suffix",
            Idea::Visit => "visit",
            Idea::Window => "window",
            Idea::Person => "person",
            Idea::Reorder => "reorder",
            Idea::Critical => "critical",
            Idea::Blinks => "blinks",
            Idea::Noise => "noise",
            Idea::Patience => "patience",
            Idea::Delay => "delay",
            Idea::Annealing => "annealing",
            Idea::Free => "free",
            Idea::Leaps => "leaps",
            Idea::Hope => "hope",
            Idea::Exchange => "exchange",
            Idea::Rules => "rules",
            Idea::Bound => "bound",
            Idea::Windows => "windows",
            Idea::Exact => "exact",
            Idea::Raise => "raise",
            Idea::Program => "program",
            Idea::WarmStart => "warm-start",
        }
    }

    /// Returns the idea that has this name.
    pub fn named(name: &str) -> Option<Idea> {
        Idea::ALL.into_iter().find(|idea| idea.name() == name)
    }
}

impl fmt::Display for Idea {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// The ideas in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Switches {
    off: u32,
}

impl Switches {
    /// Returns the same without `idea`.
    #[must_use]
    pub const fn without(self, idea: Idea) -> Switches {
        Switches { off: self.off | 1 << idea as u32 }
    }

    /// Tells whether `idea` is in use.
    pub const fn uses(self, idea: Idea) -> bool {
        self.off & (1 << idea as u32) == 0
    }
}

impl FromIterator<Idea> for Switches {
    /// Everything is in use but these.
    fn from_iter<I: IntoIterator<Item = Idea>>(off: I) -> Switches {
        off.into_iter().fold(Switches::default(), Switches::without)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_leads_back_to_its_idea_and_switches_off_that_one_alone() {
        for idea in Idea::ALL {
            assert_eq!(Idea::named(idea.name()), Some(idea));
            let switches = Switches::default().without(idea);
            let off: Vec<Idea> = Idea::ALL.into_iter().filter(|&other| !switches.uses(other)).collect();
            assert_eq!(off, [idea]);
        }
    }
}
