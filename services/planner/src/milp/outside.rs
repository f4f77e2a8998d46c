//! The price of cars that stand in no bay, beyond the room for them.

use good_lp::{Constraint, Expression, ProblemVariables, constraint, variable};

use super::variables::Variables;
use crate::bound::remaining::Remaining;
use crate::compile::{Compiled, Step};
use crate::exact::model::follows;

/// Returns the price: in each step between changes `excess >= cars on the premises - cars in bays - room`, never negative.
///
/// Cars whose time in bays is not that of one chain of operations are not counted, which only makes it cheaper.
pub fn price(
    compiled: &Compiled,
    remaining: &Remaining,
    variables: &Variables,
    into: &mut ProblemVariables,
    rows: &mut Vec<Constraint>,
) -> Expression {
    let Some(outside) = compiled.problem.outside else { return Expression::from(0.0) };
    let horizon = compiled.clock.horizon;
    let cars: Vec<Seen> = (0..compiled.cars.len()).filter_map(|car| Seen::new(compiled, remaining, car)).collect();
    let mut steps: Vec<Step> = vec![0, horizon];
    for car in &cars {
        steps.push(car.from);
        steps.extend(variables.done[car.number].by.iter().map(|(step, _)| *step));
        for &(first, last) in &car.stays {
            steps.extend(variables.started[first].by.iter().map(|(step, _)| *step));
            steps.extend(variables.ended[last].by.iter().map(|(step, _)| *step));
        }
    }
    steps.retain(|step| (0..=horizon).contains(step));
    steps.sort_unstable();
    steps.dedup();
    let mut sum = Expression::from(0.0);
    for pair in steps.windows(2) {
        let (from, until) = (pair[0], pair[1]);
        let mut count = Expression::from(0.0);
        let mut most = 0;
        for car in cars.iter().filter(|car| car.from <= from) {
            count += 1.0;
            count -= variables.done[car.number].at(from);
            for &(first, last) in &car.stays {
                count -= variables.started[first].at(from);
                count += variables.ended[last].at(from);
            }
            most += 1;
        }
        if most > outside.limit {
            let excess = into.add(variable().min(0));
            rows.push(constraint!(excess >= count - f64::from(outside.limit)));
            let minutes = i64::from(until - from) * compiled.clock.minutes;
            sum += (outside.weight * minutes) as f64 * excess;
        }
    }
    sum
}

/// A car that is counted.
struct Seen {
    number: usize,
    /// The first step in which it is surely there.
    from: Step,
    /// First and last operations of its visits.
    stays: Vec<(usize, usize)>,
}

impl Seen {
    fn new(compiled: &Compiled, remaining: &Remaining, number: usize) -> Option<Seen> {
        let car = &compiled.cars[number];
        // Now need not lie on the grid: what is before it is not paid.
        let arrival = fitup_model::Time::from_minutes(car.arrival).max(compiled.problem.now);
        let from = compiled.clock.ceil(arrival).max(0);
        let mut stays = Vec::new();
        for &visit in &car.visits {
            let data = &compiled.visits[visit as usize];
            if !data.on_vehicle {
                continue;
            }
            if data.fact.is_some() {
                return None;
            }
            if !remaining.possible[number] {
                continue;
            }
            let stay = remaining.stays.iter().find(|stay| stay.visit == visit)?;
            let inside = |&other: &u32| {
                (other == stay.first || follows(compiled, stay.first, other))
                    && (other == stay.last || follows(compiled, other, stay.last))
            };
            if !data.operations.iter().all(inside) {
                return None;
            }
            stays.push((stay.first as usize, stay.last as usize));
        }
        (!car.operations.is_empty()).then_some(Seen { number, from, stays })
    }
}
