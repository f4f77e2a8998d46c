//! Takes cars or parts of cars out and puts them back exactly as they were.

use super::{Schedule, Stay};
use crate::compile::Step;
use fitup_model::Cost;

/// What was taken out; reused, so that the search allocates nothing.
#[derive(Debug, Clone, Default)]
pub struct Saved {
    /// The operations, those that were not placed included.
    operations: Vec<(u32, Step, Step, u16, bool)>,
    visits: Vec<(u32, Stay)>,
    cars: Vec<(u32, Cost, bool)>,
}

impl Saved {
    /// Forgets everything.
    pub fn clear(&mut self) {
        self.operations.clear();
        self.visits.clear();
        self.cars.clear();
    }

    /// Returns the number of cars that were taken out, as a whole or in part.
    pub fn len(&self) -> usize {
        self.cars.len()
    }

    /// Tells whether nothing was taken out.
    pub fn is_empty(&self) -> bool {
        self.cars.is_empty()
    }

    /// Returns the car at `position` of those taken out.
    pub fn car(&self, position: usize) -> usize {
        self.cars[position].0 as usize
    }

    /// Returns the summed price of the cars as they were.
    pub fn price(&self) -> Cost {
        self.cars.iter().map(|(_, price, _)| *price).sum()
    }
}

impl Schedule<'_> {
    /// Takes a whole car out, if it is placed.
    pub fn take_out(&mut self, car: usize, saved: &mut Saved) {
        let compiled = self.compiled;
        saved.cars.push((car as u32, self.price[car], self.planned[car]));
        for &index in &compiled.cars[car].operations {
            self.save_operation(index as usize, saved);
        }
        for &visit in &compiled.cars[car].visits {
            if !compiled.visits[visit as usize].operations.is_empty() {
                saved.visits.push((visit, self.stays[visit as usize]));
                self.empty(visit as usize);
            }
        }
    }

    /// Notes where a planned car stands, and leaves it there.
    pub fn save(&self, car: usize, saved: &mut Saved) {
        let compiled = self.compiled;
        saved.cars.push((car as u32, self.price[car], self.planned[car]));
        for &index in &compiled.cars[car].operations {
            let at = index as usize;
            saved.operations.push((index, self.start[at], self.end[at], self.mode[at], self.placed[at]));
        }
        for &visit in &compiled.cars[car].visits {
            if !compiled.visits[visit as usize].operations.is_empty() {
                saved.visits.push((visit, self.stays[visit as usize]));
            }
        }
    }

    /// Takes some operations of a car out: with each of them those that a longest wait ties to it.
    pub fn take_out_part(&mut self, car: usize, operations: &[u32], saved: &mut Saved) {
        let compiled = self.compiled;
        saved.cars.push((car as u32, self.price[car], self.planned[car]));
        let first_visit = saved.visits.len();
        for &index in operations {
            let index = index as usize;
            self.save_operation(index, saved);
            if let Some(visit) = compiled.operations[index].visit
                && saved.visits[first_visit..].iter().all(|(other, _)| *other != visit)
            {
                saved.visits.push((visit, self.stays[visit as usize]));
            }
        }
        for position in first_visit..saved.visits.len() {
            let visit = saved.visits[position].0 as usize;
            let left = compiled.visits[visit].operations.iter().filter(|&&index| self.placed[index as usize]).count();
            self.stays[visit].placed = left as u16;
            if left == 0 {
                self.empty(visit);
            } else {
                // Held as it is until all visits of the car are measured.
                self.hide(visit);
                self.measure(visit);
                self.show(visit, self.stays[visit].start, self.stays[visit].end);
            }
        }
        for position in first_visit..saved.visits.len() {
            let visit = saved.visits[position].0 as usize;
            if self.stays[visit].placed > 0 {
                self.reopen(visit);
            }
        }
    }

    fn save_operation(&mut self, index: usize, saved: &mut Saved) {
        let placed = self.placed[index];
        saved.operations.push((index as u32, self.start[index], self.end[index], self.mode[index], placed));
        if placed {
            self.lift(index);
        }
    }

    /// Takes everything but facts out of a visit.
    fn empty(&mut self, visit: usize) {
        self.hide(visit);
        self.stays[visit].placed = 0;
        self.measure(visit);
        if self.compiled.visits[visit].fact.is_some()
            && self.compiled.cars[self.compiled.visits[visit].car as usize].impossible.is_none()
        {
            self.reopen(visit);
        }
    }

    /// Takes out whatever is placed of the cars and operations of `saved` and puts back what was.
    pub fn put_back(&mut self, saved: &Saved) {
        for &(index, ..) in &saved.operations {
            if self.placed[index as usize] {
                self.lift(index as usize);
            }
        }
        for &(visit, _) in &saved.visits {
            self.hide(visit as usize);
        }
        for &(index, start, end, mode, placed) in &saved.operations {
            let index = index as usize;
            if placed {
                self.put(index, start, end, usize::from(mode));
            } else {
                self.mode[index] = mode;
            }
        }
        for &(visit, stay) in &saved.visits {
            let visit = visit as usize;
            self.stays[visit] = Stay { shown: None, ..stay };
            if let Some((start, end)) = stay.shown {
                self.show(visit, start, end);
            }
        }
        for &(car, price, planned) in &saved.cars {
            self.price[car as usize] = price;
            self.planned[car as usize] = planned;
        }
    }
}
