//! The command line against a real server: every `tests/cli/*.md` is a session whose output must be as it says.
//!
//! Each file gets a server of its own with a fresh database, and a folder with copies of `tests/cli/files`. In a block
//! of kind `console`, a line `$ fitup ...` is run and what follows must be its standard output and then its standard
//! error; `? 2` ends it if the exit code is not 0. `[..]` stands for anything within a line, `...` for any lines.
//! `<!-- it is 2031-05-06 08:00 -->` sets the server's clock, by the time of Chicago in summer; it then stands still.
//! `UPDATE_CLI=1 cargo test -p fitup-tests --test cli` writes what is printed into the files, where it differs.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};
use std::{env, fs};

use fitup_tests::server::TestServer;
use jiff::Timestamp;

/// A command of a session and what it must print.
struct Step {
    command: String,
    expected: String,
    /// Lines of the file that hold `expected`, from and up to.
    lines: (usize, usize),
    /// What the clock shows from here on, in seconds since 1970.
    clock: Option<i64>,
}

/// Returns the instant that a line sets the clock to.
fn clock(line: &str) -> Option<i64> {
    let time = line.strip_prefix("<!-- it is ")?.strip_suffix(" -->")?.replace(' ', "T");
    let instant: Timestamp = format!("{time}:00-05:00").parse().expect("a time such as 2031-05-06 08:00");
    Some(instant.as_second())
}

/// Sessions whose clock starts at another time than the rest's.
const LATER: [(&str, &str); 2] =
    [("morning.md", "2031-05-05T11:30:00-05:00"), ("learned.md", "2031-05-09T18:00:00-05:00")];

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cli")
}

/// Returns the steps of a session.
fn steps(text: &str) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    let (mut is_console, mut now) = (false, None);
    for (number, line) in text.lines().enumerate() {
        if line.starts_with("```") {
            is_console = line == "```console";
        } else if let Some(instant) = clock(line) {
            now = Some(instant);
        } else if let (true, Some(command)) = (is_console, line.strip_prefix("$ ")) {
            let lines = (number + 1, number + 1);
            steps.push(Step { command: command.to_owned(), expected: String::new(), lines, clock: now.take() });
        } else if let (true, Some(step)) = (is_console, steps.last_mut()) {
            step.expected += &format!("{line}\n");
            step.lines.1 = number + 1;
        }
    }
    steps
}

/// Returns the words of a command; double quotes hold words with blanks together.
fn words(command: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut is_quoted = false;
    for letter in command.chars() {
        match letter {
            '"' => is_quoted = !is_quoted,
            ' ' if !is_quoted => words.push(String::new()),
            letter => words.last_mut().expect("there is a first word").push(letter),
        }
    }
    words.retain(|word| !word.is_empty());
    words
}

/// Runs a command and returns what it prints, with its exit code if that is not 0.
fn run(command: &str, server: &str, folder: &Path) -> String {
    let words = words(command);
    assert_eq!(words[0], "fitup", "only fitup is run: {command}");
    let mut program = Command::new(env!("CARGO_BIN_EXE_fitup-under-test"));
    for (name, _) in env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("FITUP_")) {
        program.env_remove(name);
    }
    let output = program.args(&words[1..]).current_dir(folder).env("FITUP_SERVER", server).output();
    let Output { status, stdout, stderr } = output.expect("the program runs");
    let mut text = String::from_utf8(stdout).expect("prints UTF-8") + &String::from_utf8(stderr).expect("prints UTF-8");
    match status.code() {
        Some(0) => {}
        code => text += &format!("? {}\n", code.map_or("signal".to_owned(), |code| code.to_string())),
    }
    text.lines().map(|line| format!("{}\n", line.trim_end())).collect()
}

/// Tells whether lines are as expected; blank lines at the end do not count.
fn matches(actual: &str, expected: &str) -> bool {
    let lines = |text: &str| text.trim_end().lines().map(|line| line.trim_end().to_owned()).collect::<Vec<_>>();
    lines_match(&lines(actual), &lines(expected))
}

fn lines_match(actual: &[String], expected: &[String]) -> bool {
    match expected.split_first() {
        None => actual.is_empty(),
        Some((first, rest)) if first == "..." => {
            (0..=actual.len()).any(|skipped| lines_match(&actual[skipped..], rest))
        }
        Some((first, rest)) => {
            actual.first().is_some_and(|line| line_matches(line, first)) && lines_match(&actual[1..], rest)
        }
    }
}

fn line_matches(actual: &str, expected: &str) -> bool {
    let Some((head, rest)) = expected.split_once("[..]") else { return actual == expected };
    let Some(tail) = actual.strip_prefix(head) else { return false };
    tail.char_indices().map(|(at, _)| at).chain([tail.len()]).any(|at| line_matches(&tail[at..], rest))
}

/// Returns the built-in rule book with the table of an adhesive, as a shop would add it.
fn rules() -> String {
    let table = r#"
[[adhesive]]
id = "slow"
temperatures = [5, 15, 25]
humidities = [30, 50]
hours = [[10, 6, 3], [8, 4, 2]]
source = "invented for this session"
"#;
    format!("{}{table}", fitup_intake::DEFAULT_BOOK)
}

/// Runs a session; returns how it differs, and the file as it should be.
async fn play(path: &Path) -> (Vec<String>, String) {
    let text = fs::read_to_string(path).expect("the session can be read");
    let folder_of_files = tempfile::tempdir().expect("a temporary folder");
    for file in fs::read_dir(folder().join("files")).expect("there are files") {
        let file = file.expect("a file").path();
        fs::copy(&file, folder_of_files.path().join(file.file_name().expect("a name"))).expect("is copied");
    }
    fs::write(folder_of_files.path().join("rules.toml"), rules()).expect("is written");
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let start = LATER.iter().find(|(session, _)| *session == name).map(|(_, start)| *start);
    let all = steps(&text);
    let hand: Option<&'static AtomicI64> =
        all.first().and_then(|step| step.clock).map(|first| &*Box::leak(Box::new(AtomicI64::new(first))));
    let server = TestServer::start_with(|config| {
        config.clock_by_hand = hand;
        config.clock_start = start.map(|start| start.parse().expect("an instant")).or(config.clock_start);
    });
    let server = server.await;
    let address = format!("http://{}", server.address);
    let mut differences = Vec::new();
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let mut replacements = Vec::new();
    for step in all {
        if let Some((hand, now)) = hand.zip(step.clock) {
            hand.store(now, Ordering::SeqCst);
        }
        let (command, address, folder) = (step.command.clone(), address.clone(), folder_of_files.path().to_owned());
        let actual = tokio::task::spawn_blocking(move || run(&command, &address, &folder)).await.expect("is run");
        if !matches(&actual, &step.expected) {
            differences.push(format!("$ {}\n--- expected\n{}--- printed\n{actual}", step.command, step.expected));
            replacements.push((step.lines, actual));
        }
    }
    for ((from, to), actual) in replacements.into_iter().rev() {
        lines.splice(from..to, actual.trim_end().lines().map(str::to_owned));
    }
    server.stop().await.expect("the server stops in order");
    (differences, lines.join("\n") + "\n")
}

async fn check(name: &str) {
    let path = folder().join(name);
    let (differences, text) = play(&path).await;
    if env::var_os("UPDATE_CLI").is_some() {
        fs::write(&path, text).expect("the session can be written");
    } else {
        assert!(differences.is_empty(), "{name} differs:\n{}", differences.join("\n"));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_shop_from_its_file() {
    check("shop.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn orders_from_files_and_outlines() {
    check("order.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn quotes_that_are_held() {
    check("hold.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_plan_from_start_to_end() {
    check("plan.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn rules_that_leave_no_place() {
    check("left-out.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn tokens_and_history() {
    check("access.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn bad_input_is_told_with_its_place() {
    check("bad-input.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn orders_from_the_lines_of_estimates() {
    check("take-in.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bad_morning() {
    check("morning.md").await;
}

/// README walks through this one.
#[tokio::test(flavor = "multi_thread")]
async fn a_bad_week() {
    check("week.md").await;
}

/// README walks through the bad week word for word as the session does; `...` leaves lines out, ids of plans differ.
#[test]
fn readme_walks_through_the_bad_week() {
    let readme = fs::read_to_string(folder().join("../../README.md")).expect("README can be read");
    let session = fs::read_to_string(folder().join("week.md")).expect("the session can be read");
    let (_, rest) = readme.split_once("<!-- week -->\n").expect("README has the week");
    let (week, _) = rest.split_once("<!-- end of week -->").expect("the week ends");
    let mut at = 0;
    let mut count = 0;
    for block in week.split("```console\n").skip(1) {
        let (block, _) = block.split_once("```").expect("a block ends");
        // Between two commands the session may have others.
        let block = block.replace("\n$ ", "\n...\n$ ");
        for part in block.split("...\n").filter(|part| !part.is_empty()) {
            let found = session[at..].find(part);
            at +=
                found.unwrap_or_else(|| panic!("README tells what the session does not, or in another order:\n{part}"));
            at += part.len();
            count += 1;
        }
    }
    assert!(count > 15, "{count} parts");
}

#[tokio::test(flavor = "multi_thread")]
async fn quotes() {
    check("quote.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn weeks_ahead() {
    check("rehearse.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn why_load_and_measures() {
    check("explain.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn hours_said_as_three() {
    check("hours.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn chances_learned_from_records() {
    check("learned.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn dates_learned_from_those_before() {
    check("told.md").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_date_from_an_estimate() {
    check("counter.md").await;
}

/// A shop so small that all of it can be reckoned by hand.
#[tokio::test(flavor = "multi_thread")]
async fn why_and_load_by_hand() {
    check("by-hand.md").await;
}

/// Returns the demo shop's folder.
fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/demo-shop")
}

/// Runs a command in `folder` that must end well, apart from the async workers that the server needs.
async fn done(command: String, server: &TestServer, folder: &Path) -> String {
    let (address, folder) = (format!("http://{}", server.address), folder.to_owned());
    let text = tokio::task::spawn_blocking(move || run(&command, &address, &folder)).await.expect("is run");
    assert!(!text.contains("\n? ") && !text.starts_with("error:"), "{text}");
    text
}

/// What is printed as a file changes nothing when it is sent back: the demo shop and each of its orders.
#[tokio::test(flavor = "multi_thread")]
async fn printed_files_change_nothing() {
    let server = TestServer::start().await;
    let folder = tempfile::tempdir().expect("a temporary folder");
    let folder = folder.path();
    for name in ["shop.toml", "orders.toml"] {
        fs::copy(demo().join(name), folder.join(name)).expect("is copied");
    }
    done("fitup shop apply shop.toml".to_owned(), &server, folder).await;
    let shop = done("fitup shop show --as file".to_owned(), &server, folder).await;
    fs::write(folder.join("back.toml"), shop).expect("is written");
    let told = done("fitup shop apply back.toml".to_owned(), &server, folder).await;
    assert!(told.contains("nothing differs"), "{told}");
    let entered = done("fitup order add orders.toml".to_owned(), &server, folder).await;
    let ids: Vec<&str> = entered.lines().filter_map(|line| line.split(' ').nth(1)).collect();
    assert!(ids.len() > 20, "{entered}");
    for id in ids {
        let order = done(format!("fitup order show {id} --as file"), &server, folder).await;
        fs::write(folder.join("order.toml"), order).expect("is written");
        let told = done(format!("fitup order change {id} order.toml"), &server, folder).await;
        assert_eq!(told, format!("order {id}: nothing differs\n"));
    }
    server.stop().await.expect("the server stops in order");
}

/// Ctrl-C ends a search that would go on for a minute, and the best plan found is shown.
#[tokio::test(flavor = "multi_thread")]
async fn an_interrupt_ends_the_search_with_a_plan() {
    let server = TestServer::start().await;
    done("fitup shop apply shop.toml".to_owned(), &server, &demo()).await;
    done("fitup order add orders.toml".to_owned(), &server, &demo()).await;
    let mut program = Command::new(env!("CARGO_BIN_EXE_fitup-under-test"));
    program.args(["plan", "solve", "--seconds", "60", "--as-of", "2031-05-05 10:00"]);
    program.env("FITUP_SERVER", format!("http://{}", server.address)).stdout(std::process::Stdio::piped());
    let started = Instant::now();
    let child = program.spawn().expect("the program runs");
    let runs = || done("fitup plan run list --json".to_owned(), &server, Path::new("."));
    let has_plan = |runs: &str| runs.contains("\"state\":\"running\"") && !runs.contains("\"best_price\":null");
    while !has_plan(&runs().await) {
        tokio::time::sleep(Duration::from_millis(100)).await;
        assert!(started.elapsed() < Duration::from_secs(30), "the run does not begin: {}", runs().await);
    }
    let interrupt = Command::new("kill").args(["-INT", &child.id().to_string()]).status().expect("kill runs");
    assert!(interrupt.success());
    let output = tokio::task::spawn_blocking(|| child.wait_with_output()).await.expect("waits").expect("ends");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(text.contains("24 orders planned") && started.elapsed() < Duration::from_secs(45), "{text}");
    assert!(runs().await.contains("\"state\":\"cancelled\""));
    server.stop().await.expect("the server stops in order");
}

/// The worked example of README is what the session prints, word for word.
#[test]
fn readme_shows_what_the_session_prints() {
    let readme = fs::read_to_string(folder().join("../../README.md")).expect("README can be read");
    let (_, quote) = readme.split_once("<!-- quote -->\n```console\n").expect("README has the example");
    let (quote, _) = quote.split_once("```\n<!-- end of quote -->").expect("the example ends");
    let session = fs::read_to_string(folder().join("quote.md")).expect("the session can be read");
    assert!(!quote.is_empty() && session.contains(quote), "README shows what the session does not print:\n{quote}");
    let (_, hold) = readme.split_once("<!-- hold -->\n```console\n").expect("README has the example");
    let (hold, _) = hold.split_once("```\n<!-- end of hold -->").expect("the example ends");
    let session = fs::read_to_string(folder().join("hold.md")).expect("the session can be read");
    assert!(!hold.is_empty() && session.contains(hold), "README shows what the session does not print:\n{hold}");
    let (_, rest) = readme.split_once("<!-- take-in -->\n```console\n").expect("README has the example");
    let (shown, _) = rest.split_once("```\n<!-- end of take-in -->").expect("the example ends");
    let session = fs::read_to_string(folder().join("take-in.md")).expect("the session can be read");
    for part in shown.split("...\n") {
        assert!(session.contains(part), "README shows what the session does not print:\n{part}");
    }
}

/// Every session is played by a test above.
#[test]
fn no_session_is_forgotten() {
    let source = include_str!("cli.rs");
    for file in fs::read_dir(folder()).expect("there are sessions") {
        let path = file.expect("a file").path();
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        assert!(!name.ends_with(".md") || source.contains(&format!("check(\"{name}\")")), "{name} is not played");
    }
}

/// A reader that has seen enough, such as `head`, is no error.
#[tokio::test(flavor = "multi_thread")]
async fn a_closed_pipe_is_no_error() {
    let mut program = Command::new(env!("CARGO_BIN_EXE_fitup-under-test"));
    let mut child = program.arg("reference").stdout(std::process::Stdio::piped()).spawn().expect("runs");
    drop(child.stdout.take());
    assert_eq!(child.wait().expect("ends").code(), Some(0));
}

/// Nobody listens: exit code 4 says that a retry is worth it.
#[test]
fn a_server_that_is_away_is_worth_a_retry() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let text = run("fitup order list --timeout 2", "http://127.0.0.1:1", folder.path());
    assert!(text.starts_with("error: the server does not answer\n"), "{text}");
    assert!(text.contains("hint: start the server with `fitupd`") && text.ends_with("? 4\n"), "{text}");
}

#[test]
fn expectations_match_as_said() {
    assert!(matches("a 12 b\nc\nd\n", "a [..] b\n...\nd\n"));
    assert!(matches("a\n", "a\n...\n"));
    assert!(!matches("a\nb\n", "a\n"));
    assert!(!matches("a 12 c\n", "a [..] b\n"));
    assert_eq!(words("fitup a \"b c\" d"), ["fitup", "a", "b c", "d"]);
}
