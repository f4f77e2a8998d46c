//! A shop of seven cars that uses every feature, a plan for it, and ways to change the two.

use fitup_model::keyed::{BayId, Key, OperationId, TechnicianId, VisitId};
use fitup_model::problem::{BayChoice, Changeover, Commitment, Outage, Ready, ReadyReason, SamePerson, SamePersonRule};
use fitup_model::{Assignment, Plan, ProblemData};
use fitup_tests::draft::{Draft, at, span, window};

// The people and bays of the shop, and the operations and visits of its cars, in the order of their keys.
pub const ANN: usize = 0;
pub const BO: usize = 1;
pub const CLEO: usize = 2;
pub const DEE: usize = 3;
pub const BODY_1: usize = 0;
pub const BODY_2: usize = 1;
pub const RACK: usize = 2;
pub const BOOTH: usize = 3;
pub const TOWER: usize = 1;
pub const PULL: usize = 0;
pub const CURE: usize = 1;
pub const COAT: usize = 2;
pub const GLASS: usize = 3;
pub const TRIM: usize = 4;
pub const READY: usize = 5;
pub const PRIME: usize = 6;
pub const TEARDOWN: usize = 7;
pub const MEASURE: usize = 8;
pub const SCAN: usize = 9;
pub const WAITING: usize = 10;
pub const DOOR: usize = 11;
pub const V_PULL: usize = 0;
pub const V_COAT: usize = 1;
pub const V_GLASS: usize = 2;
pub const V_PRIME: usize = 3;
pub const V_TEARDOWN: usize = 4;
pub const V_SCAN: usize = 5;
pub const V_DOOR: usize = 6;
pub const V_ABSENT: usize = 7;

/// Returns a shop of seven cars that uses every feature, and a plan for it.
///
/// Two days, with lunch: Ann and Cleo work 8:00–17:00, Bo 10:00–15:00 with overtime until 18:00, Dee always.
pub fn shop() -> (ProblemData, Plan) {
    let mut draft = Draft::new(5, 2880);
    let day = draft.calendar(&[(480, 720), (750, 1020), (1920, 2160), (2190, 2460)]);
    let late = draft.calendar(&[(600, 900), (2040, 2400)]);
    let late_overtime = draft.calendar(&[(600, 1080), (2040, 2400)]);
    let always = draft.always();
    let split = draft.calendar(&[(0, 700), (800, 2880)]);
    let [body, glass, refinish] = ["body", "glass", "refinish"].map(|name| draft.skill(name));
    let [body_class, rack_class, booth_class] = ["body", "rack", "booth"].map(|name| draft.class(name));
    draft.bay("body-1", &[body_class], always);
    draft.bay("body-2", &[body_class], split);
    draft.bay("rack-1", &[rack_class, body_class], late);
    draft.bay("booth", &[booth_class], always);
    let welder = draft.equipment("welder", 1);
    let tower = draft.equipment("tower", 2);
    draft.data.equipment[tower].outages.push(Outage { window: window(900, 1000), units: 1 });
    draft.technician("Ann", day, &[(body, 1000), (glass, 1000)]);
    let bo = draft.technician("Bo", late, &[(body, 800), (glass, 1150)]);
    draft.data.technicians[bo].with_overtime = Some(late_overtime);
    draft.technician("Cleo", day, &[(refinish, 1100), (body, 1000)]);
    draft.technician("Dee", always, &[(body, 800)]);
    let solvent = draft.data.families.push("solvent".to_string());
    let water = draft.data.families.push("water".to_string());
    draft.data.changeovers.push(Changeover { from: solvent, to: water, span: span(30) });
    draft.data.now = at(480);

    // Pull and cure on a body bay, then a coat in the booth.
    let car = draft.car("1001");
    let visit = draft.visit(car, body_class);
    let pull = draft.operation(car, "pull", 300, &[body]);
    draft.data.operations[pull].interruptible = true;
    draft.data.operations[pull].equipment.push((welder, 1));
    draft.data.operations[pull].ready.push(Ready { time: at(480), reason: ReadyReason::Arrival });
    let cure = draft.operation(car, "cure", 38, &[]);
    let booth = draft.visit(car, booth_class);
    let coat = draft.operation(car, "coat", 55, &[refinish]);
    draft.data.operations[coat].ready.push(Ready { time: at(840), reason: ReadyReason::Part("door shell".into()) });
    for (operation, visit) in [(pull, visit), (cure, visit), (coat, booth)] {
        draft.data.operations[operation].visit = Some(visit);
    }
    draft.data.visits[booth].family = Some(solvent);
    draft.link(pull, cure, 0, Some(10));
    draft.link(cure, coat, 20, None);

    // Glass set by two, then trim by one of them, then a milestone.
    let car = draft.car("1002");
    let visit = draft.visit(car, body_class);
    let set = draft.operation(car, "glass", 60, &[glass, glass]);
    draft.data.operations[set].visit = Some(visit);
    let trim = draft.operation(car, "trim", 50, &[body]);
    draft.data.operations[trim].interruptible = true;
    draft.data.operations[trim].equipment.push((welder, 1));
    draft.data.operations[trim].same_person = Some(SamePerson { operation: set, rule: SamePersonRule::Required });
    let ready = draft.operation(car, "ready", 0, &[]);
    draft.link(set, trim, 0, None);
    draft.link(trim, ready, 0, None);

    // Loose parts in the booth, of the other family.
    let car = draft.car("1003");
    let visit = draft.visit(car, booth_class);
    draft.data.visits[visit].family = Some(water);
    draft.data.visits[visit].on_vehicle = false;
    let prime = draft.operation(car, "prime", 55, &[refinish]);
    draft.data.operations[prime].visit = Some(visit);
    draft.data.operations[prime].equipment.push((tower, 1));

    // Running: it stands in a bay of the wrong class, which opened only after it was driven in.
    let car = draft.car("1004");
    let visit = draft.visit(car, booth_class);
    draft.data.visits[visit].bay = BayChoice::Entered(BayId::from_index(RACK));
    let teardown = draft.operation(car, "teardown", 1, &[refinish, glass]);
    draft.data.operations[teardown].commitment =
        Commitment::Started { start: at(401), end: at(600), technicians: vec![TechnicianId::from_index(CLEO)] };
    draft.data.operations[teardown].equipment.push((tower, 1));
    draft.not_before(teardown, 700);
    let measure = draft.operation(car, "measure", 60, &[body]);
    draft.data.operations[teardown].visit = Some(visit);
    draft.data.operations[measure].visit = Some(visit);
    draft.link(teardown, measure, 0, Some(30));

    // Left out: one operation is over, the next has to wait.
    let car = draft.car("1005");
    let visit = draft.visit(car, body_class);
    draft.data.visits[visit].bay = BayChoice::Entered(BayId::from_index(BODY_1));
    let scan = draft.operation(car, "scan", 30, &[body]);
    draft.data.operations[scan].visit = Some(visit);
    draft.data.operations[scan].commitment =
        Commitment::Started { start: at(300), end: at(480), technicians: vec![TechnicianId::from_index(ANN)] };
    draft.operation(car, "waiting", 30, &[body]);

    // Pinned to a person in overtime, a start and a bay.
    let car = draft.car("1006");
    let visit = draft.visit(car, body_class);
    draft.data.visits[visit].bay = BayChoice::Pinned(BayId::from_index(BODY_2));
    let door = draft.operation(car, "door", 64, &[body]);
    draft.data.operations[door].visit = Some(visit);
    draft.data.operations[door].commitment = Commitment::Pinned { technicians: Some(vec![bo]), start: Some(at(900)) };

    // Left out altogether.
    let car = draft.car("1007");
    let visit = draft.visit(car, body_class);
    let absent = draft.operation(car, "absent", 30, &[body]);
    draft.data.operations[absent].visit = Some(visit);

    let none = || None::<Assignment>;
    let mut plan = Plan {
        operations: vec![none(); draft.data.operations.len()].into(),
        bays: vec![None; draft.data.visits.len()].into(),
    };
    for (operation, start, end, people) in [
        (PULL, 480, 810, vec![ANN]), // 240 before lunch, 60 after
        (CURE, 810, 850, vec![]),
        (COAT, 870, 920, vec![CLEO]),
        (GLASS, 810, 870, vec![ANN, BO]),
        (TRIM, 870, 920, vec![ANN]),
        (READY, 920, 920, vec![]),
        (PRIME, 950, 1000, vec![CLEO]),
        (TEARDOWN, 401, 600, vec![CLEO]),
        (MEASURE, 600, 660, vec![CLEO]),
        (SCAN, 300, 480, vec![ANN]),
        (DOOR, 900, 980, vec![BO]),
    ] {
        place(&mut plan, operation, start, end);
        staff(&mut plan, operation, &people);
    }
    assigned(&mut plan, DOOR).overtime = true;
    for (visit, bay) in [
        (V_PULL, BODY_1),
        (V_COAT, BOOTH),
        (V_GLASS, BODY_2),
        (V_PRIME, BOOTH),
        (V_TEARDOWN, RACK),
        (V_SCAN, BODY_1),
        (V_DOOR, BODY_2),
    ] {
        house(&mut plan, visit, Some(bay));
    }
    (draft.data, plan)
}

/// Returns the key of an operation.
pub fn op(index: usize) -> OperationId {
    OperationId::from_index(index)
}

/// Returns when and by whom an operation is done.
pub fn assigned(plan: &mut Plan, operation: usize) -> &mut Assignment {
    plan.operations[op(operation)].as_mut().expect("the plan has this operation")
}

/// Puts an operation at a time, in minutes, by whom it was done before.
pub fn place(plan: &mut Plan, operation: usize, start: i64, end: i64) {
    let (technicians, overtime) = plan.operations[op(operation)]
        .as_ref()
        .map_or((Vec::new(), false), |assignment| (assignment.technicians.clone(), assignment.overtime));
    plan.operations[op(operation)] = Some(Assignment { start: at(start), end: at(end), technicians, overtime });
}

/// Gives an operation to people.
pub fn staff(plan: &mut Plan, operation: usize, people: &[usize]) {
    assigned(plan, operation).technicians = people.iter().map(|&index| TechnicianId::from_index(index)).collect();
}

/// Puts a visit into a bay, or into none.
pub fn house(plan: &mut Plan, visit: usize, bay: Option<usize>) {
    plan.bays[VisitId::from_index(visit)] = bay.map(BayId::from_index);
}

/// Lets everything be done in any order.
pub fn unlink(data: &mut ProblemData) {
    data.links.clear();
    data.operations[op(TRIM)].same_person = None;
}
