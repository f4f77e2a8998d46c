//! Takes out what some cars that meet each other have left to do from one moment on.

use super::Search;

pub(super) fn pick(search: &mut Search) -> bool {
    let Some(first) = search.pick_car() else { return false };
    if !search.schedule.planned[first] {
        search.ruin.add_car(first);
        return true;
    }
    let count = search.count_of_cars();
    let operations = &search.compiled.cars[first].operations;
    let index = operations[search.schedule.random.below(operations.len())] as usize;
    let moment = search.schedule.start[index];
    search.ruin.add_car(first);
    search.add_neighbours(count);
    search.cut_at(moment);
    true
}

impl Search<'_> {
    /// Keeps of the cars that were picked what starts before `moment`.
    pub(super) fn cut_at(&mut self, moment: i32) {
        let mut cars = std::mem::take(&mut self.ruin.cars);
        for &car in &cars {
            self.ruin.taken[car as usize] = false;
        }
        for &car in &cars {
            let car = car as usize;
            if self.schedule.planned[car] {
                self.add_part(car, true, |search, index| search.schedule.start[index] >= moment);
            } else {
                self.ruin.add_car(car);
            }
        }
        if self.ruin.cars.is_empty() {
            cars.clear();
            self.ruin.cars = cars;
        }
    }

    /// Adds the operations of a planned car that `wanted` names, those that longest waits or the
    /// same person tie to them, and with
    /// `followers` all that wait for one of them. Adds the whole car if that is all it has, nothing if there is none.
    pub(super) fn add_part(&mut self, car: usize, followers: bool, wanted: impl Fn(&Search, usize) -> bool) {
        if self.ruin.taken[car] || !self.schedule.planned[car] || !self.can_move(car) {
            return;
        }
        let compiled = self.compiled;
        let operations = &compiled.cars[car].operations;
        let mut marked = 0;
        for &index in operations {
            let index = index as usize;
            self.marked[index] = wanted(self, index);
            marked += usize::from(self.marked[index]);
        }
        loop {
            let before = marked;
            for &index in operations {
                let index = index as usize;
                let again = compiled.operations[index].again.filter(|again| again.price.is_none());
                if !self.marked[index] && again.is_some_and(|again| self.marked[again.operation as usize]) {
                    self.marked[index] = true;
                    marked += 1;
                }
                for link in compiled.links_of(compiled.operations[index].before) {
                    let other = link.other as usize;
                    let tied = link.max < crate::compile::NEVER;
                    if self.marked[other] && !self.marked[index] && (tied || followers) {
                        self.marked[index] = true;
                        marked += 1;
                    }
                    if self.marked[index] && !self.marked[other] && tied {
                        self.marked[other] = true;
                        marked += 1;
                    }
                }
            }
            if marked == before {
                break;
            }
        }
        if marked == operations.len() {
            self.ruin.add_car(car);
        } else if marked > 0 {
            let from = self.ruin.operations.len() as u32;
            self.ruin.operations.extend(operations.iter().filter(|&&index| self.marked[index as usize]));
            self.ruin.parts.push((car as u32, from, self.ruin.operations.len() as u32));
            self.ruin.taken[car] = true;
        }
    }
}
