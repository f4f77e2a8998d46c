//! The checker is checked: a plan made by hand keeps every rule, and each way to break a rule is reported as just that.

mod shop;

use fitup_model::check::check_with;
use fitup_model::keyed::{BayId, CarId, EquipmentId, Key, TechnicianId, VisitId};
use fitup_model::problem::{
    BayChoice, Changeover, Commitment, Link, Outside, Published, PublishedBay, Ready, ReadyReason, SamePerson,
    SamePersonRule,
};
use fitup_model::{Calendar, Plan, Problem, ProblemData, Rule, Span, Time, check, cost};
use fitup_tests::draft::{at, span, window};
use fitup_tests::naive;
use shop::*;

type Change = fn(&mut ProblemData, &mut Plan);

/// Every way to break a rule, with the rules that it breaks and how often; none for what only looks wrong.
#[rustfmt::skip]
const CHANGES: &[(&str, &[Rule], Change)] = &[
    ("nothing", &[], |_, _| {}),
    ("an operation too few", &[Rule::Shape], |_, p| p.operations = p.operations.values().skip(1).cloned().collect()),
    ("a visit too many", &[Rule::Shape], |_, p| { p.bays.push(None); }),
    ("an unknown technician", &[Rule::Unknown], |_, p| staff(p, PULL, &[99])),
    ("an unknown bay", &[Rule::Unknown], |_, p| house(p, V_PULL, Some(99))),
    ("a car in part", &[Rule::PartOfCar], |_, p| p.operations[op(READY)] = None),
    ("a car that started, in part", &[Rule::PartOfCar], |d, p| {
        d.operations.push(d.operations[op(WAITING)].clone());
        p.operations.push(None);
        place(p, WAITING, 1000, 1040);
        staff(p, WAITING, &[DEE]);
    }),

    ("a fact forgotten", &[Rule::StartedAltered], |_, p| p.operations[op(TEARDOWN)] = None),
    ("a fact forgotten of a car left out", &[Rule::StartedAltered], |_, p| p.operations[op(SCAN)] = None),
    ("a fact that starts otherwise", &[Rule::StartedAltered], |_, p| place(p, TEARDOWN, 400, 600)),
    ("a fact that ends otherwise", &[Rule::StartedAltered], |_, p| place(p, TEARDOWN, 401, 595)),
    ("a fact by others", &[Rule::StartedAltered], |_, p| staff(p, TEARDOWN, &[DEE])),
    ("a fact by nobody", &[Rule::StartedAltered], |_, p| staff(p, TEARDOWN, &[])),
    ("a fact in overtime", &[Rule::StartedAltered], |_, p| assigned(p, TEARDOWN).overtime = true),
    ("pinned people", &[Rule::PinnedCrew], |_, p| staff(p, DOOR, &[DEE])),
    ("a pinned start", &[Rule::PinnedStart], |_, p| place(p, DOOR, 905, 985)),
    ("a pinned bay", &[Rule::PinnedBay], |_, p| house(p, V_DOOR, Some(BODY_1))),
    ("no pinned bay", &[Rule::MissingBay], |_, p| house(p, V_DOOR, None)),
    ("an entered bay", &[Rule::EnteredBay], |_, p| house(p, V_TEARDOWN, Some(BODY_2))),
    ("an entered bay of a car left out", &[Rule::EnteredBay], |_, p| house(p, V_SCAN, None)),

    ("before now", &[Rule::StartsBeforeNow], |d, _| d.now = at(485)),
    ("before a part", &[Rule::StartsBeforeReady], |d, _| d.operations[op(COAT)].ready[0].time = at(875)),
    ("before an arrival and an hour", &[Rule::StartsBeforeReady, Rule::StartsBeforeReady], |d, _| {
        d.operations[op(PULL)].ready[0].time = at(481);
        d.operations[op(PULL)].ready.push(Ready { time: at(490), reason: ReadyReason::NotBefore });
    }),
    ("off the grid", &[Rule::OffGrid], |_, p| place(p, READY, 921, 921)),
    ("after the horizon", &[Rule::EndsAfterHorizon], |d, _| d.horizon = at(995)),

    ("one too few", &[Rule::CrewSize], |_, p| staff(p, GLASS, &[ANN])),
    ("one too many", &[Rule::CrewSize], |_, p| staff(p, GLASS, &[ANN, BO, DEE])),
    ("somebody on a cure", &[Rule::CrewSize], |_, p| staff(p, CURE, &[DEE])),
    ("one person for two", &[Rule::DistinctPeople], |_, p| staff(p, GLASS, &[ANN, ANN])),
    ("no skill", &[Rule::MissingSkill], |_, p| staff(p, COAT, &[DEE])),
    ("no skill in the second place", &[Rule::MissingSkill], |_, p| staff(p, GLASS, &[ANN, DEE])),

    ("too short", &[Rule::WrongLength], |_, p| place(p, COAT, 870, 915)),
    ("too long", &[Rule::WrongLength], |_, p| place(p, PRIME, 950, 1005)),
    ("off the rounding", &[Rule::WrongLength], |_, p| place(p, CURE, 810, 848)),
    ("a cure too long", &[Rule::WrongLength], |d, p| { unlink(d); place(p, CURE, 810, 855) }),
    ("the faster one's time", &[Rule::WrongLength], |_, p| place(p, GLASS, 810, 865)),
    ("interruptible work too short", &[Rule::WrongLength], |_, p| place(p, PULL, 480, 805)),
    ("interruptible work too long", &[Rule::WrongLength], |_, p| {
        place(p, TRIM, 870, 925);
        place(p, READY, 925, 925);
    }),
    ("a pause at the end", &[Rule::WrongLength], |d, p| {
        d.operations[op(PULL)].work = span(240);
        d.links[0].max_wait = None;
        place(p, PULL, 480, 735);
    }),
    ("an end at the pause", &[], |d, p| {
        d.operations[op(PULL)].work = span(240);
        d.links[0].max_wait = None;
        place(p, PULL, 480, 720);
    }),
    ("an end before the start", &[Rule::WrongLength], |_, p| place(p, PRIME, 950, 945)),
    ("after hours", &[Rule::OutsideCalendar], |_, p| place(p, COAT, 1000, 1050)),
    ("over lunch", &[Rule::OutsideCalendar], |d, p| {
        unlink(d);
        place(p, MEASURE, 700, 760);
    }),
    ("unopened overtime", &[Rule::OutsideCalendar], |_, p| assigned(p, DOOR).overtime = false),
    ("overtime of who has none", &[], |_, p| assigned(p, COAT).overtime = true),
    ("overtime of who has none, after hours", &[Rule::OutsideCalendar], |_, p| {
        place(p, COAT, 1000, 1050);
        assigned(p, COAT).overtime = true;
    }),
    ("a start after hours", &[Rule::StartsWhileClosed], |_, p| {
        place(p, TRIM, 1030, 1970);
        place(p, READY, 1970, 1970);
    }),
    ("a start in unopened overtime", &[Rule::StartsWhileClosed], |d, p| {
        d.operations[op(TRIM)].work = span(80);
        staff(p, TRIM, &[BO]);
        place(p, TRIM, 980, 2140);
        place(p, READY, 2140, 2140);
    }),
    ("a start in overtime", &[], |d, p| {
        d.operations[op(TRIM)].work = span(80); // 100 of Bo's minutes: all that is left of his day
        staff(p, TRIM, &[BO]);
        assigned(p, TRIM).overtime = true;
        place(p, TRIM, 980, 1080);
        place(p, READY, 1080, 1080);
    }),
    ("work into the next day, in overtime", &[], |d, p| {
        d.operations[op(TRIM)].work = span(100);
        staff(p, TRIM, &[BO]);
        assigned(p, TRIM).overtime = true;
        place(p, TRIM, 980, 2065);
        place(p, READY, 2065, 2065);
    }),
    ("unattended work at night", &[], |_, p| place(p, READY, 1500, 1500)),

    ("two at once", &[Rule::TechnicianDoubleBooked], |d, p| {
        d.operations[op(TRIM)].same_person = None;
        staff(p, TRIM, &[CLEO]);
    }),
    ("in a pause", &[Rule::TechnicianDoubleBooked], |d, p| {
        // Ann and Dee pull; while Dee is away Ann trims.
        let hours = d.calendars.push(Calendar::new(vec![window(480, 520), window(620, 2880)]));
        d.technicians[TechnicianId::from_index(DEE)].calendar = hours;
        let body = d.operations[op(PULL)].crew[0];
        d.operations[op(PULL)].crew.push(body);
        d.operations[op(PULL)].work = span(64);
        staff(p, PULL, &[ANN, DEE]);
        place(p, PULL, 480, 660);
        unlink(d);
        d.operations[op(TRIM)].equipment.clear();
        place(p, TRIM, 530, 580);
    }),
    ("with a fact", &[Rule::TechnicianDoubleBooked; 2], |_, p| staff(p, PULL, &[CLEO])),
    ("two facts at once", &[], |d, p| {
        let technicians = vec![TechnicianId::from_index(CLEO)];
        d.operations[op(SCAN)].commitment = Commitment::Started { start: at(420), end: at(481), technicians };
        d.bays[BayId::from_index(BODY_2)].classes = vec![d.bay_classes.keys().next().unwrap()];
        d.visits[VisitId::from_index(V_SCAN)].bay = BayChoice::Entered(BayId::from_index(BODY_2));
        place(p, SCAN, 420, 481);
        staff(p, SCAN, &[CLEO]);
        house(p, V_SCAN, Some(BODY_2));
    }),
    ("two cars in one bay in fact", &[], |d, p| {
        // The other one is left out, for it could only go on at the cost of this one.
        let technicians = vec![TechnicianId::from_index(ANN)];
        d.operations[op(SCAN)].commitment = Commitment::Started { start: at(300), end: at(481), technicians };
        d.visits[VisitId::from_index(V_SCAN)].bay = BayChoice::Entered(BayId::from_index(RACK));
        house(p, V_SCAN, Some(RACK));
        place(p, SCAN, 300, 481);
        p.operations[op(MEASURE)] = None;
        place(p, PULL, 485, 815);
        place(p, CURE, 815, 855);
        place(p, COAT, 875, 925);
        place(p, PRIME, 955, 1005);
        place(p, GLASS, 815, 875);
        place(p, TRIM, 875, 925);
        place(p, READY, 925, 925);
    }),
    ("too many welders", &[Rule::EquipmentOverCapacity], |d, _| {
        let welder = d.operations[op(PULL)].equipment[0];
        d.operations[op(COAT)].equipment.push(welder);
    }),
    ("a pull during another's pause", &[Rule::EquipmentOverCapacity], |d, p| {
        unlink(d);
        staff(p, TRIM, &[DEE]);
        d.operations[op(TRIM)].work = span(20);
        place(p, TRIM, 720, 745); // Ann's lunch
    }),
    ("a piece out of service", &[Rule::EquipmentOverCapacity], |d, _| {
        d.equipment[EquipmentId::from_index(TOWER)].outages[0].units = 2;
    }),
    ("a piece that a fact holds", &[Rule::EquipmentOverCapacity], |d, _| {
        d.operations[op(PULL)].equipment.push((EquipmentId::from_index(TOWER), 2));
    }),
    ("pieces that only facts hold", &[], |d, _| d.operations[op(TEARDOWN)].equipment[0].1 = 7),

    ("too early", &[Rule::MinWait], |_, p| place(p, COAT, 865, 915)),
    ("too late", &[Rule::MaxWait], |d, _| {
        d.links[0].min_wait = span(-20);
        d.links[0].max_wait = Some(span(-5));
    }),
    ("too late after a fact", &[Rule::MaxWait], |_, p| place(p, MEASURE, 635, 695)),
    ("a fact too early", &[], |d, _| {
        d.links.pop();
        d.links.push(Link { from: op(MEASURE), to: op(TEARDOWN), min_wait: Span::ZERO, max_wait: None });
    }),
    ("another person", &[Rule::SamePerson], |_, p| {
        staff(p, TRIM, &[DEE]);
        place(p, TRIM, 870, 935);
        place(p, READY, 935, 935);
    }),
    ("another person, preferred", &[], |d, p| {
        d.operations[op(TRIM)].same_person =
            Some(SamePerson { operation: op(GLASS), rule: SamePersonRule::Preferred(50) });
        staff(p, TRIM, &[DEE]);
        place(p, TRIM, 870, 935);
        place(p, READY, 935, 935);
    }),
    ("another person after a fact", &[Rule::SamePerson], |d, p| {
        d.operations[op(MEASURE)].same_person =
            Some(SamePerson { operation: op(TEARDOWN), rule: SamePersonRule::Required });
        staff(p, MEASURE, &[DEE]);
        place(p, MEASURE, 600, 675);
    }),

    ("no bay", &[Rule::MissingBay], |_, p| house(p, V_PULL, None)),
    ("a bay for a car left out", &[Rule::UnwantedBay], |_, p| house(p, V_ABSENT, Some(BODY_1))),
    ("a bay for a car taken out", &[Rule::UnwantedBay], |_, p| p.operations[op(PRIME)] = None),
    ("a bay of another class", &[Rule::BayClass], |_, p| house(p, V_PULL, Some(BOOTH))),
    ("a bay of a second class", &[], |_, p| house(p, V_GLASS, Some(RACK))),
    ("a closed bay", &[Rule::BayClosed], |_, p| {
        house(p, V_PULL, Some(BODY_2));
        house(p, V_GLASS, Some(BODY_1));
    }),
    ("a bay taken", &[Rule::BayDoubleBooked], |_, p| house(p, V_GLASS, Some(BODY_1))),
    ("a bay taken by a fact", &[Rule::BayDoubleBooked], |d, p| {
        let always = d.bays[BayId::from_index(BODY_1)].calendar;
        d.bays[BayId::from_index(RACK)].calendar = always;
        house(p, V_PULL, Some(RACK));
    }),
    ("a bay held while nothing is done", &[Rule::BayDoubleBooked], |d, p| {
        // The car that is torn down stays until it is measured, in the evening.
        unlink(d);
        place(p, MEASURE, 940, 1000);
        staff(p, MEASURE, &[DEE]);
        d.operations[op(MEASURE)].work = span(48);
        house(p, V_GLASS, Some(RACK));
    }),
    ("a bay that a car left out has left", &[], |_, p| house(p, V_SCAN, Some(BODY_1))),
    ("a short changeover", &[Rule::Changeover], |_, p| place(p, PRIME, 945, 995)),
    ("a changeover the other way round only", &[], |d, p| {
        let Changeover { from, to, span } = d.changeovers[0];
        d.changeovers[0] = Changeover { from: to, to: from, span };
        place(p, PRIME, 925, 975);
    }),
    ("two places", &[Rule::CarInTwoBays], |d, p| { d.links[1].min_wait = span(-100); place(p, COAT, 845, 895); }),
    ("two places for loose parts", &[], |d, p| {
        d.links[1].min_wait = span(-100);
        d.visits[VisitId::from_index(V_COAT)].on_vehicle = false;
        place(p, COAT, 845, 895);
    }),
    ("four things at once", &[Rule::StartsBeforeReady, Rule::OffGrid, Rule::MinWait, Rule::CarInTwoBays], |_, p| {
        place(p, COAT, 839, 889);
    }),
];

#[test]
fn each_change_breaks_its_rules_and_no_others() {
    let mut wrong = Vec::new();
    for (name, expected, change) in CHANGES {
        let (mut data, mut plan) = shop();
        change(&mut data, &mut plan);
        let problem = Problem::new(data).unwrap_or_else(|faults| panic!("{name}: {faults:?}"));
        let found = check(&problem, &plan);
        let mut rules: Vec<Rule> = found.iter().map(|violation| violation.rule).collect();
        rules.sort_unstable();
        if rules != *expected {
            wrong.push(format!("{name}: expected {expected:?}, found {found:#?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_rule_is_broken_by_some_change() {
    for rule in Rule::ALL {
        assert!(CHANGES.iter().any(|(_, expected, _)| expected.contains(rule)), "{rule:?} is never broken");
    }
}

#[test]
fn messages_name_the_thing_the_time_and_the_amount() {
    let says = |change: Change, expected: &str| {
        let (mut data, mut plan) = shop();
        change(&mut data, &mut plan);
        let found = check(&Problem::new(data).unwrap(), &plan);
        assert_eq!(found.iter().map(|violation| violation.message.as_str()).collect::<Vec<_>>(), [expected]);
    };
    says(
        |_, p| place(p, COAT, 865, 915),
        "operation \"1001/coat\" starts at minute 865, 15 minutes after the end of operation \"1001/cure\" at minute \
         850, and may not before 20 minutes",
    );
    says(
        |_, p| house(p, V_GLASS, Some(BODY_1)),
        "bay \"body-1\" holds visit \"1001/v0\" from minute 480 to minute 850 and visit \"1002/v2\" from minute 810 to \
         minute 870",
    );
    says(
        |_, p| place(p, COAT, 1000, 1050),
        "operation \"1001/coat\", from minute 1000 to minute 1050, is not inside one stretch of the regular working time \
         of technician \"Cleo\": 30 minutes outside",
    );
    says(
        |_, p| place(p, PRIME, 945, 995),
        "bay \"booth\" stands empty for 25 minutes between visit \"1001/v1\", until minute 920, and visit \"1003/v3\", \
         and needs 30 for the changeover",
    );
}

#[test]
fn times_are_shown_as_the_caller_likes() {
    let (data, mut plan) = shop();
    place(&mut plan, READY, 921, 921);
    let clock = |time: Time| format!("{}:{:02}", time.minutes() / 60, time.minutes() % 60);
    let found = check_with(&Problem::new(data).unwrap(), &plan, &clock);
    assert_eq!(found[0].message, "operation \"1002/ready\" starts at 15:21, off the grid of 5 minutes");
}

#[test]
fn what_has_started_alone_is_a_good_plan() {
    let problem = Problem::new(shop().0).unwrap();
    assert_eq!(check(&problem, &Plan::nothing_new(&problem)), []);
}

/// By hand: see the figures beside each part.
#[test]
fn the_price_of_the_plan_is_as_by_hand() {
    let (mut data, plan) = shop();
    data.overtime_weight = 7;
    data.left_out_price = 100_000;
    data.days = vec![at(0), at(1440)];
    data.outside = Some(Outside { limit: 3, weight: 11 });
    let car = |index| CarId::from_index(index);
    data.cars[car(0)].promise = Some(at(900));
    data.cars[car(0)].late_weight = 3;
    data.cars[car(1)].promise = Some(at(2000));
    data.cars[car(1)].late_weight = 3;
    let published = |start, people: &[usize]| {
        let technicians = people.iter().map(|&index| TechnicianId::from_index(index)).collect();
        Some(Published { start: at(start), technicians, person_price: 13, day_price: 17 })
    };
    data.operations[op(GLASS)].published = published(2000, &[ANN, CLEO, DEE]); // two people gone, another day
    data.operations[op(COAT)].published = published(10, &[CLEO]); // unchanged
    data.visits[VisitId::from_index(V_GLASS)].published =
        Some(PublishedBay { bay: BayId::from_index(BODY_1), price: 19 });
    data.operations[op(TRIM)].same_person =
        Some(SamePerson { operation: op(GLASS), rule: SamePersonRule::Preferred(23) });
    let problem = Problem::new(data).unwrap();
    let price = cost::price(&problem, &plan);
    assert_eq!(price.lateness, 3 * 20); // 920 against 900
    assert_eq!(price.flow, 920 + 920 + 1000 + 660 + 2880 + 980 + 2880);
    assert_eq!(price.overtime, 7 * 80); // the door, all of it after Bo's 900
    assert_eq!(price.change, 2 * 13 + 17 + 19);
    assert_eq!(price.same_person, 0);
    assert_eq!(price.left_out, 2 * 100_000);
    assert_eq!(price, naive::price(&problem, &plan));
    assert_eq!(price.total(), cost::cost(&problem, &plan));
}
