//! The thin binary: everything lives in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    earwitness::cli::main()
}
