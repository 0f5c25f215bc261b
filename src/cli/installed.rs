//! `earwitness completions` and `earwitness man`: what an installation brings besides the program.

use std::io::Write;
use std::path::PathBuf;

use clap_complete::Shell;

use super::Failure;
use super::whole::{self, Existing};

/// Longer than any manual page.
const MOST_BYTES: u64 = 1 << 20;

/// What was typed after `completions`.
#[derive(Debug, clap::Args)]
pub struct CompletionsArguments {
    /// The shell that is to complete commands and options
    shell: Shell,
}

/// What was typed after `man`.
#[derive(Debug, clap::Args)]
pub struct ManArguments {
    /// Folder for the pages, one for each command
    dir: PathBuf,
}

/// Prints the completions of a shell.
pub fn completions(arguments: &CompletionsArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut super::line(), "earwitness", &mut script);
    Ok(out.write_all(&script)?)
}

/// Writes the manual pages.
pub fn man(arguments: &ManArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let dir = &arguments.dir;
    let failed = Failure::of_file(dir, "manual pages cannot be written");
    crate::files::make_folder(dir).map_err(&failed)?;
    // They are made in a folder that goes away again, so that a full disk leaves no half of a page.
    let drafts = tempfile::Builder::new().prefix(".earwitness-").tempdir_in(dir).map_err(&failed)?;
    clap_mangen::generate_to(super::line(), drafts.path()).map_err(&failed)?;
    for page in std::fs::read_dir(drafts.path()).map_err(&failed)? {
        let page = page.map_err(&failed)?;
        let text = crate::files::read(&page.path(), MOST_BYTES).map_err(&failed)?;
        whole::with(&dir.join(page.file_name()), Existing::Replace, |file| file.write_all(&text))
            .map_err(&failed)?;
    }
    Ok(writeln!(out, "{}", dir.display())?)
}
