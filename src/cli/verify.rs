//! `earwitness verify`.

use std::io::Write;

use super::Failure;

/// What was typed after `verify`.
#[derive(Debug, clap::Args)]
pub struct VerifyArguments {}

/// Runs the command.
pub fn run(arguments: &VerifyArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`verify` is not in this build"))
}
