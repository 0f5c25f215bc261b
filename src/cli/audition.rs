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
use crate::units::printed;
use crate::{session, sitting};

/// What was typed after `audition`.
#[derive(Debug, clap::Args)]
pub struct AuditionArguments {
    /// Session file, or the folder it is in
    session: PathBuf,
    /// Where the sound goes: `device`, `silent`, or a file ending in `.wav`
    #[arg(long, value_name = "OUTPUT", default_value = "device")]
    output: String,
    /// Sound device, by its name in `earwitness devices` [default: the system's]
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Begin with training. The report lists it, and it never counts
    #[arg(long, requires = "listener")]
    train: bool,
    /// Who listens. With a name, training is kept in sittings/training.log
    #[arg(long, value_name = "NAME")]
    listener: Option<String>,
    /// Show plain lines instead of a screen, for screen readers, serial terminals and scripts
    #[arg(long)]
    plain: bool,
}

/// Runs the command.
pub fn run(arguments: &AuditionArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let output = output(&arguments.output, arguments.device.as_deref())?;
    super::timings::stage("session");
    // A mistyped name is told before a missing terminal is.
    let session = session::load(&arguments.session).map_err(Failure::bad)?;
    let look = look(false, arguments.plain)?;
    if session.switcher.is_some() {
        return Err(Failure::bad(
            "an audition plays filters and moves no switch. To hear the cables of a [switcher], use `earwitness run`: its warm-up \
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
            "Training: {} of {} answers right. You reached {} right in a row {}. {}",
            heard.right,
            heard.answers,
            sitting::audition::CRITERION,
            printed::count(u64::from(heard.reached), "time"),
            if kept.is_some() {
                "The report lists this, and it never counts."
            } else {
                "None of this counts or is kept."
            }
        )?;
    } else {
        writeln!(out, "Nothing counts, and nothing was kept.")?;
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
