//! `earwitness new DIR`: a commented session to edit.

use std::io::Write;
use std::path::PathBuf;

use super::{Failure, whole};
use crate::files;
use crate::session::template::template;

/// What was typed after `new`.
#[derive(Debug, clap::Args)]
pub struct NewArguments {
    /// Folder for the new session; it must not hold a session.toml yet
    dir: PathBuf,
}

/// Writes `session.toml` into a new or existing folder and never over one that is there.
pub fn run(arguments: &NewArguments, out: &mut dyn Write) -> Result<(), Failure> {
    super::timings::stage("session");
    let dir = &arguments.dir;
    let failed = |action: &str, error: std::io::Error| {
        Failure::Bad(format!(
            "{} cannot be {action}: {error}; choose a folder that you may write to, with room for a file",
            dir.display(),
            error = crate::files::reason(&error)
        ))
    };
    let made = !dir.exists();
    files::make_folder(dir).map_err(|error| failed("made", error))?;
    let file = dir.join("session.toml");
    whole::with(&file, whole::Existing::Keep, |file| file.write_all(template().as_bytes())).map_err(
        |error| {
            if made {
                // Nothing is in it: what could not be written was taken away.
                let _ = std::fs::remove_dir(dir);
            }
            if error.kind() == std::io::ErrorKind::AlreadyExists {
                Failure::Bad(format!(
                    "{} is there already and stays as it is; choose another folder",
                    file.display()
                ))
            } else {
                failed("written to", error)
            }
        },
    )?;
    writeln!(out, "{}", file.display())?;
    super::note(&format!(
        "A session to edit. Then:\n  earwitness check {0}\n  earwitness run {0} --listener YOUR-NAME",
        dir.display()
    ));
    Ok(())
}
