//! The program `fitup`.

use std::process::ExitCode;

fn main() -> ExitCode {
    fitup_client::main()
}
