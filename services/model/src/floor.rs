//! What happens on the floor: work begins, pauses and ends, checks are passed or failed, parts and people come and go.
//!
//! An event is applied to the facts of one moment and gives the facts after it together with a [`FloorNote`], which is
//! kept as it was said. An event that the facts do not allow changes nothing and says every reason at once.
//!
//! Read in this order: [`WorkEvent`] and [`work`](crate::floor::WorkEvent) (clocks and checks), `rework` (what a failed
//! check brings), [`Settlement`] (what the dispatcher settles by hand), [`PartEvent`], [`ResourceEvent`].

mod left;
mod parts;
mod resources;
mod rework;
mod settle;
mod unattended;
mod work;

use jiff::Timestamp;

use crate::fault::Fault;
use crate::order::{OrderFacts, OrderOperation, SupplyState};
use crate::shop::{Shop, ShopFacts};
use crate::timetable::{OperationTimetable, Timetable};

pub use left::minutes_left;
pub use parts::apply_part;
pub use resources::apply_resource;
pub use settle::apply_settlement;
pub use unattended::settle as settle_unattended;
pub use work::apply_work;

/// What is done on an operation, by those who do it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WorkEvent {
    /// People clock on: the operation starts, goes on, or gets another hand.
    On {
        /// Who; empty means the planned crew.
        technicians: Vec<String>,
        /// Where, if its visit begins with it; `None` means the planned bay.
        bay: Option<String>,
    },
    /// People clock off and leave it unfinished; it pauses when nobody is left.
    Off {
        /// Who; empty means all.
        technicians: Vec<String>,
        /// Booked minutes left; `None` means by the clock.
        remaining_minutes: Option<u32>,
    },
    /// It stops for a reason.
    Pause {
        /// Why, for people.
        reason: String,
        /// Booked minutes left; `None` means by the clock.
        remaining_minutes: Option<u32>,
    },
    /// It is done, early or late.
    Finish,
    /// It turns out not to be done.
    Reopen {
        /// Booked minutes that are left.
        remaining_minutes: u32,
        /// Why, for people.
        reason: String,
    },
    /// A hold point was checked.
    Check {
        /// It holds.
        passed: bool,
        /// What was measured, with its unit; may be empty.
        measurement: String,
        /// Anything else.
        reason: String,
    },
}

/// What the dispatcher settles by hand about an operation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Settlement {
    /// One member of its crew in another's place.
    Swap {
        /// Who leaves.
        out: String,
        /// Who comes.
        into: String,
    },
    /// It is tied to people, a bay or a start; what is not said stays as it was.
    Pin {
        /// One for each place of the crew; empty leaves them open.
        technicians: Vec<String>,
        /// The bay of its visit.
        bay: Option<String>,
        /// The start.
        start_time: Option<Timestamp>,
    },
    /// It is free again.
    Unpin,
}

/// What is heard of a part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartEvent {
    /// What.
    pub state: SupplyState,
    /// When it, or the one in its place, is expected now; `None` leaves it.
    pub expected_time: Option<Timestamp>,
    /// How sure that is, in percent.
    pub confidence_percent: Option<u32>,
    /// Anything else.
    pub reason: String,
}

/// What happens to the people, the bays and the equipment of the shop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ResourceEvent {
    /// A technician is out.
    Out {
        /// Who.
        technician: String,
        /// From when.
        start_time: Timestamp,
        /// Until when.
        end_time: Timestamp,
        /// Why, for people.
        reason: String,
    },
    /// A technician is back, earlier than was said.
    Back {
        /// Who.
        technician: String,
    },
    /// A bay is down.
    Down {
        /// Which.
        bay: String,
        /// From when.
        start_time: Timestamp,
        /// Until when.
        end_time: Timestamp,
        /// Why, for people.
        reason: String,
    },
    /// A bay is up again, earlier than was said.
    Up {
        /// Which.
        bay: String,
    },
    /// Pieces of equipment are out.
    Short {
        /// Which pool.
        equipment: String,
        /// How many pieces.
        count: u32,
        /// From when.
        start_time: Timestamp,
        /// Until when.
        end_time: Timestamp,
        /// Why, for people.
        reason: String,
    },
    /// All pieces are there again, earlier than was said.
    Whole {
        /// Which pool.
        equipment: String,
    },
    /// A plan may use extra hours of a technician.
    Overtime {
        /// Who.
        technician: String,
        /// From when.
        start_time: Timestamp,
        /// Until when.
        end_time: Timestamp,
        /// Why, for people.
        reason: String,
    },
}

/// What kind of event a note is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FloorKind {
    /// Clocked on.
    On,
    /// Clocked off.
    Off,
    /// Stopped for a reason.
    Pause,
    /// Done.
    Finish,
    /// Not done after all.
    Reopen,
    /// A check was passed.
    Pass,
    /// A check was failed.
    Fail,
    /// One person for another.
    Swap,
    /// Tied.
    Pin,
    /// Free again.
    Unpin,
    /// A part was ordered.
    PartOrdered,
    /// A part was announced.
    PartExpected,
    /// A part came.
    PartReceived,
    /// A wrong part came.
    PartWrong,
    /// A part came damaged.
    PartDamaged,
    /// A part went back.
    PartReturned,
    /// A technician is out.
    Out,
    /// A technician is back.
    Back,
    /// A bay is down.
    Down,
    /// A bay is up again.
    Up,
    /// Equipment is short.
    Short,
    /// Equipment is whole again.
    Whole,
    /// Overtime was opened.
    Overtime,
}

/// What is kept of an event: what was said, and what it met.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FloorNote {
    /// What kind.
    pub kind: FloorKind,
    /// When it happened.
    pub event_time: Timestamp,
    /// Id of the order, if it is about one.
    pub order: Option<String>,
    /// Id of the operation, if it is about one.
    pub operation: Option<String>,
    /// Id of the part, technician, bay or equipment that it is about.
    pub subject: Option<String>,
    /// Who came, left, was on it or is tied to it.
    pub technicians: Vec<String>,
    /// In which bay.
    pub bay: Option<String>,
    /// Start of the work, of the range or of the pin.
    pub start_time: Option<Timestamp>,
    /// End of the work or of the range; when a part is expected, or was until it came.
    pub end_time: Option<Timestamp>,
    /// End of the operation in the published plan.
    pub planned_end_time: Option<Timestamp>,
    /// Booked minutes: of the whole operation at its start and end, those left at a pause.
    pub booked_minutes: Option<u32>,
    /// Pieces of equipment, or how sure an expected time is in percent.
    pub count: Option<u32>,
    /// What was measured.
    pub measurement: String,
    /// Why, for people.
    pub reason: String,
    /// Ids of the operations that a failed check added.
    pub added: Vec<String>,
}

impl FloorNote {
    fn new(kind: FloorKind, event_time: Timestamp) -> FloorNote {
        FloorNote {
            kind,
            event_time,
            order: None,
            operation: None,
            subject: None,
            technicians: Vec::new(),
            bay: None,
            start_time: None,
            end_time: None,
            planned_end_time: None,
            booked_minutes: None,
            count: None,
            measurement: String::new(),
            reason: String::new(),
            added: Vec::new(),
        }
    }
}

/// Why an event is refused. Nothing is changed then.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refused {
    /// What was said is wrong, with paths in the names of the contract.
    Faults(Vec<Fault>),
    /// The facts do not allow it now: every reason.
    Forbidden(Vec<String>),
}

impl Refused {
    fn fault(path: &str, message: impl Into<String>) -> Refused {
        Refused::Faults(vec![Fault { path: path.into(), message: message.into() }])
    }

    fn forbidden(message: impl Into<String>) -> Refused {
        Refused::Forbidden(vec![message.into()])
    }
}

/// The facts that an event meets.
#[derive(Debug, Clone, Copy)]
pub struct Floor<'a> {
    /// The shop.
    pub shop: &'a Shop,
    /// Its open orders.
    pub orders: &'a [OrderFacts],
    /// The plan that the floor works by.
    pub published: Option<&'a Timetable>,
    /// When the event happened.
    pub at: Timestamp,
}

impl Floor<'_> {
    /// Returns an instant as the shop's people say it.
    fn say(&self, time: Timestamp) -> String {
        self.shop.zone().to_datetime(time).strftime("%a %-d %b %H:%M").to_string()
    }

    fn order(&self, id: &str) -> Result<&OrderFacts, Refused> {
        let found = self.orders.iter().find(|order| order.id == id);
        found.ok_or_else(|| Refused::fault("order", format!("no open order {id:?}")))
    }

    fn planned(&self, order: &str, operation: &str) -> Option<&OperationTimetable> {
        let order = self.published?.orders.iter().find(|other| other.order == order)?;
        order.operations.iter().find(|other| other.operation == operation)
    }

    /// Notes each technician whom the shop does not have, or who is named twice.
    fn check_people(&self, path: &str, people: &[String], faults: &mut Vec<Fault>) {
        for (index, id) in people.iter().enumerate() {
            let path = if path == "technicians" { format!("{path}[{index}]") } else { path.to_owned() };
            if !self.shop.technicians.iter().any(|technician| technician.id == *id) {
                let known: Vec<&str> = self.shop.technicians.iter().map(|person| person.id.as_str()).collect();
                faults.push(Fault { path, message: format!("no technician {id:?}; there are: {}", known.join(", ")) });
            } else if people[..index].contains(id) {
                faults.push(Fault { path, message: format!("{id:?} stands there twice") });
            }
        }
    }

    fn has_skill(&self, technician: &str, skill: &str) -> bool {
        let person = self.shop.technicians.iter().find(|person| person.id == technician);
        person.is_some_and(|person| person.skills.iter().any(|own| own.skill == skill))
    }
}

fn index_of(order: &OrderFacts, operation: &str) -> Result<usize, Refused> {
    order.operations.iter().position(|other| other.id == operation).ok_or_else(|| {
        let known: Vec<&str> = order.operations.iter().map(|other| other.id.as_str()).collect();
        let message = format!("order {:?} has no operation {operation:?}; there are: {}", order.id, known.join(", "));
        Refused::fault("operation", message)
    })
}

/// Returns how an operation is told of: `weld of order 1207`.
fn called(order: &OrderFacts, operation: &OrderOperation) -> String {
    format!("{} of order {}", operation.id, order.id)
}

/// Checks changed facts of a shop.
fn checked_shop(facts: ShopFacts) -> Result<ShopFacts, Refused> {
    Shop::new(facts).map(Shop::into_facts).map_err(Refused::Faults)
}
