//! `earwitness plan`.

use std::io::Write;

use super::Failure;

/// What was typed after `plan`.
#[derive(Debug, clap::Args)]
pub struct PlanArguments {}

/// Runs the command.
pub fn run(arguments: &PlanArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`plan` is not in this build"))
}
