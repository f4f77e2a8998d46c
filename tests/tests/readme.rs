//! README shows what the demo prints: its session is played against a server of the demo's, and held against README.
//!
//! Between the marks `<!-- demo -->` and `<!-- end of demo -->`, each line `$ fitup ..` must be one of the session in
//! `deploy/demo-shop/session.txt`, followed by what it prints; README need not show all of them. Ids of plans count as
//! alike. `UPDATE_README=1 cargo test -p fitup-tests --test readme` writes what is printed into README.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::{env, fs};

use fitup_tests::server::TestServer;

const BEGIN: &str = "<!-- demo -->";
const END: &str = "<!-- end of demo -->";
/// Where the demo's clock starts.
const NOW: &str = "2031-05-05T10:00:00-05:00";

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// Runs a command of the session where the demo runs it, and returns what it prints to its standard output.
fn run(command: &str, server: &str) -> String {
    let mut program = Command::new("bash");
    for (name, _) in env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("FITUP_")) {
        program.env_remove(name);
    }
    // A function of that name puts the program under test in the place of the one on the path.
    let script = format!("fitup() {{ \"$UNDER_TEST\" \"$@\"; }}\n{command}");
    let program = program.args(["-c", &script]).current_dir(root());
    let program = program.env("UNDER_TEST", env!("CARGO_BIN_EXE_fitup-under-test")).env("FITUP_SERVER", server);
    let output = program.output().expect("bash runs");
    assert!(output.status.success(), "{command}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("prints UTF-8")
}

/// Plays the session; returns each command with what it prints.
async fn play() -> Vec<(String, String)> {
    let server = TestServer::start_with(|config| {
        config.clock_start = Some(NOW.parse().expect("is an instant"));
        config.solver_threads = 2;
    })
    .await;
    let address = format!("http://{}", server.address);
    let session = fs::read_to_string(root().join("deploy/demo-shop/session.txt")).expect("the demo has a session");
    let mut played = Vec::new();
    for command in session.lines() {
        let (command, address) = (command.to_owned(), address.clone());
        let step = tokio::task::spawn_blocking(move || {
            let output = run(&command, &address);
            (command, output)
        });
        played.push(step.await.expect("the step does not panic"));
    }
    server.stop().await.expect("it stops in order");
    played
}

/// Returns the part of README between the marks with what was played in the place of what it shows.
fn renewed(shown: &str, played: &[(String, String)]) -> String {
    let mut text = String::new();
    let mut is_output = false;
    for line in shown.lines() {
        if let Some(command) = line.strip_prefix("$ ") {
            let step = played.iter().find(|(other, _)| other == command);
            let (_, output) = step.unwrap_or_else(|| panic!("README shows {command:?}, which the demo does not run"));
            text += &format!("{line}\n");
            output.lines().for_each(|line| text += &format!("{}\n", line.trim_end()));
            is_output = true;
        } else if line.starts_with("```") || !is_output {
            text += &format!("{line}\n");
            is_output = false;
        }
    }
    text
}

/// Returns `text` with all ids of plans alike: they are made of the time and of chance.
fn without_plan_ids(text: &str) -> String {
    let alike = |word: &str| {
        let id = word.trim_end_matches([',', ':', ';']);
        let is_id = id.len() == "20310505-150000-0a1b2c".len()
            && id.split('-').map(str::len).eq([8, 6, 6])
            && id.chars().all(|letter| letter.is_ascii_hexdigit() || letter == '-');
        if is_id { word.replace(id, "(id)") } else { word.to_owned() }
    };
    let line = |line: &str| line.split(' ').map(alike).collect::<Vec<_>>().join(" ");
    text.trim().lines().map(line).collect::<Vec<_>>().join("\n")
}

#[tokio::test(flavor = "multi_thread")]
async fn readme_shows_what_the_demo_prints() {
    let path = root().join("README.md");
    let readme = fs::read_to_string(&path).expect("there is a README.md");
    let (head, rest) = readme.split_once(BEGIN).expect("README.md has the mark where the demo begins");
    let (shown, tail) = rest.split_once(END).expect("README.md has the mark where the demo ends");
    assert!(shown.contains("\n$ fitup plan solve"), "README.md shows no plan");
    let played = play().await;
    let actual = format!("\n{}\n", renewed(shown, &played).trim());
    if env::var_os("UPDATE_README").is_some() {
        fs::write(&path, format!("{head}{BEGIN}{actual}{END}{tail}")).expect("README.md can be written");
        return;
    }
    let (actual, shown) = (without_plan_ids(&actual), without_plan_ids(shown));
    let differs = actual.lines().zip(shown.lines()).find(|(actual, shown)| actual != shown);
    assert!(
        actual == shown,
        "README.md shows something else than the demo prints; first {differs:?}\n\nUPDATE_README=1 cargo test -p \
         fitup-tests --test readme\nwrites this into it:\n{actual}"
    );
}
