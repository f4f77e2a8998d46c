//! README's table of access is that of the server, line by line.
//!
//! `UPDATE_README=1 cargo test -p fitup-tests --test readme_access` writes it.

use std::{env, fs};

use fitup_server::access::policy::TABLE;
use fitup_store::Role;

const BEGIN: &str = "<!-- access -->\n";
const END: &str = "\n<!-- end of access -->";

fn table() -> String {
    let roles = Role::ALL.map(|role| role.word().replace('_', " "));
    let mut rows = vec![format!("| rpc | {} |", roles.join(" | ")), format!("| --- |{}", " --- |".repeat(roles.len()))];
    for rule in TABLE {
        let marks = Role::ALL.map(|role| if rule.roles.contains(&role) { "yes" } else { "" });
        rows.push(format!("| {}/{} | {} |", rule.service, rule.rpc, marks.join(" | ")));
    }
    rows.join("\n")
}

#[test]
fn readme_says_who_may_what() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../README.md");
    let readme = fs::read_to_string(path).expect("there is a README.md");
    let (head, rest) = readme.split_once(BEGIN).expect("README.md has the mark where the table begins");
    let (shown, tail) = rest.split_once(END).expect("README.md has the mark where the table ends");
    if env::var_os("UPDATE_README").is_some() {
        fs::write(path, format!("{head}{BEGIN}{}{END}{tail}", table())).expect("README.md can be written");
        return;
    }
    assert_eq!(shown, table(), "UPDATE_README=1 cargo test -p fitup-tests --test readme_access writes it");
}
