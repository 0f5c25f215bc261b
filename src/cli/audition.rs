//! `earwitness audition`.

use std::io::Write;
use std::path::PathBuf;

use super::Failure;
use super::run::{look, output};
use crate::conduct::Environment;
use crate::player::OutputChoice;
use crate::session::Session;
use crate::sitting::audition::{CRITERION, Heard};
use crate::trial::Digest;
use crate::trial::training::{self, Trained};
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
    /// Begin with training; what it comes to is listed in the report under this session, and never counted
    #[arg(long, requires = "listener")]
    train: bool,
    /// Who listens: with a name, training is kept in sittings/training.log
    #[arg(long, value_name = "NAME")]
    listener: Option<String>,
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
    if session.switcher.is_some() {
        return Err(Failure::bad(
            "an audition plays filters and moves no switch: listen to the cables of a [switcher] with `earwitness run`, whose warm-up \
             trials do not count",
        ));
    }
    super::timings::stage("listening");
    let heard = sitting::listen(&session, &output, look, arguments.train)?;
    let kept = arguments.listener.as_deref().map(str::trim).filter(|name| !name.is_empty());
    if let Some(listener) = kept {
        keep(&session, listener, &heard, !matches!(output, OutputChoice::Device(_))).map_err(Failure::No)?;
    }
    if heard.answers > 0 {
        writeln!(
            out,
            "Training: {} right of {} answers; the criterion ({} right in a row) was reached {} times. {}",
            heard.right,
            heard.answers,
            sitting::audition::CRITERION,
            heard.reached,
            if kept.is_some() {
                "It is listed in the report, and never counted."
            } else {
                "Nothing of this is counted or kept."
            }
        )?;
    } else {
        writeln!(out, "Nothing of an audition is counted or kept.")?;
    }
    Ok(())
}

/// Lists what training came to, pair by pair.
fn keep(session: &Session, listener: &str, heard: &Heard, silent: bool) -> Result<(), String> {
    let utc = Environment::real().utc();
    let digest = Digest::of(session.source.as_bytes());
    let rows: Vec<Trained> = heard
        .pairs
        .iter()
        .map(|of| Trained {
            utc: utc.clone(),
            listener: listener.to_owned(),
            session: digest,
            pair: of.pair.clone(),
            criterion: CRITERION,
            answers: of.answers,
            right: of.right,
            reached: of.reached,
            silent,
        })
        .collect();
    training::append(&session.sittings_folder(), &rows)
}
