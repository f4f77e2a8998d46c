//! The published instances of `instances/`, as shops.

use std::path::PathBuf;

use fitup_model::Problem;
use fitup_planner::format::{FormatError, Instance, job_shop as job_shop_format, maximum_lag, network};

/// Returns the job shop in `instances/job_shop`, by the name of its file without the ending.
pub fn job_shop(name: &str) -> Problem {
    read(name, &format!("job_shop/{name}.txt"), job_shop_format::read)
}

/// Returns the PSPLIB project in `instances/rcpsp`, by the name of its file without the ending.
pub fn project(name: &str) -> Problem {
    read(name, &format!("rcpsp/{name}.sm"), network::read_psplib)
}

/// Returns the project with maximum lags in `instances/rcpsp_max`, by the name of its file without the ending.
pub fn project_with_lags(name: &str) -> Problem {
    read(name, &format!("rcpsp_max/{name}.sch"), maximum_lag::read)
}

fn read(name: &str, path: &str, format: fn(&str, &str) -> Result<Instance, FormatError>) -> Problem {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("instances").join(path);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    format(name, &text).unwrap_or_else(|error| panic!("{}: {error}", path.display())).problem
}
