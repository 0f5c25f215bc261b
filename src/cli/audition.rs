//! `earwitness audition`.

use std::io::Write;

use super::Failure;

/// What was typed after `audition`.
#[derive(Debug, clap::Args)]
pub struct AuditionArguments {}

/// Runs the command.
pub fn run(arguments: &AuditionArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`audition` is not in this build"))
}
