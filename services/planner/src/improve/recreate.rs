//! Puts back what a move took out, in one of several orders and with one of several tastes.

use super::Search;
use crate::compile::NEVER;
use crate::schedule::Taste;
use crate::switches::Idea;

impl Search<'_> {
    /// Places everything that was taken out; `false` if some of it finds no place.
    pub(super) fn recreate(&mut self) -> bool {
        let cars = self.ruin.cars.len() + self.ruin.parts.len();
        self.draw_taste();
        let random = &mut self.schedule.random;
        let by_start = if cars > 1 { 0.4 } else { 0.2 };
        let interleaved = !self.ruin.parts.is_empty() || self.few || !self.keep_first && random.chance(by_start);
        if self.moved.is_some() {
            self.schedule.taste = Taste::PLAIN;
            self.order_by_start(0);
        } else if interleaved {
            let noise = if random.chance(0.3) { 0.0 } else { 10f64.powf(0.5 + 2.0 * random.unit()) };
            self.order_by_start((64.0 * noise * self.scale) as i32);
        } else {
            let noise = if random.chance(0.3) { 0.0 } else { 100.0 * random.unit() };
            self.sort_cars();
            self.order_by_car((64.0 * noise * self.scale) as i32);
        }
        if self.schedule.random.chance(0.05) && !self.order.is_empty() && self.switches.uses(Idea::Delay) {
            let index = self.order[self.schedule.random.below(self.order.len())];
            let by = (10f64.powf(2.5 * self.schedule.random.unit()) * self.scale) as i32;
            self.schedule.taste.delayed = Some((index, self.schedule.start[index as usize] + by));
        }
        let mut order = std::mem::take(&mut self.order);
        let placed = self.schedule.insert(&mut order, 12 + 4 * cars).is_ok();
        self.order = order;
        placed
    }

    fn draw_taste(&mut self) {
        let random = &mut self.schedule.random;
        let mut taste = Taste::PLAIN;
        if random.chance(0.5) {
            taste.blink = 0.03;
        }
        if random.chance(0.5) {
            taste.noise = 1 + (40.0 * random.unit() * random.unit()) as usize;
        }
        if random.chance(0.3) {
            taste.bias = 1 + (30.0 * random.unit()) as i32;
        }
        if random.chance(0.05) {
            taste.patience = (10f64.powf(0.5 + 2.0 * random.unit()) * self.scale) as i32;
        }
        self.schedule.taste = self.in_use(taste);
    }

    /// Returns the part of a taste that is not switched off.
    fn in_use(&self, mut taste: Taste) -> Taste {
        if !self.switches.uses(Idea::Blinks) {
            taste.blink = 0.0;
        }
        if !self.switches.uses(Idea::Noise) {
            (taste.noise, taste.bias) = (0, 0);
        }
        if !self.switches.uses(Idea::Patience) {
            taste.patience = NEVER;
        }
        taste
    }

    /// Sorts the cars that were taken out by one of several rules.
    fn sort_cars(&mut self) {
        let compiled = self.compiled;
        let random = &mut self.schedule.random;
        let cars = &mut self.ruin.cars;
        let data = |car: u32| &compiled.cars[car as usize];
        if self.keep_first {
            random.shuffle(&mut cars[1..]);
            return;
        }
        let rule = random.below(6);
        match rule {
            0 | 1 => random.shuffle(cars),
            2 => cars.sort_by_key(|&car| data(car).promise),
            3 => cars.sort_by_key(|&car| -data(car).late_weight),
            4 => cars.sort_by_key(|&car| {
                data(car).promise.saturating_sub(i64::from(data(car).tail) * compiled.clock.minutes)
            }),
            _ => cars.sort_by_key(|&car| data(car).arrival),
        }
        if rule >= 2 && cars.len() > 1 && random.chance(0.5) {
            let position = random.below(cars.len() - 1);
            cars.swap(position, position + 1);
        }
        cars.sort_by_key(|&car| !data(car).committed);
    }

    /// Orders the operations car by car, inside each by head and `noise` 64ths of a step in all.
    fn order_by_car(&mut self, noise: i32) {
        self.order.clear();
        for position in 0..self.ruin.cars.len() {
            let from = self.order.len();
            let car = self.ruin.cars[position] as usize;
            self.order.extend_from_slice(&self.compiled.cars[car].operations);
            self.sort_from(from, noise, false);
        }
    }

    /// Orders all operations by where they started before, and `noise` 64ths of a step in all.
    fn order_by_start(&mut self, noise: i32) {
        self.order.clear();
        for position in 0..self.ruin.cars.len() {
            let car = self.ruin.cars[position] as usize;
            self.order.extend_from_slice(&self.compiled.cars[car].operations);
        }
        self.order.extend_from_slice(&self.ruin.operations);
        self.sort_from(0, noise, true);
    }

    /// Sorts the operations of the order from position `from` on; each comes after those that it waits for, and right after
    /// one that has a longest wait before it.
    fn sort_from(&mut self, from: usize, noise: i32, by_start: bool) {
        let compiled = self.compiled;
        let changed = if self.few { 2.0 / (self.order.len() - from).max(1) as f64 } else { 1.0 };
        for position in from..self.order.len() {
            let index = self.order[position] as usize;
            let operation = &compiled.operations[index];
            let mut key = 64 * if by_start { self.schedule.start[index] } else { operation.head };
            if noise > 0 && (changed >= 1.0 || self.schedule.random.chance(changed)) {
                key += self.schedule.random.below(noise as usize + 1) as i32 - noise / 2;
            }
            if let Some((moved, place)) = self.moved
                && moved as usize == index
            {
                key = place;
            }
            for link in compiled.links_of(operation.before) {
                let other = link.other as usize;
                if self.schedule.placed[other] {
                    continue;
                }
                key = key.max(self.key[other] + 1);
                if link.max < NEVER {
                    key = key.min(self.key[other] + 2);
                }
            }
            for link in compiled.links_of(operation.before) {
                let other = link.other as usize;
                if !self.schedule.placed[other] {
                    key = key.max(self.key[other] + 1);
                }
            }
            self.key[index] = key;
        }
        let key = &self.key;
        self.order[from..].sort_unstable_by_key(|&index| (key[index as usize], index));
    }
}
