//! `earwitness run`.

use std::io::Write;

use super::Failure;

/// What was typed after `run`.
#[derive(Debug, clap::Args)]
pub struct RunArguments {}

/// Runs the command.
pub fn run(arguments: &RunArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`run` is not in this build"))
}
