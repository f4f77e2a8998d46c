//! Draws plans as plain text that reads without colour.
//!
//! A [`Scene`] is a plan with what is needed to draw it. [`axis`] lays working days out as columns and leaves closed time
//! out, [`chart`] draws bars on them; each view has a file: [`bays`], [`technicians`], [`orders`], [`day`], [`late`]; a
//! [`summary`] stands above.

pub mod axis;
pub mod bays;
pub mod chart;
pub mod day;
pub mod late;
pub mod orders;
pub mod summary;
pub mod technicians;

use fitup_proto::v1;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::names::last;
use crate::output::Paint;
use crate::wire::from_proto;

/// A plan and what is needed to draw it.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'p> {
    /// The plan.
    pub plan: &'p v1::Plan,
    /// Its shop.
    pub shop: &'p v1::Shop,
    /// The shop's time zone.
    pub zone: &'p TimeZone,
    /// Columns.
    pub width: usize,
    /// Colours.
    pub paint: Paint,
}

/// An operation of a plan with its order, times in minutes since 1970.
#[derive(Debug, Clone, Copy)]
pub struct Work<'p> {
    /// Id of the order.
    pub order: &'p str,
    /// The order's plan.
    pub of: &'p v1::OrderPlan,
    /// The operation.
    pub operation: &'p v1::OperationPlan,
    /// First minute.
    pub start: i64,
    /// The minute after the last.
    pub end: i64,
}

impl<'p> Scene<'p> {
    /// Returns all operations of the plan.
    pub fn works(&self) -> Vec<Work<'p>> {
        let mut works = Vec::new();
        for of in &self.plan.orders {
            for operation in &of.operations {
                let (start, end) = (minute(operation.start_time.as_ref()), minute(operation.end_time.as_ref()));
                works.push(Work { order: last(&of.order), of, operation, start, end });
            }
        }
        works
    }

    /// Returns the local date of a minute.
    pub fn date(&self, minute: i64) -> Date {
        let instant = jiff::Timestamp::from_second(minute * 60).unwrap_or_default();
        self.zone.to_datetime(instant).date()
    }

    /// The date that the plan was made for.
    pub fn today(&self) -> Date {
        self.date(minute(self.plan.as_of_time.as_ref()))
    }
}

/// Glyphs of the drawings.
pub mod glyph {
    /// People are at work.
    pub const WORK: char = '=';
    /// It was worked on, and is done.
    pub const DONE: char = '-';
    /// It bakes, cures or flashes; nobody is needed.
    pub const CURE: char = '~';
    /// It waits, and holds its place.
    pub const WAIT: char = '.';
    /// Closed, down or off.
    pub const OFF: char = ':';
    /// The promise.
    pub const PROMISE: char = 'P';
}

/// Returns the glyph of an operation.
pub fn glyph_of(operation: &v1::OperationPlan) -> char {
    if operation.technicians.is_empty() {
        glyph::CURE
    } else if operation.state() == v1::operation_plan::State::Done {
        glyph::DONE
    } else {
        glyph::WORK
    }
}

/// Returns an order's id as bars carry it: with `!` if it is late, in parentheses if it is held.
pub fn label(order: &v1::OrderPlan) -> String {
    let name = held_name(order);
    format!("{name}{}", if order.lateness.is_some() { "!" } else { "" })
}

/// Returns an order's id, in parentheses if it is held: it is not on the floor.
pub fn held_name(order: &v1::OrderPlan) -> String {
    let id = last(&order.order);
    if order.hold_expire_time.is_some() { format!("({id})") } else { id.to_owned() }
}

/// Returns an instant in minutes since 1970; 0 if it is not set.
pub fn minute(instant: Option<&prost_types::Timestamp>) -> i64 {
    from_proto(instant).map_or(0, |instant| instant.as_second().div_euclid(60))
}

#[cfg(test)]
pub mod sample;
#[cfg(test)]
mod tests;
