//! Bounds held against proofs in exact arithmetic and against exhaustive search, and prices against what an hour saves.

use fitup_model::keyed::{BayClassId, Key, TechnicianId};
use fitup_model::problem::{Bay, Objective, Outage, Technician};
use fitup_model::{Calendar, Cost, Plan, Problem, ProblemData, Window, check};
use fitup_planner::bound::certificate::{Certificate, Held};
use fitup_planner::bound::{Bounder, Scarce};
use fitup_planner::compile::Compiled;
use fitup_planner::exact::bays::Bays;
use fitup_planner::exact::{Answer, Exact};
use fitup_planner::milp::{Limit, Program};
use fitup_planner::{Never, Outcome, Switches};
use fitup_tests::draft::{Draft, at, span, window};
use fitup_tests::duality::{proven, worth};
use fitup_tests::exhaustive;
use fitup_tests::planning::planned;
use fitup_tests::shops::{self, TINY};
use proptest::strategy::{Strategy, ValueTree};
use proptest::test_runner::TestRunner;

/// Decisions of the exhaustive search, and timetables of the checker of certificates.
const LIMIT: u64 = 200_000;

/// Returns tiny shops, always the same ones, in which prices count.
fn shops_of_prices(count: usize, change: impl Fn(&mut ProblemData)) -> Vec<Problem> {
    let mut runner = TestRunner::new(shops::cases(1));
    let mut found = Vec::new();
    while found.len() < count {
        let mut data = shops::shops(TINY).new_tree(&mut runner).expect("no filters").current().into_data();
        data.objective = Objective::Price;
        data.outside = None;
        change(&mut data);
        // What has happened may break rules by itself: then there is no plan.
        let problem = Problem::new(data);
        found.extend(problem.into_iter().filter(|problem| check(problem, &Plan::nothing_new(problem)).is_empty()));
    }
    found
}

/// Returns tiny shops in which three cars want the same people, bays and pieces at once.
fn contended_shops(count: u64) -> Vec<Problem> {
    let shop = |seed: u64| {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        let mut below = |count: i64| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 20) as i64 % count
        };
        let mut draft = Draft::new(30, 30 * (7 + below(3)));
        let always = draft.always();
        let shift = draft.calendar(&[(0, 120), (150, draft.data.horizon.minutes())]);
        let (paint, booth) = (draft.skill("paint"), draft.class("booth"));
        for name in ["ann", "ben"].into_iter().take(1 + below(3) as usize / 2) {
            draft.technician(name, if below(2) == 0 { always } else { shift }, &[(paint, 1000)]);
        }
        for name in ["booth-1", "booth-2"].into_iter().take(1 + below(3) as usize / 2) {
            draft.bay(name, &[booth], if below(3) == 0 { shift } else { always });
        }
        let lift = draft.equipment("lift", 1);
        for name in ["a", "b", "c"] {
            let car = draft.car(name);
            let data = &mut draft.data.cars[car];
            (data.flow_weight, data.late_weight) = (1 + below(4), below(8));
            data.promise = Some(at(30 * below(5)));
            let mut before = None;
            for step in 0..1 + below(2) {
                let crew = if below(4) == 0 { vec![] } else { vec![paint] };
                let id = draft.operation(car, &step.to_string(), 30 * (1 + below(2)), &crew);
                if below(3) > 0 {
                    draft.data.operations[id].visit = Some(draft.visit(car, booth));
                }
                if below(3) == 0 {
                    draft.data.operations[id].equipment.push((lift, 1));
                }
                if let Some(before) = before.replace(id) {
                    draft.link(before, id, 0, None);
                }
            }
        }
        draft.problem()
    };
    (0..count).map(shop).collect()
}

/// Returns the certificate of a bound and the bound.
fn certified(problem: &Problem, looks: u32) -> Option<(Certificate, Cost)> {
    let compiled = Compiled::new(problem);
    let mut bounder = Bounder::new(&compiled, Switches::default());
    bounder.advance(None, looks, &Never);
    Some((bounder.certificate(&Never)?, bounder.bound()))
}

/// Goal: the bound is what its multipliers prove. Method: the least price of each car at these prices by enumeration, all
/// sums in exact arithmetic, capacities counted anew.
#[test]
fn certificates_prove_what_they_say() {
    let (mut checked, mut same, mut priced) = (0, 0, 0);
    for problem in [shops_of_prices(120, |_| ()), contended_shops(60)].concat() {
        let Some((certificate, bound)) = certified(&problem, 80) else { continue };
        assert!(certificate.bound <= bound);
        let Some(value) = proven(&problem, &certificate, LIMIT) else { continue };
        assert!(
            value >= certificate.value,
            "{value} proven, {} said: {certificate:?} of {problem:?}",
            certificate.value
        );
        if let Some(best) = exhaustive::optimum(&problem, LIMIT) {
            assert!(certificate.bound <= best.cost && bound <= best.cost);
            assert!(value <= i128::from(best.cost) * i128::from(certificate.scale), "the checker is wrong");
        }
        checked += 1;
        same += u32::from(certificate.bound == bound);
        priced += u32::from(!certificate.prices.is_empty());
    }
    assert!(
        checked >= 100 && same * 10 >= checked * 9 && priced * 3 >= checked,
        "{checked} checked, {same} with the bound itself, {priced} with prices"
    );
}

/// Goal: neither the exact search nor the integer program, whose bound is a float rounded up, refutes an optimum. Method:
/// exhaustive search of tiny shops; one price above the optimum there is a plan, below it there is none.
#[test]
fn exact_search_and_program_bound_no_optimum_away() {
    let (mut searches, mut programs, mut proofs) = (0, 0, 0);
    for problem in shops_of_prices(250, |_| ()) {
        let Some(best) = exhaustive::optimum(&problem, LIMIT) else { continue };
        let compiled = Compiled::new(&problem);
        let mut bounder = Bounder::new(&compiled, Switches::default());
        let (lattice, target) = (bounder.lattice(), best.cost + bounder.lattice().step);
        assert_eq!(lattice.ceil(best.cost), best.cost, "prices lie on the lattice");
        bounder.advance(Some(target), 40, &Never);
        assert!(bounder.bound() <= best.cost);
        let Some(remaining) = bounder.remaining(&Never) else { continue };
        if let Some(bound) = Program::new(&compiled, &remaining, lattice).solve(Limit::Nodes(50)).and_then(|a| a.bound)
        {
            assert!(bound <= best.cost, "the program says {bound}, {} is the optimum of {problem:?}", best.cost);
            programs += 1;
        }
        if let Some(mut exact) = Exact::new(&compiled, target, lattice, Some(&remaining), Bays::Counted) {
            assert_ne!(exact.run(5_000, &Never), Answer::Proven, "refuted the optimum of {problem:?}");
            exact.lower(best.cost);
            searches += 1;
            proofs += u32::from(exact.run(5_000, &Never) == Answer::Proven);
        }
    }
    assert!(
        programs >= 30 && searches >= 30 && proofs >= 15,
        "{programs} programs, {searches} searches, {proofs} proofs"
    );
}

/// Asserts `0 <= z - z' <= (z - L) + p` for the price `p` of what `after` has more; returns the gain and `p`.
fn gain(before: &Problem, after: ProblemData, certificate: &Certificate, price: i128) -> Option<(Cost, i128)> {
    let after = Problem::new(after).expect("still a problem");
    let (z, less) = (exhaustive::optimum(before, LIMIT)?.cost, exhaustive::optimum(&after, LIMIT)?.cost);
    let scale = i128::from(certificate.scale);
    assert!(less <= z, "more room costs more: {less} after {z}");
    let most = i128::from(z) * scale - certificate.value + price;
    assert!(i128::from(z - less) * scale <= most, "{} gained, at most {most} / {scale}: {before:?}", z - less);
    Some((z - less, price))
}

/// Returns a stretch of up to `length` minutes, on the grid, in which `calendar` is open.
fn stretch(problem: &Problem, calendar: &Calendar, length: i64, skip: usize) -> Option<Window> {
    let grid = problem.grid;
    let windows: Vec<Window> = calendar
        .windows()
        .iter()
        .filter_map(|w| {
            let start = w.start().max(problem.now).ceil_to(grid);
            Window::new(start, w.end().min(problem.horizon).min(start + span(length)))
        })
        .filter(|w| w.span().minutes() > 0)
        .collect();
    windows.get(skip % windows.len().max(1)).copied()
}

/// Goal: an hour more saves no more than its price and the gap allow, and never costs anything. Method: the hour is added
/// to tiny shops, which are solved again by trying everything.
#[test]
fn an_hour_more_of_bay_or_equipment_saves_what_its_price_allows() {
    let (mut tried, mut gained, mut priced) = (0, 0, 0);
    for (number, problem) in [shops_of_prices(60, |_| ()), contended_shops(90)].concat().into_iter().enumerate() {
        let Some((certificate, _)) = certified(&problem, 120) else { continue };
        let class = BayClassId::from_index(number % problem.bay_classes.len());
        let own: Vec<_> = problem.bays.keys().filter(|&bay| problem.bay_serves(bay, class)).collect();
        let like = own.first().map(|&bay| &problem.calendars[problem.bays[bay].calendar]);
        if let Some(open) = like.and_then(|calendar| stretch(&problem, calendar, 60, number)) {
            let mut data = problem.clone().into_data();
            let calendar = data.calendars.push(Calendar::new(vec![open]));
            data.bays.push(Bay { name: "one more".into(), classes: vec![class], calendar });
            let price = worth(
                &certificate,
                open,
                |held| matches!(held, Held::Bays(set) if own.iter().all(|bay| set.contains(bay))),
            );
            if let Some((saved, price)) = gain(&problem, data, &certificate, price) {
                (tried, gained, priced) = (tried + 1, gained + u32::from(saved > 0), priced + u32::from(price > 0));
            }
        }
        let short = |problem: &Problem| {
            let mut needs = problem.operations.values().flat_map(|operation| &operation.equipment);
            needs.any(|(pool, units)| *units > problem.equipment[*pool].capacity)
        };
        if let Some(pool) = problem.equipment.keys().next().filter(|_| !short(&problem)) {
            let mut data = problem.clone().into_data();
            let start = problem.now.ceil_to(problem.grid) + problem.grid;
            let Some(open) = Window::new(start, (start + span(60)).min(problem.horizon)) else { continue };
            data.equipment[pool].capacity += 1;
            for closed in [Window::new(at(-1000), open.start()), Window::new(open.end(), problem.horizon + span(1000))]
            {
                data.equipment[pool].outages.extend(closed.map(|window| Outage { window, units: 1 }));
            }
            let price = worth(&certificate, open, |held| *held == Held::Equipment(pool));
            if let Some((saved, price)) = gain(&problem, data, &certificate, price) {
                (tried, gained, priced) = (tried + 1, gained + u32::from(saved > 0), priced + u32::from(price > 0));
            }
        }
    }
    assert!(tried >= 80 && gained >= 20 && priced >= 20, "{tried} tried, {gained} gained, {priced} priced");
}

/// The same for an hour of somebody like a technician that is there, where nobody works in pairs.
#[test]
fn an_hour_more_of_a_technician_saves_what_its_price_allows() {
    let (mut tried, mut gained, mut priced) = (0, 0, 0);
    let alone = |data: &mut ProblemData| {
        let all: Vec<_> = data.operations.keys().collect();
        all.into_iter().for_each(|id| {
            let operation = &mut data.operations[id];
            operation.crew.truncate(1);
            if let fitup_model::problem::Commitment::Pinned { technicians: Some(people), .. } =
                &mut operation.commitment
            {
                people.truncate(operation.crew.len());
            }
        });
    };
    for (number, problem) in [shops_of_prices(60, alone), contended_shops(90)].concat().into_iter().enumerate() {
        let Some((certificate, _)) = certified(&problem, 120) else { continue };
        let person = TechnicianId::from_index(number % problem.technicians.len());
        let like = &problem.technicians[person];
        let Some(open) = stretch(&problem, &problem.calendars[like.calendar], 60, number) else { continue };
        let mut data = problem.clone().into_data();
        let calendar = data.calendars.push(Calendar::new(vec![open]));
        data.technicians.push(Technician { name: "one more".into(), calendar, with_overtime: None, ..like.clone() });
        let price = worth(&certificate, open, |held| *held == Held::Person(person));
        if let Some((saved, price)) = gain(&problem, data, &certificate, price) {
            (tried, gained, priced) = (tried + 1, gained + u32::from(saved > 0), priced + u32::from(price > 0));
        }
    }
    assert!(tried >= 80 && gained >= 20 && priced >= 20, "{tried} tried, {gained} gained, {priced} priced");
}

/// Jobs of an hour each on one technician, more of them than hours, each at a price of time and a price of leaving it
/// out. Unit jobs are an assignment problem, whose linear program has whole solutions (Lawler (1964), "On scheduling
/// problems with deferral costs", doi:10.1287/mnsc.11.2.280), so the bound is tight; and since some job is always left
/// out the price of an hour is what planning one more then saves, no more and no less.
fn more_jobs_than_hours() -> Draft {
    let mut draft = Draft::new(60, 240);
    let always = draft.always();
    let skill = draft.skill("glass");
    draft.technician("ann", always, &[(skill, 1000)]);
    draft.data.left_out_price = 10_000;
    for number in 0..7 {
        let car = draft.car(&number.to_string());
        draft.data.cars[car].flow_weight = 10;
        draft.operation(car, "job", 60, &[skill]);
    }
    draft
}

#[test]
fn the_price_of_an_hour_is_exact_where_the_linear_program_is() {
    let draft = more_jobs_than_hours();
    let problem = draft.problem();
    // Four of seven are done, at 60, 120, 180 and 240 minutes of 10 each; three are left out at 10,000 and 240 minutes.
    let least = 10 * (60 + 120 + 180 + 240) + 3 * (10_000 + 2400);
    assert_eq!(optimum(&problem), least);
    let (certificate, bound) = certified(&problem, 3_000).expect("prices count");
    assert_eq!(bound, least, "unit jobs have no gap");
    assert!(i128::from(least) * i128::from(certificate.scale) - certificate.value < i128::from(certificate.scale) * 60);
    for hour in 0..4 {
        let open = window(60 * hour, 60 * hour + 60);
        // One more job is done at the end of that hour instead of being left out.
        let saved = 10_000 + 2400 - 10 * 60 * (hour + 1);
        let mut data = draft.data.clone();
        let calendar = data.calendars.push(Calendar::new(vec![open]));
        let ann = data.technicians.values().next().expect("one").clone();
        data.technicians.push(Technician { name: "ben".into(), calendar, ..ann });
        let after = Problem::new(data).expect("a problem");
        assert_eq!(optimum(&problem) - optimum(&after), saved);
        let price = worth(&certificate, open, |held| matches!(held, Held::Person(_)));
        let (price, saved) = (price as f64 / certificate.scale as f64, saved as f64);
        assert!((price - saved).abs() <= 0.01 * saved, "hour {hour}: price {price}, saved {saved}");
    }
}

/// The answer of the planner where it is proven.
fn optimum(problem: &Problem) -> Cost {
    match planned(problem, 200_000, 30) {
        Outcome::Optimal(solved) => solved.cost,
        other => panic!("not proven: {other:?}"),
    }
}

/// The outcome of planning says the same, by day: what the skill and the technician are worth on average.
#[test]
fn the_outcome_tells_prices() {
    let mut draft = more_jobs_than_hours();
    draft.data.days = vec![at(0), at(120)];
    let problem = draft.problem();
    let outcome = planned(&problem, 200_000, 30);
    let solved = outcome.solved().expect("a plan");
    let hours = &solved.prices.hours;
    assert!(solved.prices.bound.is_some_and(|bound| bound <= solved.cost));
    for scarce in [Scarce::Person(Key::from_index(0)), Scarce::Skill(Key::from_index(0))] {
        let own: Vec<_> = hours.iter().filter(|own| own.resource == scarce).collect();
        assert_eq!(
            own.iter().map(|own| (own.day, own.open_minutes)).collect::<Vec<_>>(),
            [(0, 120), (1, 120)],
            "{hours:?}"
        );
        assert!(own[0].hour > own[1].hour, "an earlier hour is worth more: {own:?}");
    }
    assert!(hours.iter().all(|own| !matches!(own.resource, Scarce::BayClass(_))), "no bay is asked for");
}
