//! `earwitness new`.

use std::io::Write;

use super::Failure;

/// What was typed after `new`.
#[derive(Debug, clap::Args)]
pub struct NewArguments {}

/// Runs the command.
pub fn run(arguments: &NewArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`new` is not in this build"))
}
