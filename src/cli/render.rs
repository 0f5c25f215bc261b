//! `earwitness render`.

use std::io::Write;

use super::Failure;

/// What was typed after `render`.
#[derive(Debug, clap::Args)]
pub struct RenderArguments {}

/// Runs the command.
pub fn run(arguments: &RenderArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`render` is not in this build"))
}
