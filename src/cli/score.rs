//! `earwitness score`.

use std::io::Write;

use super::Failure;

/// What was typed after `score`.
#[derive(Debug, clap::Args)]
pub struct ScoreArguments {}

/// Runs the command.
pub fn run(arguments: &ScoreArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`score` is not in this build"))
}
