//! `earwitness predict`.

use std::io::Write;

use super::Failure;

/// What was typed after `predict`.
#[derive(Debug, clap::Args)]
pub struct PredictArguments {}

/// Runs the command.
pub fn run(arguments: &PredictArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`predict` is not in this build"))
}
