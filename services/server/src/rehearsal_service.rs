//! Weeks ahead, played: the one method reads, plays on threads of its own, writes.

use std::sync::Arc;
use std::time::{Duration, Instant};

use fitup_model::{Fault, Problem};
use fitup_planner::{AnyOf, Stop};
use fitup_proto::v1;
use fitup_proto::v1::rehearsal_service_server::RehearsalService;
use fitup_rehearsal::Chances;
use fitup_rehearsal::weeks::{Habit, Manner, Measures, Setting, Way, rehearse, world};
use fitup_store::Store;
use tonic::{Request, Response, Status};

use crate::clock::Clock;
use crate::convert::rehearsal::{self, habit_of};
use crate::error::Error;
use crate::floor_service::{as_of, forbidden};
use crate::past::Past;
use crate::place::Places;
use crate::search::{Deadline, planning};
use crate::shop_service::shop_name;

/// No rehearsal takes longer.
const TIME_LIMIT: Duration = Duration::from_secs(900);
/// Weeks, runs and steps unless the request says otherwise, and at most.
const WEEKS: (u32, u32) = (4, 12);
const RUNS: (u64, u64) = (4, 40);
const STEPS: (u64, u64) = (3000, 100_000);
/// More cars a week are refused.
const MOST_CARS: f64 = 200.0;

/// Plays weeks ahead.
pub struct Rehearsals {
    store: Arc<dyn Store>,
    clock: Clock,
    threads: usize,
    /// One at a time; who finds no place waits for it.
    places: Places,
}

impl Rehearsals {
    /// Returns a service that plays on so many threads.
    pub fn new(store: Arc<dyn Store>, clock: Clock, threads: usize) -> Rehearsals {
        Rehearsals { store, clock, threads: threads.max(1), places: Places::new(1) }
    }
}

/// A request that makes sense.
struct Wish {
    setting: Setting,
    runs: u64,
    ways: Vec<Way>,
}

#[tonic::async_trait]
impl RehearsalService for Rehearsals {
    async fn rehearse(&self, request: Request<v1::RehearseRequest>) -> Result<Response<v1::RehearseResponse>, Status> {
        let request = request.into_inner();
        let shop = shop_name(&request.parent, "parent")?;
        // Who may not see the shop learns nothing else.
        let record = self.store.get_shop(&shop).await.map_err(Error::from)?;
        let mut wish = wish(&request, Chances::default())?;
        let now = as_of(request.as_of_time.as_ref(), self.clock)?;
        // What a quote of that moment goes by.
        let past = Past::read(&*self.store, &record.facts, now).await?;
        wish.setting.chances = past.chances;
        let place = self.places.take().await?;
        let snapshot = self.store.snapshot(&shop).await.map_err(Error::from)?;
        let threads = self.threads;
        let played = place.work(move |stop| {
            let planning = planning(&snapshot, now)?;
            let found = play(&planning.problem, &wish, threads, stop)?;
            Ok::<_, String>((wish, planning.problem, found))
        });
        let (wish, problem, found) = played.await?.map_err(|message| forbidden(&shop, message))?;
        if found.iter().any(|runs| (runs.len() as u64) < wish.runs) {
            return Err(Error::DeadlinePassed.into());
        }
        let broken: usize = found.iter().flatten().map(|measures| measures.broken).sum();
        if broken > 0 {
            return Err(Error::Bug(format!("a rehearsal broke {broken} rules")).into());
        }
        let per_week = wish.setting.per_week.unwrap_or_else(|| world::rate(&problem) * wish.setting.load);
        let written = rehearsal::write(&wish.ways, &found, per_week);
        Ok(Response::new(v1::RehearseResponse { learned: past.learned, ..written }))
    }
}

fn play(problem: &Problem, wish: &Wish, threads: usize, hangup: &dyn Stop) -> Result<Vec<Vec<Measures>>, String> {
    if problem.cars.is_empty() {
        return Err("there are no open orders, and what comes is drawn from them; enter some first".into());
    }
    let deadline = Deadline { started: Instant::now(), limit: TIME_LIMIT, tells: false };
    let stops: [&dyn Stop; 2] = [&deadline, hangup];
    rehearse(problem, &wish.setting, &wish.ways, wish.runs, threads, &AnyOf(&stops)).map_err(|faults| {
        let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
        format!("these weeks cannot be played: {}", faults.join("; "))
    })
}

fn wish(request: &v1::RehearseRequest, chances: Chances) -> Result<Wish, Error> {
    let mut faults = Vec::new();
    let mut number = |path: &str, value: i64, (usual, most): (u64, u64)| match u64::try_from(value) {
        Ok(0) => usual,
        Ok(value) if value <= most => value,
        _ => {
            faults.push(Fault { path: path.into(), message: format!("is 0 to {most}, and was {value}") });
            usual
        }
    };
    let weeks = number("week_count", request.week_count.into(), (WEEKS.0.into(), WEEKS.1.into()));
    let runs = number("run_count", request.run_count.into(), RUNS);
    let iterations = number("iteration_limit", request.iteration_limit, STEPS);
    let mut habits: Vec<Habit> = Vec::new();
    for (index, way) in request.habits().enumerate() {
        match habit_of(way) {
            Some(habit) if !habits.contains(&habit) => habits.push(habit),
            Some(_) => {}
            None => faults.push(Fault { path: format!("habits[{index}]"), message: "is no habit".into() }),
        }
    }
    if habits.is_empty() {
        habits.extend(Habit::ALL);
    }
    if !(0.0..=MOST_CARS).contains(&request.cars_per_week) {
        let message = format!("is 0 to {MOST_CARS}, and was {}", request.cars_per_week);
        faults.push(Fault { path: "cars_per_week".into(), message });
    }
    if !faults.is_empty() {
        return Err(faults.into());
    }
    let manner = Manner { iterations, first: iterations.saturating_mul(3), ..Manner::default() };
    Ok(Wish {
        setting: Setting {
            weeks: u32::try_from(weeks).unwrap_or(WEEKS.1),
            per_week: (request.cars_per_week > 0.0).then_some(request.cars_per_week),
            load: world::LOAD,
            chances,
            seed: request.seed.cast_unsigned(),
        },
        runs,
        ways: [Way::Plan(manner)].into_iter().chain(habits.into_iter().map(Way::Habit)).collect(),
    })
}
