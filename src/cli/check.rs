//! `earwitness check`.

use std::io::Write;

use super::Failure;

/// What was typed after `check`.
#[derive(Debug, clap::Args)]
pub struct CheckArguments {}

/// Runs the command.
pub fn run(arguments: &CheckArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`check` is not in this build"))
}
