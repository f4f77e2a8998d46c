//! The program `fitup` as the tests of the command line run it: the same code, built together with them.

use std::process::ExitCode;

fn main() -> ExitCode {
    fitup_client::main()
}
