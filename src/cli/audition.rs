//! `earwitness audition`.

use std::io::Write;
use std::path::PathBuf;

use super::Failure;
use super::run::{look, output};
use crate::{session, sitting};

/// What was typed after `audition`.
#[derive(Debug, clap::Args)]
pub struct AuditionArguments {
    /// Session file, or the folder it stands in
    session: PathBuf,
    /// Where the sound goes: `device`, `silent` (nothing is heard), or a file name that ends in `.wav`
    #[arg(long, value_name = "OUTPUT", default_value = "device")]
    output: String,
    /// Sound device by name, as `earwitness devices` lists it; the system's default without this
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Plain lines in place of a screen, for screen readers, serial terminals and scripts
    #[arg(long)]
    plain: bool,
}

/// Runs the command.
pub fn run(arguments: &AuditionArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let output = output(&arguments.output, arguments.device.as_deref())?;
    let look = look(false, arguments.plain)?;
    super::timings::stage("session");
    let session = session::load(&arguments.session).map_err(Failure::bad)?;
    super::timings::stage("listening");
    let heard = sitting::listen(&session, &output, look)?;
    if heard.answers > 0 {
        writeln!(
            out,
            "Training: {} right of {} answers; the criterion ({} right in a row) was reached {} times. Nothing of this \
             is counted or kept.",
            heard.right,
            heard.answers,
            sitting::audition::CRITERION,
            heard.reached
        )?;
    } else {
        writeln!(out, "Nothing of an audition is counted or kept.")?;
    }
    Ok(())
}
