//! Each hard rule of safety, broken on purpose; and what asks for caution.

mod support;

use fitup_intake::safety::{Case, check, check_change, of_hazards};
use fitup_intake::{Built, RuleBook, build};
use fitup_model::order::Hazard;
use fitup_model::take_in::{Conditions, EstimateLine, PartCondition, TakeInFacts};
use support::{head, line, take_in, with_part};

/// A front door with paint, glass, structure, refrigerant and a sensor: every rule has something to look at.
fn everything() -> TakeInFacts {
    let lines: Vec<EstimateLine> = vec![
        with_part(line("1", "front-door-left", "replace", 120), "1", PartCondition::New),
        line("2", "front-door-left", "refinish", 150),
        with_part(line("3", "windshield", "replace", 120), "3", PartCondition::New),
        with_part(line("4", "rail-left", "section", 300), "4", PartCondition::New),
        line("5", "rail-left", "pull", 120),
        line("6", "condenser", "replace", 60),
        line("7", "driver-airbag", "replace", 60),
        line("8", "strut-left", "replace", 60),
    ];
    TakeInFacts { features: vec!["high-voltage".into(), "front-camera".into()], ..take_in(lines) }
}

fn built(facts: &TakeInFacts) -> Built {
    build(&RuleBook::built_in(), facts, head()).expect("the lines are right")
}

/// Breaks the order and returns what is refused: the first words of each.
fn refused(break_it: impl Fn(&mut Built)) -> Vec<String> {
    let (book, facts) = (RuleBook::built_in(), everything());
    let mut built = built(&facts);
    assert!(check(&Case { book: &book, take_in: &facts, built: &built }).is_ok(), "it is right before");
    break_it(&mut built);
    let faults = check(&Case { book: &book, take_in: &facts, built: &built }).err().unwrap_or_default();
    faults.into_iter().map(|fault| fault.message).collect()
}

fn expect(messages: &[String], expected: &[&str]) {
    assert_eq!(messages.len(), expected.len(), "{messages:#?}");
    for part in expected {
        assert!(messages.iter().any(|message| message.contains(part)), "{part:?} is not in {messages:#?}");
    }
}

fn set_crew(built: &mut Built, id: &str, crew: &[&str]) {
    for operation in built.facts.operations.iter_mut().filter(|operation| operation.id == id) {
        operation.crew = crew.iter().map(|skill| (*skill).to_owned()).collect();
    }
}

fn set_work(built: &mut Built, id: &str, minutes: u32) {
    for operation in built.facts.operations.iter_mut().filter(|operation| operation.id == id) {
        operation.work_minutes = minutes;
    }
}

fn unlink_before(built: &mut Built, id: &str) {
    built.facts.links.retain(|link| link.to != id);
}

#[test]
fn spray_only_in_a_booth_by_the_qualified() {
    expect(&refused(|built| set_crew(built, "base", &["body"])), &["\"base\" is sprayed by body"]);
    let elsewhere = refused(|built| {
        built
            .facts
            .visits
            .iter_mut()
            .filter(|visit| visit.id == "paint")
            .for_each(|visit| visit.bay_class = "body".into());
    });
    expect(&elsewhere, &["\"sealer\" sprays in a bay of class body", "\"base\" sprays", "\"clear\" sprays"]);
    let primer = refused(|built| {
        built
            .facts
            .operations
            .iter_mut()
            .filter(|one| one.id == "edge")
            .for_each(|one| one.visit = Some("prep".into()));
    });
    expect(&primer, &["\"edge\" sprays in a bay of class prep", "nothing clears the booth after \"edge\""]);
}

#[test]
fn refrigerant_only_by_the_certified() {
    expect(&refused(|built| set_crew(built, "charge", &["mechanical"])), &["\"charge\" handles refrigerant"]);
    expect(&refused(|built| set_crew(built, "recover", &["body"])), &["\"recover\" handles refrigerant"]);
    expect(
        &refused(|built| set_crew(built, "recover", &[])),
        &["\"recover\" handles refrigerant and is done by nobody"],
    );
}

#[test]
fn no_car_leaves_before_its_glass_holds() {
    expect(&refused(|built| set_work(built, "drive-away", 60)), &["takes 60 minutes; the adhesive needs 480"]);
    let early = refused(|built| unlink_before(built, "quality"));
    expect(&early, &["\"quality\" may come before the end of \"drive-away\""]);
    let gone = refused(|built| built.facts.operations.retain(|operation| operation.id != "drive-away"));
    expect(&gone, &["nothing holds the car after \"set-glass\""]);
    // With a table the time is that of the day; a shorter one by hand is refused, a longer one is not.
    let mut book = RuleBook::built_in();
    book.adhesives = vec![fitup_intake::book::Adhesive {
        id: "a".into(),
        temperatures: vec![10, 30],
        humidities: vec![50],
        minutes: vec![vec![240, 60]],
        reason: Default::default(),
    }];
    let conditions = Conditions {
        adhesive: Some("a".into()),
        temperature_celsius: Some(20),
        humidity_percent: Some(50),
        surface_celsius: None,
    };
    let facts = TakeInFacts { conditions, ..everything() };
    let mut built = build(&book, &facts, head()).expect("the lines are right");
    assert_eq!(built.facts.operation("drive-away").map(|one| one.work_minutes), Some(150));
    assert!(check(&Case { book: &book, take_in: &facts, built: &built }).is_ok());
    set_work(&mut built, "drive-away", 200);
    assert!(check(&Case { book: &book, take_in: &facts, built: &built }).is_ok());
    set_work(&mut built, "drive-away", 149);
    assert!(check(&Case { book: &book, take_in: &facts, built: &built }).is_err());
}

#[test]
fn high_voltage_is_isolated_before_structural_heat() {
    let late = refused(|built| {
        built.facts.links.retain(|link| link.from != "isolate");
    });
    expect(&late, &["\"rack-cut-rail-left\" heats the structure", "\"rack-weld-rail-left\" heats the structure"]);
    expect(&refused(|built| set_crew(built, "isolate", &["body"])), &["\"isolate\" is done by body"]);
    // A car without one is not asked.
    let (book, facts) = (RuleBook::built_in(), TakeInFacts { features: Vec::new(), ..everything() });
    let built = built(&facts);
    assert!(built.facts.operation("isolate").is_none());
    assert!(check(&Case { book: &book, take_in: &facts, built: &built }).is_ok());
}

#[test]
fn restraints_are_powered_down_first() {
    let live = refused(|built| unlink_before(built, "restraints-out"));
    expect(&live, &["\"restraints-out\" works beside airbags"]);
    expect(&refused(|built| set_work(built, "restraint-wait", 10)), &["takes 10 minutes; the rule book waits 30"]);
}

#[test]
fn nothing_is_aimed_before_the_alignment() {
    let early = refused(|built| unlink_before(built, "aim"));
    expect(
        &early,
        &[
            "\"aim\" may come before the end of \"align\"",
            "\"aim\" may come before the end of \"drive-away\"",
            // The road test comes after the aiming, which held it back.
            "\"quality\" may come before the end of \"drive-away\"",
        ],
    );
}

#[test]
fn the_booth_is_purged() {
    let wet = refused(|built| built.facts.links.retain(|link| link.to != "bake"));
    expect(&wet, &["after \"sealer\"", "after \"base\"", "after \"clear\""]);
}

#[test]
fn cautions_name_their_sources() {
    let conditions = Conditions { temperature_celsius: Some(10), humidity_percent: Some(90), ..Conditions::default() };
    let (book, facts) = (RuleBook::built_in(), TakeInFacts { conditions, ..everything() });
    let built = built(&facts);
    let cautions = check(&Case { book: &book, take_in: &facts, built: &built }).expect("nothing is refused");
    assert!(cautions.iter().all(|caution| !caution.source.is_empty() && !caution.message.is_empty()));
    let rules: Vec<&str> = cautions.iter().map(|caution| caution.rule.as_str()).collect();
    for rule in [
        "glass-table",
        "high-voltage",
        "calibration",
        "tension",
        "air-of-the-day",
        "isocyanate",
        "welding",
        "refrigerant",
    ] {
        assert!(rules.contains(&rule), "{rule} is not in {rules:?}");
    }
    let hazard = built.facts.operations.iter().any(|operation| operation.hazards.contains(&Hazard::Tension));
    assert!(hazard);
}

/// The rule book in use: a used part asks whether it may be fitted, a camera behind glass is aimed again, loose covers are
/// sprayed apart, and what no rule takes is told.
#[test]
fn rules_fit_the_lines_they_are_about() {
    let used = take_in(vec![with_part(line("1", "quarter-panel-left", "replace", 300), "9", PartCondition::Used)]);
    let used = built(&used);
    assert!(used.facts.operation("clean-used").is_some() && used.facts.operation("punch-holes").is_none());
    assert!(
        used.cautions.iter().any(|caution| caution.message.contains("whether a used structural part may be fitted"))
    );
    let new = take_in(vec![with_part(line("1", "quarter-panel-left", "replace", 300), "9", PartCondition::New)]);
    assert!(built(&new).facts.operation("punch-holes").is_some());

    let cover = take_in(vec![line("1", "front-bumper-cover", "refinish", 100)]);
    let cover = built(&cover);
    let spray = cover.facts.operation("loose-spray").expect("is sprayed apart");
    assert_eq!((spray.work_minutes, spray.visit.as_deref()), (55, Some("loose-paint")));
    assert!(cover.facts.visits.iter().any(|visit| visit.id == "loose-paint" && visit.loose_parts));
    assert!(cover.facts.operation("base").is_none());

    let glass = take_in(vec![line("1", "windshield", "replace", 100)]);
    assert!(built(&glass).facts.operation("aim").is_none());
    let glass = TakeInFacts { features: vec!["front-camera".into()], ..glass };
    assert!(built(&glass).facts.operation("aim").is_some());

    let odd = take_in(vec![line("1", "windshield", "pull", 60), line("2", "windshield", "refinish", 60)]);
    let faults = build(&RuleBook::built_in(), &odd, head()).expect_err("nobody refinishes glass");
    let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].starts_with("lines[1].work: no rule of the rule book takes \"refinish\""), "{told:?}");
}

/// A late part holds up its own panel alone.
#[test]
fn a_late_part_holds_up_its_own_panel() {
    let order = built(&everything()).facts;
    let mut after = vec!["check-parts-windshield"];
    let mut seen = Vec::new();
    while let Some(id) = after.pop() {
        seen.push(id);
        after.extend(order.links.iter().filter(|link| link.from == id).map(|link| link.to.as_str()));
    }
    assert!(seen.contains(&"prime-flange") && seen.contains(&"quality"), "{seen:?}");
    assert!(!seen.contains(&"hang-front-door-left") && !seen.contains(&"rack-up"), "{seen:?}");
}

/// An order from a file: a car with everything that its hazards, bays and people tell of.
fn from_a_file() -> fitup_model::OrderFacts {
    use fitup_model::order::{OrderLink, OrderOperation, OrderVisit, Progress};
    let operation = |id: &str, crew: &[&str], visit: Option<&str>, hazards: &[Hazard]| OrderOperation {
        id: id.into(),
        display_name: String::new(),
        work_minutes: 60,
        low_work_minutes: None,
        high_work_minutes: None,
        crew: crew.iter().map(|skill| (*skill).to_owned()).collect(),
        visit: visit.map(str::to_owned),
        equipment: Vec::new(),
        interruptible: false,
        needs: Vec::new(),
        earliest_start_time: None,
        same_person: None,
        pin: None,
        hazards: hazards.to_vec(),
        hold_point: None,
        progress: Progress::Waiting,
    };
    let visit = |id: &str, class: &str| OrderVisit {
        id: id.into(),
        bay_class: class.into(),
        loose_parts: false,
        family: None,
        bay: None,
    };
    let operations = vec![
        operation("isolate", &["high-voltage"], None, &[Hazard::HighVoltage]),
        operation("recover", &["refrigerant"], Some("lift"), &[Hazard::Refrigerant]),
        operation("pack-out", &["mechanical"], Some("lift"), &[Hazard::Refrigerant]),
        operation("weld", &["welding"], Some("body"), &[Hazard::Welding]),
        operation("mix", &["refinish"], None, &[Hazard::Isocyanate]),
        operation("prime", &["refinish"], Some("prep"), &[Hazard::Isocyanate]),
        operation("spray", &["refinish"], Some("paint"), &[Hazard::Isocyanate]),
        operation("bake", &[], Some("paint"), &[]),
        operation("set-glass", &["glass", "body"], Some("fit"), &[Hazard::UncuredGlass]),
        operation("hold-glass", &[], Some("fit"), &[Hazard::UncuredGlass]),
    ];
    let ids: Vec<&str> = operations.iter().map(|one| one.id.as_str()).collect();
    let link = |pair: &[&str]| OrderLink {
        from: pair[0].into(),
        to: pair[1].into(),
        min_wait_minutes: 0,
        max_wait_minutes: None,
    };
    let links = ids.windows(2).map(link).collect();
    let visits = [("lift", "lift"), ("body", "body"), ("prep", "prep"), ("paint", "booth"), ("fit", "body")];
    let visits = visits.map(|(id, class)| visit(id, class)).to_vec();
    fitup_model::OrderFacts { operations, links, visits, ..head() }
}

/// An order that no line made is held to what can be judged from its operations, in the same words.
#[test]
fn orders_from_files_are_held_to_the_same_rules() {
    let (book, nothing) = (RuleBook::built_in(), TakeInFacts::default());
    let told = |break_it: &dyn Fn(&mut Built)| -> Vec<String> {
        let mut built = Built::by_hand(from_a_file());
        break_it(&mut built);
        let faults = check(&Case { book: &book, take_in: &nothing, built: &built }).err().unwrap_or_default();
        faults.into_iter().map(|fault| format!("{}: {}", fault.path, fault.message)).collect()
    };
    expect(&told(&|_| ()), &[]);
    let crew = |id: &'static str, crew: &'static [&'static str]| move |built: &mut Built| set_crew(built, id, crew);
    let class = |id: &'static str, class: &'static str| {
        move |built: &mut Built| {
            built.facts.visits.iter_mut().filter(|visit| visit.id == id).for_each(|v| v.bay_class = class.into());
        }
    };
    expect(
        &told(&crew("spray", &["body"])),
        &[
            "operations[6].crew: \"spray\" is sprayed by body; everybody who sprays has one of the rule book's `spray_skills`: refinish (40 CFR 63.11173(e)",
        ],
    );
    expect(
        &told(&class("paint", "body")),
        &["operations[6].visit: \"spray\" sprays in a bay of class body; it is done in prep or booth only"],
    );
    expect(&told(&class("prep", "lift")), &["operations[5].visit: \"prime\" sprays in a bay of class lift"]);
    expect(
        &told(&crew("recover", &["body"])),
        &["operations[1].crew: \"recover\" handles refrigerant and is done by body"],
    );
    expect(&told(&crew("isolate", &["body"])), &["operations[0].crew: \"isolate\" is done by body"]);
    expect(
        &told(&|built| unlink_before(built, "weld")),
        &["operations[3].id: \"weld\" heats the structure of a high-voltage car before it is isolated"],
    );
    expect(
        &told(&|built| {
            built.facts.operations.pop();
            built.facts.links.pop();
        }),
        &["operations[8].id: nothing holds the car after \"set-glass\""],
    );
}

/// What was wrong before may be mended bit by bit; what becomes wrong is refused.
#[test]
fn a_change_is_refused_for_what_it_breaks() {
    let (book, nothing) = (RuleBook::built_in(), TakeInFacts::default());
    let mut before = Built::by_hand(from_a_file());
    set_crew(&mut before, "spray", &["body"]);
    let allowed = |before: Option<&Built>, after: &Built| {
        let case = |built| Case { book: &book, take_in: &nothing, built };
        check_change(before.map(case).as_ref(), &case(after))
    };
    let mut after = before.clone();
    after.facts.operations[0].work_minutes = 90;
    assert_eq!(allowed(Some(&before), &after), Ok(()));
    set_crew(&mut after, "recover", &["body"]);
    let faults = allowed(Some(&before), &after).expect_err("is refused");
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert_eq!(faults[0].path, "operations[1].crew");
    assert_eq!(allowed(None, &after).expect_err("is refused").len(), 2);
}

/// Each hazard has its words, wherever work with it is listed.
#[test]
fn every_hazard_is_told_with_its_source() {
    let all: Vec<Hazard> = fitup_intake::book::HAZARDS.iter().map(|(_, hazard)| *hazard).collect();
    let said = of_hazards(&all);
    assert_eq!(said.len(), all.len());
    assert!(said.iter().all(|(_, caution)| !caution.message.is_empty() && !caution.source.is_empty()));
}
