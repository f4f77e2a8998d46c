//! The published instances of `instances/`, as shops.

use std::path::PathBuf;

use fitup_model::Problem;
use fitup_planner::format::psplib::Network;
use fitup_planner::format::{
    FormatError, Instance, job_shop as job_shop_format, maximum_lag, psplib, weighted_tardiness,
};
use fitup_planner::multi_mode::Project;

/// Returns the job shop in `instances/job_shop`, by the name of its file without the ending.
pub fn job_shop(name: &str) -> Problem {
    read(name, &format!("job_shop/{name}.txt"), job_shop_format::read)
}

/// Returns the PSPLIB project in `instances/rcpsp`, by the name of its file without the ending.
pub fn project(name: &str) -> Problem {
    read(name, &format!("rcpsp/{name}.sm"), psplib::read_single)
}

/// Returns the project with maximum lags in `instances/rcpsp_max`, by the name of its file without the ending.
pub fn project_with_lags(name: &str) -> Problem {
    read(name, &format!("rcpsp_max/{name}.sch"), maximum_lag::read)
}

/// Returns the jobs for one machine in `instances/wt`, by the name of the file without the ending.
pub fn weighted_jobs(name: &str) -> Problem {
    read(name, &format!("wt/{name}.txt"), weighted_tardiness::read)
}

/// Returns the PSPLIB project with several modes in `instances/mm`, by the name of its file without the ending.
pub fn project_with_modes(name: &str) -> Project {
    let path = format!("mm/{name}.mm");
    match psplib::read(name, &text(&path)) {
        Ok(Network::Multi(project)) => project,
        Ok(Network::Single(_)) => panic!("{path}: each activity has one mode"),
        Err(error) => panic!("{path}: {error}"),
    }
}

fn read(name: &str, path: &str, format: fn(&str, &str) -> Result<Instance, FormatError>) -> Problem {
    format(name, &text(path)).unwrap_or_else(|error| panic!("{path}: {error}")).problem
}

fn text(path: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("instances").join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}
