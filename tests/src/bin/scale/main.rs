//! Many shops on one PostgreSQL and several servers: entering them, the plans that all want in the morning, reads and
//! floor events. Prints a report in Markdown: `cargo run --release -p fitup-tests --bin scale`, with `fitupd` built
//! before by `cargo build --release -p fitup-server`.

#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../../../../services/store/tests/contract/cluster.rs"]
mod cluster;
mod load;
mod morning;
mod service;
mod usage;

use std::error::Error;
use std::io::Write;
use std::sync::Arc;
use std::time::Duration;

use clap::Parser;

use load::{Kind, Measured, percentile};
use service::Service;

/// Measure many shops on one PostgreSQL and several servers, all on this machine
#[derive(Parser)]
struct Args {
    /// Shops
    #[arg(long, default_value_t = 200, value_parser = clap::value_parser!(u16).range(1..=1000))]
    shops: u16,
    /// Cars of each shop
    #[arg(long, default_value_t = 40, value_parser = clap::value_parser!(u16).range(12..=60))]
    cars: u16,
    /// Servers
    #[arg(long, default_value_t = 3, value_parser = clap::value_parser!(u16).range(1..=8))]
    servers: u16,
    /// Seconds of each plan run
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u64).range(1..=60))]
    plan_seconds: u64,
    /// Shops that are also planned while nothing else happens
    #[arg(long, default_value_t = 10, value_parser = clap::value_parser!(u16).range(1..=100))]
    alone: u16,
    /// Seconds of each load
    #[arg(long, default_value_t = 15, value_parser = clap::value_parser!(u64).range(1..=120))]
    seconds: u64,
}

/// What is asked at the same time, under which name.
fn loads() -> [(&'static str, Vec<Kind>, Duration); 6] {
    let mixed = [vec![Kind::Read; 18], vec![Kind::Event; 6]].concat();
    [
        ("reads, 3 callers", vec![Kind::Read; 3], Duration::ZERO),
        ("reads, 24 callers", vec![Kind::Read; 24], Duration::ZERO),
        ("floor events, 3 callers", vec![Kind::Event; 3], Duration::ZERO),
        ("floor events, 24 callers", vec![Kind::Event; 24], Duration::ZERO),
        ("18 read, 6 clock on and off", mixed.clone(), Duration::ZERO),
        ("the same, 100 ms between calls", mixed, Duration::from_millis(100)),
    ]
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> Result<(), Box<dyn Error + Send + Sync>> {
    let args = Args::parse();
    let (shops, cars) = (usize::from(args.shops), usize::from(args.cars));
    let program = std::env::current_exe()?.with_file_name("fitupd");
    let service = Service::start(&program, usize::from(args.servers)).await.map_err(|error| error.to_string())?;
    let service = Arc::new(service);
    let mut out = std::io::stdout();

    let before = service.usage();
    let seconds = morning::enter(&service, shops, cars).await?;
    let used = service.usage().since(before);
    let writes = (shops * (cars + 1)) as f64;
    writeln!(
        out,
        "Entered {shops} shops of {cars} cars in {seconds:.0} s: {:.0} changes a second; {:.2} ms of a core each in \
        fitupd, {:.2} ms in PostgreSQL.\n",
        writes / seconds,
        used.servers * 1000.0 / writes,
        used.database * 1000.0 / writes
    )?;

    let time_limit = Duration::from_secs(args.plan_seconds);
    let sample: Vec<usize> = (0..usize::from(args.alone)).map(|n| n * shops / usize::from(args.alone)).collect();
    let mut alone = Vec::new();
    for shop in &sample {
        alone.push(morning::alone(&service, *shop, time_limit).await?);
    }
    let before = service.usage();
    let (seconds, prices) = morning::all(&service, shops, time_limit).await?;
    let used = service.usage().since(before);
    let compared = sample.iter().zip(&alone).map(|(shop, alone)| prices[*shop] as f64 / *alone as f64 - 1.0);
    let mut compared: Vec<f64> = compared.collect();
    compared.sort_by(f64::total_cmp);
    let mean = compared.iter().sum::<f64>() / compared.len() as f64;
    writeln!(
        out,
        "The morning: {shops} plans of {} s asked for at once, all published after {seconds:.0} s ({:.1} core-seconds of \
        fitupd and {:.2} of PostgreSQL each). Price against the same shop planned alone, {} shops: {:+.2} % on average, \
        from {:+.2} % to {:+.2} %.\n",
        args.plan_seconds,
        used.servers / shops as f64,
        used.database / shops as f64,
        compared.len(),
        mean * 100.0,
        compared.first().unwrap_or(&0.0) * 100.0,
        compared.last().unwrap_or(&0.0) * 100.0
    )?;

    let ready = Arc::new(morning::ready(&service, shops).await?);
    writeln!(out, "| load | calls a second | a second and core | fitupd, ms of a core | PostgreSQL, ms | refused |")?;
    writeln!(out, "| --- | --- | --- | --- | --- | --- |")?;
    let base = service.cluster.folder().join("data/base");
    let mut times = Vec::new();
    for (name, kinds, pause) in loads() {
        let before = usage::size(&base);
        let measured = load::run(&service, &ready, &kinds, Duration::from_secs(args.seconds), pause).await;
        report(&mut out, name, &measured)?;
        let grown = usage::size(&base).saturating_sub(before) as f64 / measured.calls() as f64;
        times.push((name, kinds.contains(&Kind::Event).then_some(grown), measured));
    }
    writeln!(out, "\n| load | rpc | calls | p50, ms | p99, ms |\n| --- | --- | --- | --- | --- |")?;
    for (name, _, measured) in &times {
        for (rpc, values) in &measured.milliseconds {
            let (middle, slow) = (percentile(values, 50), percentile(values, 99));
            writeln!(out, "| {name} | {rpc} | {} | {middle:.1} | {slow:.1} |", values.len())?;
        }
    }
    for (name, grown, _) in &times {
        if let Some(grown) = grown {
            writeln!(out, "\nThe database grew by {:.1} kB a call: {name}.", grown / 1000.0)?;
        }
    }
    let memory: Vec<_> = service.servers.iter().map(|server| usage::peak_memory(server.id())).collect();
    writeln!(out, "\nMost memory of the servers: {memory:?} MiB. The database: {} MiB.", usage::size(&base) >> 20)?;
    Ok(())
}

fn report(out: &mut impl Write, name: &str, measured: &Measured) -> std::io::Result<()> {
    let (calls, used) = (measured.calls() as f64, measured.usage);
    let cores = (used.servers + used.database) / measured.seconds;
    writeln!(
        out,
        "| {name} | {:.0} | {:.0} | {:.2} | {:.2} | {} |",
        calls / measured.seconds,
        calls / measured.seconds / cores,
        used.servers * 1000.0 / calls,
        used.database * 1000.0 / calls,
        if measured.refused.is_empty() { "0".into() } else { format!("{:?}", measured.refused) }
    )
}
