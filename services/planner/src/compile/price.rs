//! The price of one car, in steps: together with the room outside exactly [`fitup_model::cost::cost`].

use fitup_model::Cost;

use super::{Compiled, Mode, Operation, Step};

/// Where the operations and visits of a plan are, by index.
#[derive(Debug, Clone, Copy)]
pub struct Times<'a> {
    /// Start of each operation.
    pub start: &'a [Step],
    /// End of each operation.
    pub end: &'a [Step],
    /// Mode of each operation: position in [`Compiled::modes_of`].
    pub mode: &'a [u16],
    /// Bay of each visit.
    pub bay: &'a [u16],
}

/// Returns the price of a car all of whose operations are placed; with a makespan its completion in minutes.
pub fn of_car(compiled: &Compiled, car: usize, times: Times) -> Cost {
    let data = &compiled.cars[car];
    let completion = data.operations.iter().map(|&index| times.end[index as usize]).max();
    let mut price = of_completion(compiled, car, completion.unwrap_or(Step::MIN / 2));
    if data.has_extras {
        price += extras(compiled, car, times);
    }
    price
}

/// Returns the minute, from the origin, in which a car is complete if its last planned operation ends at `end`.
#[inline]
pub fn completion(compiled: &Compiled, car: usize, end: Step) -> i64 {
    compiled.clock.minute(end).max(compiled.cars[car].fact_end)
}

/// Returns the price of a car by its last end alone: lateness, time in the shop and what is sunk.
#[inline]
pub fn of_completion(compiled: &Compiled, car: usize, end: Step) -> Cost {
    let completion = completion(compiled, car, end);
    if compiled.is_makespan() {
        return completion;
    }
    let car = &compiled.cars[car];
    let late = if completion > car.promise { car.late_weight * (completion - car.promise) } else { 0 };
    late + car.flow_weight * (completion - car.arrival).max(0) + car.sunk
}

/// Returns the price of `operation` in `mode` from `start` to `end`, wishes for people not counted: overtime, and what
/// it changes of what was published.
#[inline]
pub fn of_mode(compiled: &Compiled, operation: &Operation, mode: &Mode, start: Step, end: Step) -> Cost {
    let mut price = mode.change;
    if mode.overtime {
        let steps = compiled.calendars[mode.calendar as usize].overtime(start, end);
        price += compiled.problem.overtime_weight * Cost::from(steps) * compiled.clock.minutes;
    }
    if let Some((from, until, day_price)) = operation.published_day
        && !(from..until).contains(&start)
    {
        price += day_price;
    }
    price
}

/// Tells whether the crew of an operation in `mode` has somebody of the crew that the other operation has in `other_mode`.
#[inline]
pub fn shares_person(compiled: &Compiled, mode: &Mode, other: usize, other_mode: u16) -> bool {
    let earlier = compiled.people_of(&compiled.modes_of(other)[usize::from(other_mode)]);
    compiled.people_of(mode).iter().any(|person| earlier.contains(person))
}

fn extras(compiled: &Compiled, car: usize, times: Times) -> Cost {
    if compiled.is_makespan() {
        return 0;
    }
    let mut price = 0;
    for &index in &compiled.cars[car].operations {
        let index = index as usize;
        let operation = &compiled.operations[index];
        let mode = &compiled.modes_of(index)[usize::from(times.mode[index])];
        price += of_mode(compiled, operation, mode, times.start[index], times.end[index]);
        price += unmet_wish(compiled, index, times);
    }
    for &index in &compiled.cars[car].fact_wishes {
        price += unmet_wish(compiled, index as usize, times);
    }
    for &visit in &compiled.cars[car].visits {
        let bay = times.bay[visit as usize];
        let chosen = compiled.choices_of(visit as usize).iter().find(|(choice, _)| *choice == bay);
        price += chosen.map_or(0, |(_, price)| *price);
    }
    price
}

fn unmet_wish(compiled: &Compiled, index: usize, times: Times) -> Cost {
    let Some(again) = compiled.operations[index].again else { return 0 };
    let Some(price) = again.price else { return 0 };
    let mode = &compiled.modes_of(index)[usize::from(times.mode[index])];
    let other = again.operation as usize;
    if shares_person(compiled, mode, other, times.mode[other]) { 0 } else { price }
}
