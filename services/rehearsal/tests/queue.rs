//! The floor as a queue of the textbooks: one technician, cars that come at random and take random work.

use fitup_model::keyed::{CalendarId, SkillId};
use fitup_model::problem::{Car, Commitment, Efficiency, Operation, Ready, ReadyReason, Technician};
use fitup_model::{Calendar, Problem, ProblemData, Span, Time};
use fitup_planner::Never;
use fitup_planner::random::Random;
use fitup_rehearsal::weeks::{ByHabit, Floor, Habit, World};

const CARS: usize = 20_000;
const MEAN_WORK: f64 = 60.0;

/// Returns a queue in which so many minutes pass between two arrivals on average, and the last arrival.
fn queue(mean_gap: f64, seed: u64) -> (Problem, Time) {
    let mut random = Random::new(seed, 0);
    let mut exponential = |mean: f64| -mean * (1.0 - random.unit()).ln();
    let horizon = Time::from_minutes((CARS as f64 * mean_gap * 1.5) as i64);
    let mut data = ProblemData::empty(Span::from_minutes(1), horizon);
    let always: CalendarId = data.calendars.push(Calendar::always(Time::ORIGIN, horizon));
    let skill: SkillId = data.skills.push("repair".into());
    data.technicians.push(Technician {
        name: "one".into(),
        calendar: always,
        with_overtime: None,
        skills: vec![(skill, Efficiency::NORMAL)],
    });
    let mut time = 0.0;
    for number in 0..CARS {
        time += exponential(mean_gap);
        let arrival = Time::from_minutes(time.round() as i64);
        let car = Car { name: number.to_string(), arrival, promise: None, late_weight: 0, flow_weight: 0 };
        let car = data.cars.push(car);
        data.operations.push(Operation {
            name: format!("{number}/repair"),
            car,
            visit: None,
            work: Span::from_minutes(exponential(MEAN_WORK).round().max(1.0) as i64),
            spread: None,
            crew: vec![skill],
            equipment: Vec::new(),
            interruptible: false,
            ready: vec![Ready { time: arrival, reason: ReadyReason::Arrival }],
            commitment: Commitment::Free,
            same_person: None,
            published: None,
        });
    }
    (Problem::new(data).expect("a queue is a problem"), Time::from_minutes(time as i64))
}

/// `L = rho / (1 - rho)`, `W = 1 / (mu - lambda)` and `L = lambda W`: Little (1961), doi:10.1287/opre.9.3.383, and the
/// closed form of M/M/1 in any text on queues, such as Kleinrock (1975), Queueing Systems 1, 3.2.
#[test]
fn one_technician_is_the_queue_of_the_textbooks() {
    for (load, seed) in [(0.5, 1), (0.7, 2)] {
        let (problem, until) = queue(MEAN_WORK / load, seed);
        let world = World::certain(problem, until);
        let mut floor = Floor::new(&world);
        floor.run(&mut ByHabit::new(Habit::FirstIn, world.booked()), &Never);
        // The area below the number of cars in the shop, up to the last arrival, against the sum of the times in it.
        let (mut area, mut stays) = (0.0, 0.0);
        for (id, car) in world.booked().cars.iter() {
            let end = floor.completion(id).expect("the queue runs dry");
            area += (end.min(until) - car.arrival.min(until)).minutes() as f64;
            stays += (end - car.arrival).minutes() as f64;
        }
        let in_shop = area / until.minutes() as f64;
        let stay = stays / CARS as f64;
        let rate = CARS as f64 / until.minutes() as f64;
        let near = |found: f64, expected: f64, within: f64| {
            assert!((found / expected - 1.0).abs() < within, "at {load}: {found} is not {expected}");
        };
        near(in_shop, load / (1.0 - load), 0.08);
        near(stay, 1.0 / (1.0 / MEAN_WORK - load / MEAN_WORK), 0.08);
        near(in_shop, rate * stay, 0.005);
    }
}
