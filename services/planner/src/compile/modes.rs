//! The ways to do an operation: who, and with or without overtime.

use std::collections::{BTreeMap, HashMap};

use fitup_model::keyed::{Key, OperationId, TechnicianId};
use fitup_model::problem::{Commitment, SamePersonRule};

use super::{Compiled, Mode, Slice, Step, StepCalendar};

/// No operation keeps more modes than this, the shortest ones.
pub const MOST: usize = 2048;

/// No more crews than this are looked at for one operation.
const MOST_TRIED: usize = 50_000;

/// A mode before it stands in the flat arrays.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Draft {
    people: Vec<u16>,
    calendar: u32,
    length: Step,
    overtime: bool,
}

/// Calendars of crews that were made already: by regular calendars, and by pairs of regular and longer ones.
#[derive(Default)]
struct Known {
    regular: HashMap<Vec<usize>, u32>,
    overtime: HashMap<Vec<(usize, usize)>, u32>,
}

impl Compiled<'_> {
    /// Fills in the modes of all operations.
    pub(super) fn add_modes(&mut self) {
        let mut known = Known::default();
        let mut drafts: Vec<Vec<Draft>> = Vec::with_capacity(self.operations.len());
        for index in 0..self.operations.len() {
            drafts.push(self.drafts(index, &mut known));
        }
        self.partnerless = self.keep_same_person(&mut drafts);
        for (index, drafts) in drafts.into_iter().enumerate() {
            let start = self.modes.len();
            for draft in drafts {
                let change = self.change_of_people(Key::from_index(index), &draft.people);
                let from = self.people.len();
                self.people.extend(&draft.people);
                let people = Slice::new(from, self.people.len());
                let Draft { calendar, length, overtime, .. } = draft;
                self.modes.push(Mode { people, calendar, length, overtime, change });
            }
            self.operations[index].modes = Slice::new(start, self.modes.len());
            self.operations[index].shortest = self.modes[start..].iter().map(|mode| mode.length).min().unwrap_or(0);
        }
    }

    fn drafts(&mut self, index: usize, known: &mut Known) -> Vec<Draft> {
        let problem = self.problem;
        let id = OperationId::from_index(index);
        let operation = &problem.operations[id];
        let alone = |people: Vec<u16>, length| vec![Draft { people, calendar: 0, length, overtime: false }];
        if let Commitment::Started { technicians, .. } = &operation.commitment {
            return alone(technicians.iter().map(|&person| narrow(person)).collect(), 0);
        }
        if operation.crew.is_empty() {
            let length = self.clock.ceil_span(operation.work.ceil_to(problem.grid).minutes());
            return if length <= self.clock.horizon { alone(Vec::new(), length) } else { Vec::new() };
        }
        let mut drafts = Vec::new();
        for (people, length) in self.crews(id) {
            for overtime in [false, true] {
                let Some(calendar) = self.calendar_of(&people, overtime, known) else { continue };
                let of_crew = &self.calendars[calendar as usize];
                let here = &self.operations[index];
                let (_, end) = of_crew.first(here.earliest.min(self.clock.horizon), length, here.interruptible);
                if end <= self.clock.horizon {
                    drafts.push(Draft { people: people.clone(), calendar, length, overtime });
                }
            }
        }
        drafts.sort_by_key(|draft| (draft.length, draft.overtime));
        if drafts.len() > MOST {
            drafts.truncate(MOST);
            self.truncated = true;
        }
        drafts
    }

    /// Returns the crews that can do an operation, with their lengths in steps.
    fn crews(&mut self, id: OperationId) -> Vec<(Vec<u16>, Step)> {
        let problem = self.problem;
        let operation = &problem.operations[id];
        if let Commitment::Pinned { technicians: Some(people), .. } = &operation.commitment {
            let distinct = people.iter().enumerate().all(|(place, person)| !people[..place].contains(person));
            let length = problem.duration(id, people).filter(|_| distinct);
            return length
                .map(|length| {
                    (people.iter().map(|&person| narrow(person)).collect(), self.clock.ceil_span(length.minutes()))
                })
                .into_iter()
                .collect();
        }
        // Candidates for each place, fastest first.
        let places: Vec<Vec<(u16, Step)>> = operation
            .crew
            .iter()
            .map(|&skill| {
                let mut able: Vec<(Step, u16)> = problem
                    .technicians
                    .keys()
                    .filter_map(|person| {
                        let time = problem.efficiency(person, skill)?.time_for(operation.work, problem.grid);
                        Some((self.clock.ceil_span(time.minutes()), narrow(person)))
                    })
                    .collect();
                able.sort_unstable();
                able.into_iter().map(|(length, person)| (person, length)).collect()
            })
            .collect();
        // With a longest wait after it a longer stay of the same people may be what is needed.
        let keep_lengths = self.operations[id.index()].has_longest_wait;
        let mut found: BTreeMap<(Vec<u16>, Step), (Vec<u16>, Step)> = BTreeMap::new();
        let mut tried = 0;
        let mut crew = Vec::new();
        fill(&operation.crew, &places, &mut crew, 0, &mut tried, &mut |crew, length| {
            let mut set = crew.to_vec();
            set.sort_unstable();
            let best =
                found.entry((set, if keep_lengths { length } else { 0 })).or_insert_with(|| (crew.to_vec(), length));
            if length < best.1 {
                *best = (crew.to_vec(), length);
            }
        });
        self.truncated |= tried >= MOST_TRIED;
        found.into_values().collect()
    }

    /// Returns the calendar of a crew; `None` for one with overtime that has none.
    fn calendar_of(&mut self, people: &[u16], overtime: bool, known: &mut Known) -> Option<u32> {
        let problem = self.problem;
        let technician = |person: &u16| &problem.technicians[TechnicianId::from_index(usize::from(*person))];
        let clock = self.clock;
        let open = |id| clock.open_steps(&problem.calendars[Key::from_index(id)]);
        let all_open = |ids: &[usize]| {
            let mut all = vec![true; clock.horizon as usize];
            for &id in ids {
                all.iter_mut().zip(open(id)).for_each(|(all, open)| *all &= open);
            }
            all
        };
        if !overtime {
            let mut key: Vec<usize> = people.iter().map(|person| technician(person).calendar.index()).collect();
            key.sort_unstable();
            key.dedup();
            let calendars = &mut self.calendars;
            return Some(*known.regular.entry(key).or_insert_with_key(|key| {
                calendars.push(StepCalendar::from_open(&all_open(key), &clock));
                calendars.len() as u32 - 1
            }));
        }
        if people.iter().all(|person| technician(person).with_overtime.is_none()) {
            return None;
        }
        let mut key: Vec<(usize, usize)> = people
            .iter()
            .map(technician)
            .map(|own| (own.calendar.index(), own.with_overtime.unwrap_or(own.calendar).index()))
            .collect();
        key.sort_unstable();
        let calendars = &mut self.calendars;
        Some(*known.overtime.entry(key).or_insert_with_key(|key| {
            let longer: Vec<usize> = key.iter().map(|(_, longer)| *longer).collect();
            let regular: Vec<Vec<bool>> = key.iter().map(|(regular, _)| open(*regular)).collect();
            let calendar = StepCalendar::from_open(&all_open(&longer), &clock).with_overtime_of(&regular);
            calendars.push(calendar);
            calendars.len() as u32 - 1
        }))
    }

    /// Drops modes without a partner where the same person is a rule, until no more fall. Returns the operations that
    /// have lost all of theirs, each with the one that asks for the same person.
    fn keep_same_person(&self, drafts: &mut [Vec<Draft>]) -> Vec<(u32, u32)> {
        let problem = self.problem;
        let rules: Vec<(usize, usize)> = problem
            .operations
            .iter()
            .filter(|(id, _)| !self.operations[id.index()].is_fact)
            .filter_map(|(id, operation)| Some((id, operation.same_person?)))
            .filter(|(_, wish)| wish.rule == SamePersonRule::Required)
            .map(|(id, wish)| (wish.operation.index(), id.index()))
            // What nobody can do anyhow is not for want of the same person.
            .filter(|&(first, second)| !drafts[first].is_empty() && !drafts[second].is_empty())
            .collect();
        let mut partnerless = Vec::new();
        let share = |a: &Draft, b: &Draft| a.people.iter().any(|person| b.people.contains(person));
        loop {
            let mut dropped = false;
            for &(first, second) in &rules {
                for (own, other) in [(first, second), (second, first)] {
                    if self.operations[own].is_fact {
                        continue;
                    }
                    let partners = std::mem::take(&mut drafts[other]);
                    let before = drafts[own].len();
                    drafts[own].retain(|draft| partners.iter().any(|partner| share(draft, partner)));
                    dropped |= drafts[own].len() < before;
                    if before > 0 && drafts[own].is_empty() {
                        partnerless.push((own as u32, second as u32));
                    }
                    drafts[other] = partners;
                }
            }
            if !dropped {
                return partnerless;
            }
        }
    }

    fn change_of_people(&self, id: OperationId, people: &[u16]) -> i64 {
        let Some(published) = &self.problem.operations[id].published else { return 0 };
        let gone = published.technicians.iter().filter(|&&person| !people.contains(&narrow(person))).count();
        published.person_price * gone as i64
    }
}

/// Calls `found` for every choice of distinct people; places of one skill are filled in ascending order of candidates.
fn fill(
    skills: &[fitup_model::keyed::SkillId],
    places: &[Vec<(u16, Step)>],
    crew: &mut Vec<(usize, u16)>,
    length: Step,
    tried: &mut usize,
    found: &mut impl FnMut(&[u16], Step),
) {
    let place = crew.len();
    if place == places.len() {
        *tried += 1;
        let people: Vec<u16> = crew.iter().map(|(_, person)| *person).collect();
        found(&people, length);
        return;
    }
    let alike = (0..place).rev().find(|&other| skills[other] == skills[place]);
    let first = alike.map_or(0, |other| crew[other].0 + 1);
    for (position, &(person, own)) in places[place].iter().enumerate().skip(first) {
        if *tried >= MOST_TRIED {
            return;
        }
        if crew.iter().all(|(_, other)| *other != person) {
            crew.push((position, person));
            fill(skills, places, crew, length.max(own), tried, found);
            crew.pop();
        }
    }
}

/// Returns the index of a technician as modes store it.
fn narrow(person: TechnicianId) -> u16 {
    u16::try_from(person.index()).unwrap_or(u16::MAX)
}
