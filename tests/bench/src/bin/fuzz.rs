//! Gives broken files to the readers of the planner: `fuzz --count 1000000 --seed 1`.

use std::io::{self, Write};
use std::process::ExitCode;
use std::thread;

use clap::Parser;
use fitup_bench::fuzz::{self, Report, Settings};

/// Break files by chance and read them; ends with 1 if a reader panics, hangs or refuses without a reason
#[derive(Parser)]
struct Args {
    /// How many files
    #[arg(long, default_value_t = 1_000_000)]
    count: u64,
    /// Start of the random numbers
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Threads
    #[arg(long, default_value_t = 2)]
    threads: u64,
    /// Plan every so manyth problem that was read; 0 plans none
    #[arg(long, default_value_t = 1000)]
    plan_every: u64,
    /// Print the file of this number and stop
    #[arg(long)]
    print: Option<u64>,
}

fn main() -> io::Result<ExitCode> {
    let args = Args::parse();
    let mut out = io::stdout().lock();
    if let Some(number) = args.print {
        let (format, text) = fuzz::text(args.seed, number);
        writeln!(out, "{format}\n{text}")?;
        return Ok(ExitCode::SUCCESS);
    }
    let threads = args.threads.max(1);
    let share = args.count.div_ceil(threads);
    let workers: Vec<_> = (0..threads)
        .map(|thread| {
            let first = thread * share;
            let count = share.min(args.count.saturating_sub(first));
            let settings = Settings { first, count, seed: args.seed, plan_every: args.plan_every };
            thread::spawn(move || fuzz::run(settings))
        })
        .collect();
    let mut all = Report::default();
    for worker in workers {
        let Ok(report) = worker.join() else {
            writeln!(out, "a thread panicked outside the readers")?;
            return Ok(ExitCode::FAILURE);
        };
        all.texts += report.texts;
        all.refused += report.refused;
        all.planned += report.planned;
        all.slowest = all.slowest.max(report.slowest);
        all.failures.extend(report.failures);
    }
    for failure in all.failures.iter().take(50) {
        writeln!(out, "{failure}")?;
    }
    writeln!(
        out,
        "{} texts, {} refused, {} planned, {} failures, slowest reading {:.1} ms",
        all.texts,
        all.refused,
        all.planned,
        all.failures.len(),
        all.slowest.as_secs_f64() * 1000.0
    )?;
    Ok(if all.failures.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
