//! `earwitness demo`: the whole job on a built-in session.

use std::io::Write;
use std::path::{Path, PathBuf};

use super::{Failure, note, run};
use crate::files;
use crate::player::{DeviceFacts, OutputChoice, devices};
use crate::screen::terminal;
use crate::session::template::{DEMO, THRESHOLD};
use crate::sitting::simulated::Ability;
use crate::sitting::{self, Ending, Look, Request, Resuming};

/// How often the simulated listener of a demonstration without a terminal is right.
const SIMULATED: f64 = 0.85;
/// The listener's name in the demonstration's journal.
const LISTENER: &str = "Demonstration";

/// What was typed after `demo`.
#[derive(Debug, clap::Args)]
pub struct DemoArguments {
    /// Folder for the session and its journal [default: a new temporary folder]
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
    /// Show plain lines instead of a screen
    #[arg(long)]
    plain: bool,
    /// Nobody listens: a program answers right with probability P (0 to 1), and everything says "simulated". In a threshold
    /// test P is for the largest sizes
    #[arg(long, value_name = "P")]
    simulate: Option<f64>,
    /// Find the threshold: how large the difference must be to be heard
    #[arg(long)]
    threshold: bool,
    /// Play no sound, even if there is a sound device
    #[arg(long)]
    silent: bool,
}

/// Runs the command.
pub fn run(arguments: &DemoArguments, out: &mut dyn Write) -> Result<(), Failure> {
    if let Some(probability) = arguments.simulate {
        run::check_probability("--simulate", probability)?;
    }
    let simulate = match arguments.simulate {
        None if !arguments.plain && !terminal::is_there() => Some(SIMULATED),
        given => given,
    };
    let folder = folder(arguments.dir.as_deref())?;
    let file = folder.join("session.toml");
    let text = if arguments.threshold { format!("{DEMO}{THRESHOLD}") } else { DEMO.to_owned() };
    write_session(&file, text.as_bytes())?;
    super::timings::stage("session");
    let session = crate::session::load(&file).map_err(Failure::bad)?;

    super::timings::stage("sound devices");
    // A simulated listener hears nothing, so it is played nothing.
    let silent = simulate.is_some() || arguments.silent || !devices().iter().any(answers);
    let mut request = Request {
        session,
        listener: LISTENER.to_owned(),
        alias: None,
        output: if silent { OutputChoice::Silent } else { OutputChoice::Device(None) },
        simulate,
        ability: Ability::default(),
        facts: Vec::new(),
        opponent: false,
        resuming: Resuming::Anew,
    };
    if silent && simulate.is_none() {
        note(
            "No sound device found, so this demonstration is silent: it shows how a test goes, and proves nothing.",
        );
        note("`earwitness devices` says what to install or check.");
    }
    request
        .session
        .notes
        .push("This is the demonstration: cables, loudspeaker and clip are invented.".to_owned());
    let look = match (simulate, arguments.plain || terminal::is_dumb()) {
        (Some(_), _) => Look::None,
        (None, true) => Look::Plain,
        (None, false) => Look::Screen,
    };
    super::timings::stage("sitting");
    let finished = sitting::sit(&request, look, None, &run::environment())?;
    super::timings::stage("output");

    let mark = if simulate.is_some() { "simulated | " } else { "" };
    let mut say = |line: &str| match line.trim() {
        "" => writeln!(out),
        _ => writeln!(out, "{mark}{line}"),
    };
    if look != Look::Plain {
        for line in &finished.lines {
            say(line)?;
        }
    }
    match finished.ending {
        Ending::NotOpened => {
            return Err(Failure::No("nothing was opened, and nothing was recorded".to_owned()));
        }
        Ending::Left => say("The sitting is not finished; it can be resumed:")?,
        Ending::Closed(_) => say("What to do next:")?,
    }
    let shown = folder.display();
    if finished.ending == Ending::Left {
        return Ok(say(&format!("  earwitness run {shown} --listener {LISTENER} --resume"))?);
    }
    // The lines above say how to check the journal and how to write the report.
    say(&format!("  earwitness check {shown}   # how large the difference is, and what to be careful of"))?;
    say("  earwitness new my-session   # a session of your own, to edit")?;
    Ok(())
}

/// A device that would be heard.
fn answers(device: &DeviceFacts) -> bool {
    device.default && device.answers && device.id != "null"
}

fn folder(wanted: Option<&Path>) -> Result<PathBuf, Failure> {
    match wanted {
        Some(dir) => {
            std::fs::create_dir_all(dir).map_err(|error| {
                Failure::Bad(format!(
                    "{} cannot be made: {error}; choose a folder that you may write to",
                    dir.display(),
                    error = crate::files::reason(&error)
                ))
            })?;
            Ok(dir.to_path_buf())
        }
        None => tempfile::Builder::new()
            .prefix("earwitness-demo-")
            .tempdir()
            .map(tempfile::TempDir::keep)
            .map_err(|error| {
                Failure::Bad(format!(
                    "no temporary folder can be made ({error}); name one with --dir DIR",
                    error = crate::files::reason(&error)
                ))
            }),
    }
}

/// Writes the built-in session; one that is there already is used only if it is the same.
fn write_session(file: &Path, text: &[u8]) -> Result<(), Failure> {
    match super::whole::with(file, super::whole::Existing::Keep, |file| file.write_all(text)) {
        Ok(()) => Ok(()),
        Err(_) if files::read(file, files::LARGEST_TABLE_BYTES).is_ok_and(|there| there == text) => Ok(()),
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Err(Failure::Bad(format!(
            "{} is another session and stays as it is; choose another folder",
            file.display()
        ))),
        Err(error) => Err(Failure::Bad(format!(
            "{} cannot be written: {error}; choose a folder that you may write to",
            file.display(),
            error = crate::files::reason(&error)
        ))),
    }
}
