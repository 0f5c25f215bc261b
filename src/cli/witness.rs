//! `earwitness witness`.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::{Failure, note, whole};
use crate::ballot::witnessing::terminal::{Chains, TerminalWitness, Told, WitnessError};
use crate::conduct::witness::At;
use crate::trial::Part;
use crate::trial::copy::WitnessCopy;
use crate::trial::sittings::safe_name;

/// How often a sitting that is away is tried again.
const AGAIN: Duration = Duration::from_secs(1);
/// How many times, before this gives up: a machine that starts anew takes a while.
const TRIES: u32 = 300;

/// Longest file of chains that is read, in bytes.
const LONGEST: u64 = 1 << 20;

/// What was typed after `witness`.
#[derive(Debug, clap::Args)]
pub struct WitnessArguments {
    /// Address that the sitting shows, such as 192.168.1.20:8411
    address: String,
    /// Code that the sitting shows, unless it stands in the address, after a #
    code: Option<String>,
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
    let code = arguments.code.as_ref().map_or_else(String::new, |code| format!("#{code}"));
    let address = format!("{}{code}", arguments.address);
    let mut witness = TerminalWitness::of(&address, &arguments.name).map_err(Failure::bad)?;
    if file.exists() {
        witness = witness.with(WitnessCopy::read(&file).map_err(Failure::bad)?);
        note(&format!("going on with the copy in {}", file.display()));
    }
    // What opens the trials to come is kept apart from the copy, which is shown around.
    let mut secret = file.clone().into_os_string();
    secret.push(".secret");
    let secret = PathBuf::from(secret);
    if let Some(chains) = kept(&secret)? {
        witness = witness.with_chains(chains);
    }
    if witness.is_here() {
        note(
            "this is the sitting's own computer, whose owner could read your part of each draw: a witness needs another one",
        );
    }
    let mut known = Chains::default();
    let mut away = 0;
    let mut said = String::new();
    loop {
        let mut kept = Ok(());
        let step = witness.step(&mut |copy, chains| {
            let text = serde_json::to_string(copy).expect("plain data becomes JSON");
            kept = whole::write(&file, &format!("{text}\n"));
            if *chains != known && kept.is_ok() {
                let text = serde_json::to_string(chains).expect("plain data becomes JSON");
                kept = whole::write_private(&secret, &text);
                known.clone_from(chains);
            }
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
                        // No link is asked for any more.
                        let _ = std::fs::remove_file(&secret);
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
            Err(error @ (WitnessError::Changed(_) | WitnessError::Another | WitnessError::Away(_))) => {
                return Err(Failure::No(error.to_string()));
            }
            Err(error) => return Err(Failure::bad(error)),
        }
    }
}

/// What was kept of a witness whose program ended in the middle; `None` if there is nothing.
fn kept(secret: &Path) -> Result<Option<Chains>, Failure> {
    let bytes = match crate::files::read(secret, LONGEST) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => {
            let why = crate::files::reason(&error);
            return Err(Failure::bad(format!("{}: {why}; move it away to join anew", secret.display())));
        }
    };
    serde_json::from_slice(&bytes).map(Some).map_err(|_| {
        Failure::bad(format!(
            "{}: this is no witness's part of the draws; move it away to join anew",
            secret.display()
        ))
    })
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
        At::Sealed => format!("{trial} comes next; your part of its draw is closed"),
        At::Asking => format!("{trial} begins; its draw is opened"),
        At::Trial => format!("{trial} is on; {} void so far", told.void.len()),
        At::Rest => "a rest; your part of the next draw is closed".to_owned(),
        At::Closed => format!("{} of {} witnessed; the seal is open", told.witnessed, told.answered),
        At::Stopped => "the sitting has stopped".to_owned(),
    }
}
