//! Quotes where the truth is known, and what learning from the past promises whatever happens.

use fitup_model::problem::{Car, Commitment, Efficiency, Operation, Ready, ReadyReason, Technician};
use fitup_model::{Calendar, Problem, ProblemData, Span, Time};
use fitup_planner::Never;
use fitup_planner::random::Random;
use fitup_rehearsal::calibration::{Past, STEP, learned, stretched};
use fitup_rehearsal::weeks::honesty::{kept, quoted};
use fitup_rehearsal::weeks::{Level, Manner, Quoting, Setting, World};
use fitup_rehearsal::{Chances, ThreePoint, quote};

const WORK: i64 = 600;

/// A car with one piece of work, for somebody who is always there.
fn one() -> Problem {
    let horizon = Time::from_minutes(14 * 1440);
    let mut data = ProblemData::empty(Span::from_minutes(1), horizon);
    let always = data.calendars.push(Calendar::always(Time::ORIGIN, horizon));
    let skill = data.skills.push("repair".into());
    data.technicians.push(Technician {
        name: "one".into(),
        calendar: always,
        with_overtime: None,
        skills: vec![(skill, Efficiency::NORMAL)],
    });
    let name = || "one".to_string();
    let car = Car { name: name(), arrival: Time::ORIGIN, promise: None, late_weight: 1, flow_weight: 1 };
    let car = data.cars.push(car);
    data.operations.push(Operation {
        name: name(),
        car,
        visit: None,
        work: Span::from_minutes(WORK),
        spread: None,
        crew: vec![skill],
        equipment: Vec::new(),
        interruptible: false,
        ready: vec![Ready { time: Time::ORIGIN, reason: ReadyReason::Arrival }],
        commitment: Commitment::Free,
        same_person: None,
        published: None,
    });
    Problem::new(data).expect("a car with one piece of work is a problem")
}

fn work(low: f64, high: f64) -> Chances {
    Chances { low, high, ..Chances::NONE }
}

/// Goal: in a shop where only the length of one piece of work is unknown, a date is a quantile of its distribution, and is met
/// as often as it says. Method: cars that seldom meet; the distribution is that of `three_point`, checked there by its closed
/// form.
#[test]
fn one_car_and_one_piece_of_work() {
    let chances = work(0.8, 1.6);
    let setting = Setting { weeks: 200, per_week: Some(0.7), load: 1.0, chances, seed: 11 };
    let world = World::new(&one(), &setting, 0).expect("these weeks are a problem");
    let policy = quote::Policy { chances, futures: 1000, trials: 1, ..quote::Policy::default() };
    let quoting = Quoting { policy, promised: Level::P80, trade: None, learn: None };
    let manner = Manner { iterations: 1, first: 1, ..Manner::default() };
    let run = quoted(&world, manner, quoting, 200, &Never).expect("the record is a problem");
    assert_eq!(run.broken, 0);
    assert!(run.told.len() > 100, "{}", run.told.len());
    assert!(run.told.iter().all(|told| told.complete.is_some()));
    let beta = ThreePoint::new(0.8, 1.0, 1.6).expect("in order").beta();
    for told in run.told.iter().filter(|told| told.open == 0) {
        assert_eq!(told.earliest, Some(told.at + Span::from_minutes(WORK)));
        for level in Level::ALL {
            let expected = beta.quantile(level.share()) * WORK as f64;
            let date = told.dates[level as usize].expect("there is room");
            let found = (date - told.at).minutes() as f64;
            assert!((found / expected - 1.0).abs() < 0.025, "{level:?}: {found} is not {expected}");
        }
    }
    for level in Level::ALL {
        // Three standard deviations of a share of so many.
        let within = 3.0 * (level.share() * (1.0 - level.share()) / run.told.len() as f64).sqrt();
        let share = kept(&run.told, level).share();
        assert!((share - level.share()).abs() < within, "{level:?}: {share}");
    }
}

/// Goal: what is wrong about the world is seen, and learned. Method: work takes half as long again as quotes think.
#[test]
fn a_world_that_is_slower_than_its_quotes() {
    let setting = Setting { weeks: 200, per_week: Some(0.7), load: 1.0, chances: work(0.8, 1.6), seed: 11 };
    let world = World::new(&one(), &setting, 0).expect("these weeks are a problem");
    let world = world.slower(1.5).expect("longer work is work");
    let share = |learn| {
        let policy = quote::Policy { chances: work(0.8, 1.6), futures: 100, trials: 1, ..quote::Policy::default() };
        let quoting = Quoting { policy, promised: Level::P80, trade: None, learn };
        let manner = Manner { iterations: 1, first: 1, ..Manner::default() };
        let run = quoted(&world, manner, quoting, 200, &Never).expect("the record is a problem");
        let half = run.told.len() / 2;
        Level::ALL.map(|level| kept(&run.told[half..], level).share())
    };
    assert!(share(None)[1] < 0.2);
    let learned = share(Some(STEP));
    assert!((learned[0] - 0.5).abs() < 0.07 && (learned[1] - 0.8).abs() < 0.06, "{learned:?}");
}

/// Where nothing goes wrong and nobody else comes, every date is the time at which the car is complete.
#[test]
fn certainty_is_told_as_it_is() {
    let setting = Setting { weeks: 40, per_week: Some(0.3), load: 1.0, chances: Chances::NONE, seed: 3 };
    let world = World::new(&one(), &setting, 0).expect("these weeks are a problem");
    let policy = quote::Policy { chances: Chances::NONE, futures: 3, trials: 1, ..quote::Policy::default() };
    let quoting = Quoting { policy, promised: Level::P80, trade: None, learn: None };
    let run = quoted(&world, Manner::default(), quoting, 40, &Never).expect("the record is a problem");
    assert!(!run.told.is_empty());
    for told in run.told.iter().filter(|told| told.open == 0) {
        assert_eq!(told.dates, [told.complete; 3]);
    }
}

/// Plays quotes one after another; `score` says how the car fares, from the number of the quote and `theta`. Returns which
/// dates were missed, and how many cars were out at once at most.
fn learn(count: i64, gap: i64, share: f64, score: &mut dyn FnMut(i64, f64) -> f64) -> (Vec<bool>, usize) {
    const DATE: i64 = 100_000;
    let (mut past, mut missed, mut out) = (Vec::new(), Vec::new(), 0);
    for number in 0..count {
        let at = Time::from_minutes(number * gap);
        let theta = learned(&past, at, share, STEP);
        let date = at + Span::from_minutes(DATE);
        let complete = stretched(at, date, score(number, theta));
        let told = stretched(at, date, theta);
        missed.push(complete > told);
        past.push(Past { at, date, complete: Some(complete) });
        let open = |past: &&Past| past.complete.is_some_and(|complete| complete > at);
        out = out.max(past.iter().filter(open).count());
    }
    (missed, out)
}

fn rate(missed: &[bool]) -> f64 {
    missed.iter().filter(|missed| **missed).count() as f64 / missed.len() as f64
}

/// The bound of Gibbs and Candes (2021), arXiv:2106.00170, proposition 4.1, with outcomes that come late: whatever happens to
/// the cars as long as no score leaves `[-b, b]`. Somebody who knows what was told does his worst.
#[test]
fn the_bound_holds_whatever_happens() {
    let bound = |count: i64, out: usize, b: f64| (b + STEP * (out as f64 + 1.0)) / (STEP * count as f64);
    for share in [0.5, 0.8, 0.95] {
        for gap in [150_000, 30_000, 5_000] {
            let mut random = Random::new(5, gap as u64);
            let b = 0.7;
            let worst: [&mut dyn FnMut(i64, f64) -> f64; 5] = [
                &mut |_, theta| if theta < b { b } else { -b },
                &mut |_, theta| if theta > -b { -b } else { b },
                &mut |number, _| if number / 60 % 2 == 0 { b } else { -b },
                &mut |number, theta| (theta + if number % 2 == 0 { 0.01 } else { -0.01 }).clamp(-b, b),
                &mut |_, _| b * (2.0 * random.unit() - 1.0),
            ];
            for (index, score) in worst.into_iter().enumerate() {
                let (missed, out) = learn(400, gap, share, score);
                // What is still out at the end has not been learned from: twice as many may be on one side.
                let within = bound(400, 2 * out, b);
                let found = rate(&missed);
                assert!((found - (1.0 - share)).abs() <= within, "{index} at {share}, {gap}: {found}, {within}");
            }
        }
    }
}

/// Goal: with exchangeable scores, each date is met as often as it says, however wrong the model is by habit. Method: scores
/// of one distribution, away from 0.
#[test]
fn exchangeable_scores_are_covered() {
    for share in [0.5, 0.8, 0.95] {
        let mut random = Random::new(9, 0);
        // A model that is a third too hopeful, and wide.
        let mut score = |_: i64, _: f64| 0.3 + 0.4 * (random.unit() + random.unit() - 1.0);
        let (missed, _) = learn(1500, 40_000, share, &mut score);
        let later = rate(&missed[300..]);
        assert!((later - (1.0 - share)).abs() < 0.015, "{share}: {later}");
    }
}
