//! `earwitness report`.

use std::io::Write;

use super::Failure;

/// What was typed after `report`.
#[derive(Debug, clap::Args)]
pub struct ReportArguments {}

/// Runs the command.
pub fn run(arguments: &ReportArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`report` is not in this build"))
}
