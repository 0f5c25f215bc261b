//! `earwitness devices`.

use std::io::Write;

use super::Failure;

/// What was typed after `devices`.
#[derive(Debug, clap::Args)]
pub struct DevicesArguments {}

/// Runs the command.
pub fn run(arguments: &DevicesArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`devices` is not in this build"))
}
