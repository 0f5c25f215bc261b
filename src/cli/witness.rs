//! `earwitness witness`.

use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;

use super::{Failure, note, whole};
use crate::ballot::witnessing::terminal::{TerminalWitness, Told, WitnessError};
use crate::conduct::witness::At;
use crate::trial::Part;
use crate::trial::copy::WitnessCopy;
use crate::trial::sittings::safe_name;

/// How often a sitting that is away is tried again.
const AGAIN: Duration = Duration::from_secs(1);
/// How many times, before this gives up: a machine that starts anew takes a while.
const TRIES: u32 = 300;

/// What was typed after `witness`.
#[derive(Debug, clap::Args)]
pub struct WitnessArguments {
    /// Address that the sitting shows, with the code after the #
    address: String,
    /// Your name, as the journal shows it
    #[arg(long, value_name = "NAME")]
    name: String,
    /// Where to keep your copy [default: witness-NAME.json in this folder]
    #[arg(long, value_name = "FILE")]
    copy: Option<PathBuf>,
}

/// Runs the command.
pub fn run(arguments: &WitnessArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let file = arguments.copy.clone();
    let file = file.unwrap_or_else(|| PathBuf::from(format!("witness-{}.json", safe_name(&arguments.name))));
    let mut witness = TerminalWitness::of(&arguments.address, &arguments.name).map_err(Failure::bad)?;
    if file.exists() {
        witness = witness.with(WitnessCopy::read(&file).map_err(Failure::bad)?);
        note(&format!("going on with the copy in {}", file.display()));
    }
    let mut away = 0;
    let mut said = String::new();
    loop {
        let mut kept = Ok(());
        let step = witness.step(&mut |copy| {
            let text = serde_json::to_string(copy).expect("plain data becomes JSON");
            kept = whole::write(&file, &format!("{text}\n"));
        });
        kept?;
        match step {
            Ok(told) => {
                away = 0;
                let line = words(&told);
                if line != said {
                    writeln!(out, "{line}")?;
                    out.flush()?;
                    said = line;
                }
                match told.at {
                    At::Closed => {
                        writeln!(out, "your copy: {}", file.display())?;
                        return Ok(());
                    }
                    At::Stopped => {
                        return Err(Failure::No("the sitting has stopped; your copy is kept".to_owned()));
                    }
                    _ => {}
                }
            }
            Err(WitnessError::Away(why)) if away < TRIES => {
                if away == 0 {
                    note(&format!(
                        "the sitting does not answer ({}); trying again",
                        crate::files::reason(&why)
                    ));
                }
                away += 1;
                std::thread::sleep(AGAIN);
            }
            Err(error @ (WitnessError::Changed(_) | WitnessError::Away(_))) => {
                return Err(Failure::No(error.to_string()));
            }
            Err(error) => return Err(Failure::bad(error)),
        }
    }
}

/// What is said of a state.
fn words(told: &Told) -> String {
    let trial = told.trial.map_or_else(String::new, |id| {
        let part = match id.part {
            Part::Main => "trial",
            Part::WarmUp => "warm-up",
            Part::Qualification => "qualification",
        };
        format!("{part} {} of {}", id.trial, told.of)
    });
    match told.at {
        At::Before | At::Joining => format!("{}: {} listens; witnesses join", told.title, told.listener),
        At::Sealed if trial.is_empty() => "the draws are sealed".to_owned(),
        At::Sealed => format!("{trial} comes next; your link is closed"),
        At::Asking => format!("{trial} begins; links are opened"),
        At::Trial => format!("{trial} is on; {} void so far", told.void.len()),
        At::Rest => "a rest; your link is closed".to_owned(),
        At::Closed => format!("{} of {} witnessed; the seal is open", told.witnessed, told.answered),
        At::Stopped => "the sitting has stopped".to_owned(),
    }
}
