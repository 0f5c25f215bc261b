//! `earwitness demo`.

use std::io::Write;

use super::Failure;

/// What was typed after `demo`.
#[derive(Debug, clap::Args)]
pub struct DemoArguments {}

/// Runs the command.
pub fn run(arguments: &DemoArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let _ = (arguments, out);
    Err(Failure::bad("`demo` is not in this build"))
}
