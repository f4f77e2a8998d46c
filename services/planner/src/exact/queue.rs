//! Which binary is decided next: the most active one that is open.
//!
//! A binary heap from which what is fixed is taken lazily, as in Een and Sorensson (2004), doi:10.1007/978-3-540-24605-3_37.

/// Not in the heap.
const OUT: u32 = u32::MAX;

/// Variables by activity; of equals the one with the least number.
#[derive(Debug, Clone, Default)]
pub struct Queue {
    heap: Vec<u32>,
    place: Vec<u32>,
}

impl Queue {
    /// Returns an empty queue for variables below `count`.
    pub fn new(count: usize) -> Queue {
        Queue { heap: Vec::new(), place: vec![OUT; count] }
    }

    /// Puts a variable in, if it is not.
    pub fn push(&mut self, variable: u32, activity: &[f64]) {
        if self.place[variable as usize] == OUT {
            self.place[variable as usize] = self.heap.len() as u32;
            self.heap.push(variable);
            self.rise(self.heap.len() - 1, activity);
        }
    }

    /// Notes that a variable has become more active.
    pub fn raise(&mut self, variable: u32, activity: &[f64]) {
        let place = self.place[variable as usize];
        if place != OUT {
            self.rise(place as usize, activity);
        }
    }

    /// Takes the first variable out.
    pub fn pop(&mut self, activity: &[f64]) -> Option<u32> {
        let first = *self.heap.first()?;
        let last = self.heap.pop()?;
        self.place[first as usize] = OUT;
        if first != last {
            self.heap[0] = last;
            self.place[last as usize] = 0;
            self.sink(activity);
        }
        Some(first)
    }

    fn rise(&mut self, mut at: usize, activity: &[f64]) {
        while at > 0 && is_before(self.heap[at], self.heap[(at - 1) / 2], activity) {
            self.swap(at, (at - 1) / 2);
            at = (at - 1) / 2;
        }
    }

    fn sink(&mut self, activity: &[f64]) {
        let mut at = 0;
        while 2 * at + 1 < self.heap.len() {
            let mut child = 2 * at + 1;
            if child + 1 < self.heap.len() && is_before(self.heap[child + 1], self.heap[child], activity) {
                child += 1;
            }
            if !is_before(self.heap[child], self.heap[at], activity) {
                return;
            }
            self.swap(at, child);
            at = child;
        }
    }

    fn swap(&mut self, one: usize, two: usize) {
        self.heap.swap(one, two);
        self.place[self.heap[one] as usize] = one as u32;
        self.place[self.heap[two] as usize] = two as u32;
    }
}

fn is_before(one: u32, two: u32, activity: &[f64]) -> bool {
    let (first, second) = (activity[one as usize], activity[two as usize]);
    first > second || first == second && one < two
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Random;

    /// Goal: the order is that of a search through all. Method: random pushes, bumps and pops beside a plain list.
    #[test]
    fn the_most_active_comes_first() {
        let mut random = Random::new(1, 0);
        let mut activity = vec![0.0; 50];
        let (mut queue, mut plain) = (Queue::new(50), Vec::new());
        for _ in 0..20_000 {
            let variable = random.below(50) as u32;
            match random.below(3) {
                0 => {
                    queue.push(variable, &activity);
                    if !plain.contains(&variable) {
                        plain.push(variable);
                    }
                }
                1 => {
                    activity[variable as usize] += random.below(4) as f64;
                    queue.raise(variable, &activity);
                }
                _ => {
                    let best = plain.iter().copied().reduce(|a, b| if is_before(b, a, &activity) { b } else { a });
                    plain.retain(|other| Some(*other) != best);
                    assert_eq!(queue.pop(&activity), best);
                }
            }
        }
    }
}
