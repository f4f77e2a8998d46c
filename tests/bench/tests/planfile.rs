//! `planfile` refuses whatever is malformed or contradicts itself, and says where and why.

use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::sync::OnceLock;
use std::{env, fs};

use fitup_bench::fuzz::{self, Settings};
use fitup_bench::mutate;
use fitup_planner::format;

#[test]
fn a_plain_shop_is_taken() {
    let text = mutate::plain_shop().to_string();
    let instance = format::shop::read(&text).expect("nothing is wrong with it");
    assert_eq!(instance.problem.operations.len(), 3);
}

#[test]
fn contradictions_are_refused_with_place_and_reason() {
    let mut wrong = Vec::new();
    for contradiction in mutate::contradictions() {
        let what = contradiction.what;
        match format::shop::read(&contradiction.text) {
            Ok(_) => wrong.push(format!("{what}: taken")),
            Err(error) if !fuzz::says_where_and_why(&error) || !error.to_string().contains(contradiction.names) => {
                wrong.push(format!("{what}: does not name {}: {error}", contradiction.names));
            }
            Err(_) => {}
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn texts_broken_by_chance_are_read_without_panic_or_delay() {
    let report = fuzz::run(Settings { first: 0, count: 4000, seed: 7, plan_every: 100 });
    assert!(report.failures.is_empty(), "{}", report.failures.join("\n"));
    // Breaking must neither spare everything nor break everything.
    assert!(report.refused > 2000 && report.refused < 3950, "{} of 4000 are refused", report.refused);
    assert!(report.planned > 0);
}

#[test]
fn the_process_ends_with_an_error_that_names_the_file_and_the_place() {
    let bad = mutate::contradictions().into_iter().find(|bad| bad.what == "negative work").expect("is in the list");
    let file = write("negative-work.json", bad.text.as_bytes());
    let output = planfile(&[file.to_str().expect("a plain path"), "--seconds", "1"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
    let message = String::from_utf8_lossy(&output.stderr);
    assert!(message.contains("negative-work.json") && message.contains("work"), "{message}");
    assert!(!message.contains("panicked"), "{message}");
}

#[test]
fn the_process_refuses_files_that_are_no_text_or_not_there() {
    let noise = write("noise.json", &[0xff, 0xfe, 0x00, 0x80]);
    for file in [noise.to_str().expect("a plain path"), "/no/such/file.json"] {
        let output = planfile(&[file, "--seconds", "1"]);
        assert_eq!(output.status.code(), Some(2), "{file}");
        let message = String::from_utf8_lossy(&output.stderr);
        assert!(message.contains(file) && !message.contains("panicked"), "{message}");
    }
}

#[test]
fn parts_are_left_out_by_name_and_unknown_names_are_answered_with_all() {
    let file = write("without.json", mutate::plain_shop().to_string().as_bytes());
    let file = file.to_str().expect("a plain path");
    let output = planfile(&[file, "--iterations", "100", "--without", "neighbours,bound", "--without", "program"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let output = planfile(&[file, "--iterations", "100", "--without", "luck"]);
    assert_eq!(output.status.code(), Some(2));
    let message = String::from_utf8_lossy(&output.stderr);
    for idea in fitup_planner::Idea::ALL {
        assert!(message.contains(idea.name()), "{message}");
    }
}

#[test]
fn what_is_left_out_is_explained_on_request() {
    let mut shop = mutate::plain_shop();
    shop["cars"][0]["ops"][0]["crew"] = serde_json::json!(["glass"]);
    let file = write("explain.json", shop.to_string().as_bytes());
    let output = planfile(&[file.to_str().expect("a plain path"), "--iterations", "100", "--explain"]);
    let lines = String::from_utf8_lossy(&output.stdout);
    let lines: Vec<&str> = lines.lines().collect();
    assert!(lines[0].contains(" incomplete "), "{lines:?}");
    assert_eq!(lines.len(), 2, "{lines:?}");
    assert!(lines[1].ends_with(": these cannot be kept together: nobody has the skill \"glass\""), "{lines:?}");
}

#[test]
fn the_process_plans_a_plain_shop_to_the_optimum() {
    let file = write("plain.json", mutate::plain_shop().to_string().as_bytes());
    let plan = file.with_extension("plan.json");
    let output = planfile(&[
        file.to_str().expect("a plain path"),
        "--seconds",
        "2",
        "--out",
        plan.to_str().expect("a plain path"),
    ]);
    // Car 1: 60 minutes at 1.2 are 50, from 480; then 30 of drying: 560, on time, 80 minutes in the shop.
    // Car 2: 45 minutes at 0.9 are 50, both there from 600 on: 650, on time and with no price of time.
    let line = String::from_utf8_lossy(&output.stdout);
    assert!(line.starts_with("plain 80 80 optimal "), "{line}{}", String::from_utf8_lossy(&output.stderr));
    let plan: serde_json::Value = serde_json::from_slice(&fs::read(&plan).expect("was written")).expect("is JSON");
    assert_eq!(plan["ops"]["1.dry"]["end"], 560);
    assert_eq!(plan["visits"]["2/floor"], "floor-1");
}

fn write(name: &str, bytes: &[u8]) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR"));
    let path = folder.join(name);
    let mut file = fs::File::create(&path).expect("the folder is there for tests");
    file.write_all(bytes).expect("the disk has room");
    path
}

fn planfile(arguments: &[&str]) -> Output {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    let binary = BINARY.get_or_init(build);
    Command::new(binary).args(arguments).output().expect("the binary was built")
}

/// Builds the binary, which belongs to another crate, in the profile of this test.
fn build() -> PathBuf {
    let test = env::current_exe().expect("a test has a path");
    let folder = test.parent().and_then(|deps| deps.parent()).expect("tests lie in target/profile/deps");
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(["build", "--quiet", "--package", "fitup-planner", "--bin", "planfile"]);
    if folder.ends_with("release") {
        cargo.arg("--release");
    }
    assert!(cargo.status().expect("cargo runs").success());
    folder.join(format!("planfile{}", env::consts::EXE_SUFFIX))
}
