//! README's table of refusals lists every reason of the server with its code, cause and remedy.
//!
//! `UPDATE_README=1 cargo test -p fitup-tests --test readme_reasons` writes it.

use std::{env, fs};

use fitup_server::error::Reason;

const BEGIN: &str = "<!-- reasons -->\n";
const END: &str = "\n<!-- end of reasons -->";

/// Returns `name` as the codes of google/rpc/code.proto are written: `InvalidArgument` is `INVALID_ARGUMENT`.
fn upper_snake(name: &str) -> String {
    let mut text = String::new();
    for letter in name.chars() {
        if letter.is_ascii_uppercase() && !text.is_empty() {
            text.push('_');
        }
        text.push(letter.to_ascii_uppercase());
    }
    text
}

fn table() -> String {
    let mut rows = vec!["| reason | code | cause | remedy |".to_owned(), "| --- | --- | --- | --- |".to_owned()];
    for reason in Reason::ALL {
        let code = upper_snake(&format!("{:?}", reason.code()));
        let cause = reason.cause().trim_end_matches('.');
        rows.push(format!("| {} | {code} | {cause} | {} |", reason.text(), reason.remedy()));
    }
    rows.join("\n")
}

#[test]
fn readme_lists_every_reason() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../README.md");
    let readme = fs::read_to_string(path).expect("there is a README.md");
    let (head, rest) = readme.split_once(BEGIN).expect("README.md has the mark where the reasons begin");
    let (shown, tail) = rest.split_once(END).expect("README.md has the mark where the reasons end");
    if env::var_os("UPDATE_README").is_some() {
        fs::write(path, format!("{head}{BEGIN}{}{END}{tail}", table())).expect("README.md can be written");
        return;
    }
    assert_eq!(shown, table(), "UPDATE_README=1 cargo test -p fitup-tests --test readme_reasons writes it");
}
