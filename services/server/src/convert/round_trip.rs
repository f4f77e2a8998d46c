//! Goal: nothing is lost or changed between model and contract. Method: facts of every shape, sensible or not, are
//! written and read back, and what was read is written again.

use fitup_model::order::{
    EquipmentNeed, Hazard, HoldPoint, Need, OrderLink, OrderOperation, OrderVisit, Pin, Progress, SamePersonWish,
    Supply, SupplyState,
};
use fitup_model::shop::{
    CalendarException, DayWindow, EquipmentOutage, FamilyChangeover, Holiday, Period, PlanningSettings, Shift, ShopBay,
    ShopEquipment, ShopTechnician, TechnicianSkill, WeekCalendar,
};
use fitup_model::{OrderFacts, ShopFacts};
use jiff::Timestamp;
use jiff::civil::{Date, Weekday, date};
use proptest::collection::vec;
use proptest::option::of;
use proptest::prelude::*;

use super::fields::collect;
use super::{order, shop};

fn text() -> impl Strategy<Value = String> {
    "[a-zé \n]{0,6}"
}

fn id() -> impl Strategy<Value = String> {
    "[a-z0-9-]{1,5}"
}

fn texts() -> impl Strategy<Value = Vec<String>> {
    vec(id(), 0..4)
}

fn number() -> impl Strategy<Value = u32> {
    prop_oneof![0_u32..100, Just(i32::MAX.unsigned_abs())]
}

fn positive() -> impl Strategy<Value = u32> {
    number().prop_map(|number| number.max(1))
}

fn minutes() -> impl Strategy<Value = u32> {
    prop_oneof![0_u32..5000, Just(u32::MAX)]
}

fn instant() -> impl Strategy<Value = Timestamp> {
    let seconds = prop_oneof![Just(-62_135_596_800), -10_i64..10, 1_900_000_000_i64..2_000_000_000];
    (seconds, 0_i32..1_000_000_000).prop_map(|(seconds, nanos)| Timestamp::new(seconds, nanos).unwrap())
}

fn day() -> impl Strategy<Value = Date> {
    (1_i16..=9999, 1_i8..=12, 1_i8..=28).prop_map(|(year, month, day)| date(year, month, day))
}

fn window() -> impl Strategy<Value = DayWindow> {
    (0_u16..=1440, 0_u16..=1440).prop_map(|(start_minute, end_minute)| DayWindow { start_minute, end_minute })
}

fn period() -> impl Strategy<Value = Period> {
    (instant(), instant(), text()).prop_map(|(start_time, end_time, note)| Period { start_time, end_time, note })
}

fn weekday() -> impl Strategy<Value = Weekday> {
    (1_i8..=7).prop_map(|day| Weekday::from_monday_one_offset(day).unwrap())
}

fn calendar() -> impl Strategy<Value = WeekCalendar> {
    let shift = (vec(weekday(), 0..8), window(), vec(window(), 0..3)).prop_map(|(days, window, breaks)| Shift {
        days,
        window,
        breaks,
    });
    let exception = (day(), day(), vec(window(), 0..3), text())
        .prop_map(|(start_date, end_date, open, note)| CalendarException { start_date, end_date, open, note });
    (id(), vec(shift, 0..3), vec(exception, 0..3)).prop_map(|(id, shifts, exceptions)| WeekCalendar {
        id,
        shifts,
        exceptions,
    })
}

fn equipment() -> impl Strategy<Value = ShopEquipment> {
    let outage = (period(), number()).prop_map(|(period, count)| EquipmentOutage { period, count });
    (id(), text(), number(), vec(outage, 0..3)).prop_map(|(id, display_name, count, outages)| ShopEquipment {
        id,
        display_name,
        count,
        outages,
    })
}

fn technician() -> impl Strategy<Value = ShopTechnician> {
    let skill =
        (id(), positive()).prop_map(|(skill, efficiency_percent)| TechnicianSkill { skill, efficiency_percent });
    (id(), text(), id(), vec(skill, 0..3), vec(period(), 0..3), vec(period(), 0..3)).prop_map(
        |(id, display_name, calendar, skills, absences, overtime)| ShopTechnician {
            id,
            display_name,
            calendar,
            skills,
            absences,
            overtime,
        },
    )
}

fn settings() -> impl Strategy<Value = PlanningSettings> {
    vec(of(number()), 24).prop_map(|values| PlanningSettings {
        grid_minutes: values[0],
        horizon_days: values[1],
        late_weight: values[2],
        flow_weight: values[3],
        overtime_weight: values[4],
        freeze_minutes: values[5],
        person_change_price: values[6],
        bay_change_price: values[7],
        day_change_price: values[8],
        soon_factor: values[9],
        same_person_price: values[10],
        outside_limit: values[11],
        outside_weight: values[12],
        work_low_percent: values[13],
        work_high_percent: values[14],
        late_part_percent: values[15],
        late_part_days: values[16],
        late_approval_percent: values[17],
        hidden_damage_percent: values[18],
        hidden_work_percent: values[19],
        failed_check_percent: values[20],
        rework_percent: values[21],
        absence_percent: values[22],
        learned_percent: values[23],
    })
}

fn shop_facts() -> impl Strategy<Value = ShopFacts> {
    let bay = (id(), text(), texts(), vec(period(), 0..3)).prop_map(|(id, display_name, classes, downtime)| ShopBay {
        id,
        display_name,
        classes,
        downtime,
    });
    let holiday = (day(), text()).prop_map(|(date, display_name)| Holiday { date, display_name });
    let changeover = (id(), id(), number()).prop_map(|(from_family, to_family, minutes)| FamilyChangeover {
        from_family,
        to_family,
        minutes,
    });
    let lists = (vec(calendar(), 0..3), vec(holiday, 0..3), vec(bay, 0..3), vec(equipment(), 0..3));
    (id(), text(), text(), texts(), lists, vec(technician(), 0..3), vec(changeover, 0..3), settings()).prop_map(
        |(id, display_name, time_zone, skills, lists, technicians, changeovers, settings)| ShopFacts {
            id,
            display_name,
            time_zone,
            skills,
            calendars: lists.0,
            holidays: lists.1,
            bays: lists.2,
            equipment: lists.3,
            technicians,
            changeovers,
            settings,
        },
    )
}

fn hazard() -> impl Strategy<Value = Hazard> {
    prop_oneof![
        Just(Hazard::HighVoltage),
        Just(Hazard::RestraintSystem),
        Just(Hazard::Isocyanate),
        Just(Hazard::UncuredGlass),
        Just(Hazard::RaisedVehicle),
        Just(Hazard::Tension),
        Just(Hazard::Refrigerant),
        Just(Hazard::Welding),
    ]
}

fn progress() -> impl Strategy<Value = Progress> {
    prop_oneof![
        Just(Progress::Waiting),
        (instant(), texts(), minutes(), of(instant())).prop_map(
            |(start_time, technicians, remaining_minutes, remaining_time)| Progress::Running {
                start_time,
                technicians,
                remaining_minutes,
                remaining_time
            }
        ),
        (instant(), instant(), texts(), minutes(), text()).prop_map(
            |(start_time, pause_time, technicians, remaining_minutes, reason)| Progress::Paused {
                start_time,
                pause_time,
                technicians,
                remaining_minutes,
                reason
            }
        ),
        (instant(), instant(), texts()).prop_map(|(start_time, end_time, technicians)| Progress::Done {
            start_time,
            end_time,
            technicians
        }),
    ]
}

fn operation() -> impl Strategy<Value = OrderOperation> {
    let need = (id(), positive()).prop_map(|(equipment, count)| EquipmentNeed { equipment, count });
    let wish = (id(), any::<bool>()).prop_map(|(operation, required)| SamePersonWish { operation, required });
    let pin = (texts(), of(instant())).prop_map(|(technicians, start_time)| Pin { technicians, start_time });
    let texts = (id(), text(), texts(), texts());
    let hold = (self::texts(), text()).prop_map(|(rework, measure)| HoldPoint { rework, measure });
    let spread = (of(minutes()), of(minutes()));
    let rest = (of(instant()), of(wish), of(pin), vec(hazard(), 0..4), progress(), of(hold), spread);
    (texts, minutes(), of(id()), vec(need, 0..3), any::<bool>(), rest).prop_map(
        |((id, display_name, crew, needs), work_minutes, visit, equipment, interruptible, rest)| OrderOperation {
            id,
            display_name,
            work_minutes,
            low_work_minutes: rest.6.0,
            high_work_minutes: rest.6.1,
            crew,
            visit,
            equipment,
            interruptible,
            needs,
            earliest_start_time: rest.0,
            same_person: rest.1,
            pin: rest.2,
            hazards: rest.3,
            hold_point: rest.5,
            progress: rest.4,
        },
    )
}

fn order_facts() -> impl Strategy<Value = OrderFacts> {
    let visit = (id(), id(), any::<bool>(), of(id()), of(id()))
        .prop_map(|(id, bay_class, loose_parts, family, bay)| OrderVisit { id, bay_class, loose_parts, family, bay });
    let link = (id(), id(), minutes(), of(minutes())).prop_map(|(from, to, min_wait_minutes, max_wait_minutes)| {
        OrderLink { from, to, min_wait_minutes, max_wait_minutes }
    });
    let need = || {
        (id(), text(), of(instant()), any::<bool>()).prop_map(|(id, display_name, expected_time, met)| Need {
            id,
            display_name,
            expected_time,
            met,
            supply: None,
        })
    };
    let supply = (prop_oneof![Just(SupplyState::Ordered), Just(SupplyState::Wrong)], of(1_u32..101))
        .prop_map(|(state, confidence_percent)| Supply { state, confidence_percent });
    let part = (need(), of(supply)).prop_map(|(need, supply)| Need { supply, ..need });
    let lists = (vec(visit, 0..3), vec(operation(), 0..3), vec(link, 0..3), vec(part, 0..3), vec(need(), 0..3));
    let times = (instant(), any::<bool>(), of(instant()), of(number()), of(number()));
    (id(), text(), text(), times, lists).prop_map(|(id, vehicle, note, times, lists)| OrderFacts {
        id,
        vehicle,
        note,
        cancelled: false,
        arrival_time: times.0,
        arrived: times.1,
        promise_time: times.2,
        late_weight: times.3,
        flow_weight: times.4,
        visits: lists.0,
        operations: lists.1,
        links: lists.2,
        parts: lists.3,
        approvals: lists.4,
    })
}

proptest! {
    #[test]
    fn shops_come_back(facts in shop_facts()) {
        let written = shop::write(&facts);
        let (read, faults) = collect(|at| shop::facts(&facts.id, &written, at));
        prop_assert_eq!(faults, []);
        prop_assert_eq!(&read, &facts);
        prop_assert_eq!(shop::write(&read), written);
    }

    #[test]
    fn orders_come_back(facts in order_facts()) {
        let written = order::write("shop", &facts);
        let (read, faults) = collect(|at| order::facts(&facts.id, &written, at));
        prop_assert_eq!(faults, []);
        prop_assert_eq!(&read, &facts);
        prop_assert_eq!(order::write("shop", &read), written);
    }
}
