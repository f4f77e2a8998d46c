//! Generated facts, as odd as the schema allows.

use std::collections::BTreeSet;

use fitup_model::order::{
    EquipmentNeed, Hazard, HoldPoint, Need, OrderLink, OrderOperation, OrderVisit, Pin, Progress, SamePersonWish,
    Supply, SupplyState,
};
use fitup_model::shop::{
    CalendarException, DayWindow, EquipmentOutage, FamilyChangeover, Holiday, Period, PlanningSettings, Shift, ShopBay,
    ShopEquipment, ShopTechnician, TechnicianSkill, WeekCalendar,
};
use fitup_model::timetable::{
    Delay, DelayKind, LeftOutOrder, OperationState, OperationTimetable, OrderTimetable, Quality, VisitTimetable,
};
use fitup_model::{OrderFacts, Price, ShopFacts, Timetable};
use jiff::civil::{Date, Weekday};
use jiff::{SignedDuration, Timestamp, ToSpan};
use proptest::prelude::*;

/// Returns generated shops.
pub fn any_shop(id: &'static str) -> impl Strategy<Value = ShopFacts> {
    entropy().prop_map(move |mut entropy| entropy.shop(id))
}

/// Returns generated orders.
pub fn any_order(id: &'static str) -> impl Strategy<Value = OrderFacts> {
    entropy().prop_map(move |mut entropy| entropy.order(id))
}

/// Returns generated plans for orders with these ids.
pub fn any_timetable(orders: &'static [&'static str]) -> impl Strategy<Value = Timetable> {
    entropy().prop_map(move |mut entropy| entropy.timetable(orders))
}

fn entropy() -> impl Strategy<Value = Entropy> {
    proptest::collection::vec(any::<u8>(), 0..600).prop_map(|bytes| Entropy { bytes: bytes.into_iter() })
}

/// Bytes that decide what is generated. When they run out everything is small, so that fewer bytes mean smaller facts,
/// and shrinking works.
#[derive(Debug)]
struct Entropy {
    bytes: std::vec::IntoIter<u8>,
}

impl Entropy {
    fn below(&mut self, limit: u8) -> usize {
        usize::from(self.bytes.next().unwrap_or(0) % limit)
    }

    fn flag(&mut self) -> bool {
        self.below(2) == 1
    }

    fn pick<T: Clone>(&mut self, choices: &[T]) -> T {
        choices[self.below(choices.len() as u8)].clone()
    }

    fn option<T>(&mut self, value: impl FnOnce(&mut Entropy) -> T) -> Option<T> {
        self.flag().then(|| value(self))
    }

    fn list<T>(&mut self, most: u8, mut value: impl FnMut(&mut Entropy) -> T) -> Vec<T> {
        (0..self.below(most + 1)).map(|_| value(self)).collect()
    }

    /// Returns up to `most` different values, in any order.
    fn different<T: Ord + Clone>(&mut self, most: u8, mut value: impl FnMut(&mut Entropy) -> T) -> Vec<T> {
        let mut seen = BTreeSet::new();
        let mut values = self.list(most, &mut value);
        values.retain(|value| seen.insert(value.clone()));
        values
    }

    fn id(&mut self) -> String {
        let long = "x".repeat(63);
        self.pick(&["a", "0", "z9", "a-b", "a--b", "door", "q-17", "0-0", "rear-left-door", &long].map(str::to_owned))
    }

    fn text(&mut self) -> String {
        self.pick(
            &["", "Lack", "Tür", "'; drop table shop; --", "two\nlines", "\"", "🚗", " ", "%_?$1"].map(str::to_owned),
        )
    }

    fn number(&mut self) -> u32 {
        self.pick(&[0, 1, 7, 1440, i32::MAX as u32, u32::MAX])
    }

    fn time(&mut self) -> Timestamp {
        let micros = self.pick(&[0, 1, -1, 1_900_000_000_000_000, 1_900_000_000_123_456, -62_135_596_800_000_000]);
        Timestamp::from_microsecond(micros + self.below(200) as i64).expect("all of these are in range")
    }

    fn date(&mut self) -> Date {
        jiff::civil::date(2031, 2, 1) + (self.below(200) as i64).days()
    }

    fn period(&mut self) -> Period {
        let start_time = self.time();
        let length = SignedDuration::from_micros(1 + self.below(250) as i64 * 1_000_003);
        Period { start_time, end_time: start_time + length, note: self.text() }
    }

    fn day_window(&mut self) -> DayWindow {
        let start_minute = self.below(240) as u16 * 6;
        let end_minute = if self.flag() { 1440 } else { start_minute + 1 };
        DayWindow { start_minute, end_minute }
    }

    fn shop(&mut self, id: &str) -> ShopFacts {
        let skills = self.different(4, Entropy::id);
        let calendars: Vec<_> = self.different(3, Entropy::id).into_iter().map(|id| self.calendar(id)).collect();
        let calendar_ids: Vec<_> = calendars.iter().map(|calendar| calendar.id.clone()).collect();
        let technician_ids = if calendar_ids.is_empty() { Vec::new() } else { self.different(4, Entropy::id) };
        let technicians = technician_ids.into_iter().map(|id| self.technician(id, &calendar_ids, &skills)).collect();
        ShopFacts {
            id: id.into(),
            display_name: self.text(),
            time_zone: self.pick(&["Europe/Berlin".into(), "America/Chicago".into()]),
            holidays: self
                .different(3, Entropy::date)
                .into_iter()
                .map(|date| Holiday { date, display_name: self.text() })
                .collect(),
            bays: self.different(4, Entropy::id).into_iter().map(|id| self.bay(id)).collect(),
            equipment: self.different(3, Entropy::id).into_iter().map(|id| self.equipment(id)).collect(),
            changeovers: self
                .different(3, |entropy| (entropy.id(), entropy.id()))
                .into_iter()
                .map(|(from_family, to_family)| FamilyChangeover { from_family, to_family, minutes: self.number() })
                .collect(),
            settings: PlanningSettings {
                grid_minutes: self.option(|entropy| entropy.pick(&[1, 5, 10, 15, 30])),
                horizon_days: self.option(|entropy| entropy.pick(&[1, 42, 366])),
                late_weight: self.option(Entropy::number),
                flow_weight: self.option(Entropy::number),
                overtime_weight: self.option(Entropy::number),
                freeze_minutes: self.option(Entropy::number),
                person_change_price: self.option(Entropy::number),
                bay_change_price: self.option(Entropy::number),
                day_change_price: self.option(Entropy::number),
                soon_factor: self.option(Entropy::number),
                same_person_price: self.option(Entropy::number),
                outside_limit: self.option(Entropy::number),
                outside_weight: self.option(Entropy::number),
                work_low_percent: self.option(Entropy::number),
                work_high_percent: self.option(Entropy::number),
                late_part_percent: self.option(Entropy::number),
                late_part_days: self.option(Entropy::number),
                late_approval_percent: self.option(Entropy::number),
                hidden_damage_percent: self.option(Entropy::number),
                hidden_work_percent: self.option(Entropy::number),
                failed_check_percent: self.option(Entropy::number),
                rework_percent: self.option(Entropy::number),
                absence_percent: self.option(Entropy::number),
                learned_percent: self.option(Entropy::number),
            },
            skills,
            calendars,
            technicians,
        }
    }

    fn calendar(&mut self, id: String) -> WeekCalendar {
        const WEEK: [Weekday; 7] = [
            Weekday::Sunday,
            Weekday::Monday,
            Weekday::Tuesday,
            Weekday::Wednesday,
            Weekday::Thursday,
            Weekday::Friday,
            Weekday::Saturday,
        ];
        WeekCalendar {
            id,
            shifts: self.list(3, |entropy| Shift {
                days: entropy.different(7, |entropy| entropy.below(7)).into_iter().map(|day| WEEK[day]).collect(),
                window: entropy.day_window(),
                breaks: entropy.list(2, Entropy::day_window),
            }),
            exceptions: self.list(3, |entropy| {
                let start_date = entropy.date();
                let end_date = start_date + (1 + entropy.below(20) as i64).days();
                CalendarException {
                    start_date,
                    end_date,
                    open: entropy.list(2, Entropy::day_window),
                    note: entropy.text(),
                }
            }),
        }
    }

    fn bay(&mut self, id: String) -> ShopBay {
        ShopBay {
            id,
            display_name: self.text(),
            classes: self.different(3, Entropy::id),
            downtime: self.list(2, Entropy::period),
        }
    }

    fn equipment(&mut self, id: String) -> ShopEquipment {
        ShopEquipment {
            id,
            display_name: self.text(),
            count: self.number().max(1),
            outages: self
                .list(2, |entropy| EquipmentOutage { period: entropy.period(), count: entropy.number().max(1) }),
        }
    }

    fn technician(&mut self, id: String, calendars: &[String], skills: &[String]) -> ShopTechnician {
        let mut own = skills.to_vec();
        own.retain(|_| self.flag());
        ShopTechnician {
            id,
            display_name: self.text(),
            calendar: self.pick(calendars),
            skills: own
                .into_iter()
                .map(|skill| TechnicianSkill { skill, efficiency_percent: self.number().max(1) })
                .collect(),
            absences: self.list(2, Entropy::period),
            overtime: self.list(2, Entropy::period),
        }
    }

    fn order(&mut self, id: &str) -> OrderFacts {
        let need_ids = self.different(5, Entropy::id);
        let (mut parts, mut approvals) = (Vec::new(), Vec::new());
        for id in &need_ids {
            let need = Need {
                id: id.clone(),
                display_name: self.text(),
                expected_time: self.option(Entropy::time),
                met: self.flag(),
                supply: None,
            };
            if self.flag() {
                let states = [SupplyState::Ordered, SupplyState::Wrong, SupplyState::Received];
                let supply = self.option(|entropy| Supply {
                    state: entropy.pick(&states),
                    confidence_percent: entropy.option(|entropy| 1 + entropy.below(100) as u32),
                });
                parts.push(Need { supply, ..need });
            } else {
                approvals.push(need);
            }
        }
        let visit_ids = self.different(4, Entropy::id);
        let operation_ids = self.different(8, Entropy::id);
        let operations: Vec<_> =
            operation_ids.iter().map(|id| self.operation(id, &operation_ids, &visit_ids, &need_ids)).collect();
        let mut links = Vec::new();
        for (from, to) in self.different(6, |entropy| (entropy.below(8), entropy.below(8))) {
            if from != to && from.max(to) < operation_ids.len() {
                let min_wait_minutes = self.number();
                let max_wait_minutes = self.option(|entropy| entropy.number().max(min_wait_minutes));
                let (from, to) = (operation_ids[from].clone(), operation_ids[to].clone());
                links.push(OrderLink { from, to, min_wait_minutes, max_wait_minutes });
            }
        }
        let arrival_time = self.time();
        OrderFacts {
            id: id.into(),
            vehicle: self.text(),
            note: self.text(),
            cancelled: self.flag(),
            arrival_time,
            arrived: self.flag(),
            promise_time: self.option(|entropy| entropy.time().max(arrival_time)),
            late_weight: self.option(Entropy::number),
            flow_weight: self.option(Entropy::number),
            visits: visit_ids
                .into_iter()
                .map(|id| OrderVisit {
                    id,
                    bay_class: self.id(),
                    loose_parts: self.flag(),
                    family: self.option(Entropy::id),
                    bay: self.option(Entropy::id),
                })
                .collect(),
            operations,
            links,
            parts,
            approvals,
        }
    }

    fn operation(&mut self, id: &str, all: &[String], visits: &[String], needs: &[String]) -> OrderOperation {
        const HAZARDS: [Hazard; 8] = [
            Hazard::HighVoltage,
            Hazard::RestraintSystem,
            Hazard::Isocyanate,
            Hazard::UncuredGlass,
            Hazard::RaisedVehicle,
            Hazard::Tension,
            Hazard::Refrigerant,
            Hazard::Welding,
        ];
        let mut needs = needs.to_vec();
        needs.retain(|_| self.flag());
        let earlier = self.pick(all);
        let start_time = self.time();
        OrderOperation {
            id: id.into(),
            display_name: self.text(),
            work_minutes: self.number(),
            low_work_minutes: self.option(Entropy::number),
            high_work_minutes: self.option(Entropy::number),
            crew: self.list(3, Entropy::id),
            visit: if visits.is_empty() { None } else { self.option(|entropy| entropy.pick(visits)) },
            equipment: self
                .different(2, Entropy::id)
                .into_iter()
                .map(|equipment| EquipmentNeed { equipment, count: self.number().max(1) })
                .collect(),
            interruptible: self.flag(),
            needs,
            earliest_start_time: self.option(Entropy::time),
            same_person: self
                .option(|entropy| SamePersonWish { operation: earlier.clone(), required: entropy.flag() })
                .filter(|wish| wish.operation != id),
            pin: self.option(|entropy| Pin {
                technicians: entropy.different(3, Entropy::id),
                start_time: entropy.option(Entropy::time),
            }),
            hazards: self.different(3, |entropy| entropy.pick(&HAZARDS)),
            hold_point: self.option(|entropy| HoldPoint {
                rework: if all.is_empty() || entropy.flag() { Vec::new() } else { vec![entropy.pick(all)] },
                measure: entropy.text(),
            }),
            progress: match self.below(4) {
                0 => Progress::Waiting,
                1 => Progress::Running {
                    start_time,
                    technicians: self.different(3, Entropy::id),
                    remaining_minutes: self.number(),
                    remaining_time: self.option(Entropy::time),
                },
                2 => Progress::Paused {
                    start_time,
                    pause_time: self.time(),
                    technicians: self.different(3, Entropy::id),
                    remaining_minutes: self.number(),
                    reason: self.text(),
                },
                _ => Progress::Done {
                    start_time,
                    end_time: self.time().max(start_time),
                    technicians: self.different(3, Entropy::id),
                },
            },
        }
    }

    fn timetable(&mut self, all: &[&str]) -> Timetable {
        let price = Price {
            lateness: self.number().into(),
            flow: self.number().into(),
            overtime: self.number().into(),
            change: self.number().into(),
            same_person: self.number().into(),
            outside: self.number().into(),
            left_out: self.number().into(),
        };
        let as_of_time = self.time();
        let (mut orders, mut left_out) = (Vec::new(), Vec::new());
        // A clock that only goes forward keeps visits in one bay apart.
        let mut clock = as_of_time;
        for order in all {
            match self.below(3) {
                0 => orders.push(self.order_timetable(order, &mut clock)),
                1 => left_out.push(LeftOutOrder {
                    order: (*order).into(),
                    reason: "NO_CREW".into(),
                    operation: self.option(Entropy::id),
                    message: self.text(),
                }),
                _ => {}
            }
        }
        Timetable {
            as_of_time,
            horizon_time: self.time().max(as_of_time),
            quality: self.pick(&[Quality::Optimal, Quality::Feasible]),
            bound: price.total() - i64::from(self.number()),
            price,
            orders,
            left_out,
        }
    }

    fn order_timetable(&mut self, order: &str, clock: &mut Timestamp) -> OrderTimetable {
        let mut visits = Vec::new();
        for visit in self.different(3, Entropy::id) {
            let start_time = *clock;
            *clock += SignedDuration::from_mins(self.below(200) as i64);
            let bay = self.pick(&["lift-1".to_owned(), "lift-2".to_owned()]);
            visits.push(VisitTimetable { visit, bay, loose_parts: self.flag(), start_time, end_time: *clock });
        }
        let operation_ids = self.different(4, Entropy::id);
        OrderTimetable {
            order: order.into(),
            vehicle: self.text(),
            arrival_time: self.time(),
            promise_time: self.option(Entropy::time),
            completion_time: self.time(),
            operations: operation_ids.into_iter().map(|id| self.operation_timetable(id, &visits)).collect(),
            delays: self.list(3, Entropy::delay),
            held_until: None,
            visits,
        }
    }

    fn operation_timetable(&mut self, operation: String, visits: &[VisitTimetable]) -> OperationTimetable {
        let visit = if visits.is_empty() { None } else { self.option(|entropy| entropy.pick(visits)) };
        let start_time = self.time();
        OperationTimetable {
            operation,
            display_name: self.text(),
            state: self.pick(&[OperationState::Planned, OperationState::Running, OperationState::Done]),
            bay: visit.as_ref().map(|visit| visit.bay.clone()),
            visit: visit.map(|visit| visit.visit),
            start_time,
            end_time: self.time().max(start_time),
            technicians: self.different(3, Entropy::id),
            overtime: self.flag(),
        }
    }

    fn delay(&mut self) -> Delay {
        const KINDS: [DelayKind; 10] = [
            DelayKind::Work,
            DelayKind::Cure,
            DelayKind::Part,
            DelayKind::Approval,
            DelayKind::Bay,
            DelayKind::Technician,
            DelayKind::Equipment,
            DelayKind::Closed,
            DelayKind::Settled,
            DelayKind::Other,
        ];
        Delay {
            kind: self.pick(&KINDS),
            duration: SignedDuration::from_mins(self.below(200) as i64),
            subject: self.option(Entropy::id),
            holder: self.option(Entropy::id),
            operation: self.id(),
            until_time: self.time(),
        }
    }
}
