//! `earwitness night`.

use std::io::Write;

use super::Failure;

/// What was typed after `night`.
#[derive(Debug, clap::Args)]
pub struct NightArguments {}

/// Runs the command.
pub fn run(arguments: &NightArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`night` is not in this build"))
}
