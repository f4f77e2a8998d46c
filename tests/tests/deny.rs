//! What fitup is built from keeps to `deploy/deny.toml`, as far as that can be told without a network; and the lints of the
//! workspace, `unsafe_code = "forbid"` first, hold in every crate of ours.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::{env, fs};

use serde_json::Value;
use toml_edit::DocumentMut;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn toml(path: &Path) -> DocumentMut {
    fs::read_to_string(path).unwrap().parse().unwrap()
}

fn policy() -> DocumentMut {
    toml(&root().join("deploy/deny.toml"))
}

/// Returns the packages that are built here, ours included.
fn packages() -> Vec<Value> {
    let rustc = Command::new("rustc").arg("-vV").output().unwrap();
    let told = String::from_utf8(rustc.stdout).unwrap();
    let host = told.lines().find_map(|line| line.strip_prefix("host: ")).unwrap();
    let cargo = env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let output = Command::new(cargo)
        .args(["metadata", "--offline", "--locked", "--format-version", "1", "--filter-platform", host])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    metadata["packages"].as_array().unwrap().clone()
}

/// Tells whether an SPDX expression can be met with the licences of `allow`. `/` is an old way to write OR.
fn is_met(expression: &str, allow: &[String]) -> bool {
    let text = expression.replace('(', " ( ").replace(')', " ) ").replace('/', " OR ");
    let words: Vec<&str> = text.split_whitespace().collect();
    let mut at = 0;
    let met = any_of(&words, &mut at, allow);
    met && at == words.len()
}

fn any_of(words: &[&str], at: &mut usize, allow: &[String]) -> bool {
    let mut met = all_of(words, at, allow);
    while words.get(*at) == Some(&"OR") {
        *at += 1;
        met |= all_of(words, at, allow);
    }
    met
}

fn all_of(words: &[&str], at: &mut usize, allow: &[String]) -> bool {
    let mut met = one(words, at, allow);
    while words.get(*at) == Some(&"AND") {
        *at += 1;
        met &= one(words, at, allow);
    }
    met
}

fn one(words: &[&str], at: &mut usize, allow: &[String]) -> bool {
    let word = words.get(*at).copied().unwrap_or_default();
    *at += 1;
    if word == "(" {
        let met = any_of(words, at, allow);
        *at += 1;
        return met;
    }
    let mut licence = word.to_owned();
    if words.get(*at) == Some(&"WITH") {
        licence = format!("{word} WITH {}", words.get(*at + 1).copied().unwrap_or_default());
        *at += 2;
    }
    allow.contains(&licence)
}

/// Expressions of the form of the SPDX specification 2.3, annex D.
#[test]
fn expressions_are_read() {
    let allow = ["MIT", "Zlib"].map(str::to_owned);
    for met in ["MIT", "MIT OR GPL-3.0-only", "GPL-3.0-only/MIT", "MIT AND Zlib", "(X AND MIT) OR (MIT AND Zlib)"] {
        assert!(is_met(met, &allow), "{met}");
    }
    for unmet in ["", "GPL-3.0-only", "MIT AND X", "(MIT OR X) AND X", "MIT WITH X", "MIT X"] {
        assert!(!is_met(unmet, &allow), "{unmet}");
    }
}

#[test]
fn licences_sources_and_bans_hold() {
    let policy = policy();
    let texts = |value: &toml_edit::Item| -> Vec<String> {
        value.as_array().unwrap().iter().map(|text| text.as_str().unwrap().to_owned()).collect()
    };
    let allow = texts(&policy["licenses"]["allow"]);
    let banned: Vec<String> = policy["bans"]["deny"]
        .as_array()
        .unwrap()
        .iter()
        .map(|ban| ban.as_inline_table().unwrap()["crate"].as_str().unwrap().to_owned())
        .collect();
    let (mut faults, mut used) = (Vec::new(), Vec::new());
    let packages = packages();
    assert!(packages.len() > 200, "they are found");
    for package in &packages {
        let name = package["name"].as_str().unwrap();
        let licence = package["license"].as_str().unwrap_or_default();
        if !is_met(licence, &allow) {
            faults.push(format!("{name}: licence {licence:?} is not allowed"));
        }
        used.extend(allow.iter().filter(|allowed| licence.contains(allowed.as_str())));
        if banned.iter().any(|banned| banned == name) {
            faults.push(format!("{name} is banned"));
        }
        match package["source"].as_str() {
            None if package["manifest_path"]
                .as_str()
                .is_some_and(|path| Path::new(path).starts_with(root().canonicalize().unwrap())) => {}
            Some(source) if source.starts_with("registry+") => {}
            source => faults.push(format!("{name}: source {source:?} is not known")),
        }
        for dependency in package["dependencies"].as_array().unwrap() {
            if package["source"].is_null() && dependency["path"].is_null() && dependency["req"] == "*" {
                faults.push(format!("{name}: any version of {} does", dependency["name"]));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    for licence in &allow {
        assert!(used.contains(&licence), "{licence} is allowed and not needed");
    }
}

#[test]
fn the_lints_of_the_workspace_hold_everywhere() {
    let workspace = toml(&root().join("Cargo.toml"));
    assert_eq!(workspace["workspace"]["lints"]["rust"]["unsafe_code"].as_str(), Some("forbid"));
    for member in workspace["workspace"]["members"].as_array().unwrap() {
        let manifest = toml(&root().join(member.as_str().unwrap()).join("Cargo.toml"));
        assert_eq!(manifest["lints"]["workspace"].as_bool(), Some(true), "{member}");
    }
}
