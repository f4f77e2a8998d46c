//! Writes shops: `generate FOLDER --family medium --seeds 1-4`.

use std::error::Error;
use std::ops::RangeInclusive;
use std::path::PathBuf;

use clap::Parser;
use fitup_bench::families::{self, Family};

/// Write shops in the form of tests/bench/FORMAT.md to a folder
#[derive(Parser)]
struct Args {
    /// Where to write `FAMILY-SEED.json`
    folder: PathBuf,
    /// Families, separated by commas
    #[arg(long, value_delimiter = ',', value_parser = family, default_value = "micro,small,medium,large,xl,huge")]
    family: Vec<Family>,
    /// Seeds, from and to
    #[arg(long, value_parser = seeds, default_value = "1-4")]
    seeds: RangeInclusive<u64>,
}

fn family(name: &str) -> Result<Family, String> {
    let found = families::ALL.into_iter().find(|family| family.name == name);
    found.ok_or_else(|| format!("there is no family \"{name}\""))
}

fn seeds(text: &str) -> Result<RangeInclusive<u64>, String> {
    let (from, to) = text.split_once('-').unwrap_or((text, text));
    match (from.parse(), to.parse()) {
        (Ok(from), Ok(to)) if from <= to => Ok(from..=to),
        _ => Err("seeds are a number, or two joined by \"-\"".into()),
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    std::fs::create_dir_all(&args.folder)?;
    for family in &args.family {
        for seed in args.seeds.clone() {
            let shop = families::shop(family, seed);
            let path = args.folder.join(format!("{}.json", shop.name));
            std::fs::write(path, serde_json::to_string(&shop)? + "\n")?;
        }
    }
    Ok(())
}
