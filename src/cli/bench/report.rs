//! `earwitness bench report`.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::json;

use super::{Failure, note, print_json, whole};
use crate::bench::apart::apart;
use crate::bench::distortion;
use crate::bench::null::null;
use crate::bench::recording::{Long, Recording};
use crate::bench::response::{Options, measured};
use crate::report::measured::{Bench, Measured, Nulled, RawFile, figures, page, sentence};
use crate::session::input::Contents;

/// What was typed after `bench report`.
#[derive(Debug, clap::Args)]
pub(super) struct ReportArguments {
    /// The sweep through the first cable, as `bench capture` writes it: reference and response
    a: PathBuf,
    /// The same sweep through the second cable
    b: PathBuf,
    /// The page to write
    #[arg(long, value_name = "FILE.html")]
    out: PathBuf,
    /// The first cable once more, joined anew
    #[arg(long, value_name = "A2.wav")]
    again: Option<PathBuf>,
    /// Music through both cables, for the null test
    #[arg(long, value_name = "A.wav,B.wav", value_delimiter = ',', num_args = 1..=2)]
    music: Vec<PathBuf>,
    /// The same music through the first cable once more
    #[arg(long, value_name = "A2.wav", requires = "music")]
    music_again: Option<PathBuf>,
    /// What the cables are called; their files' names if not given
    #[arg(long, value_name = "NAME,NAME", value_delimiter = ',', num_args = 1..=2)]
    names: Vec<String>,
    /// Title of the page
    #[arg(long, value_name = "TEXT", default_value = "Two loudspeaker cables")]
    title: String,
    /// Also write each figure as an SVG file into this folder
    #[arg(long, value_name = "DIR")]
    figures: Option<PathBuf>,
    /// The response is on the first channel and the reference on the second
    #[arg(long)]
    swap: bool,
    /// Print what was written as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub(super) fn run(arguments: &ReportArguments, out: &mut dyn Write) -> Result<(), Failure> {
    for (what, count) in [("--music names", arguments.music.len()), ("--names gives", arguments.names.len())]
    {
        if count == 1 {
            return Err(Failure::bad(format!(
                "{what} one; two are needed, A and B, with a comma between them"
            )));
        }
    }
    let (mut files, mut notes) = (Vec::new(), Vec::new());
    let mut named = |role: &str, path: &Path| -> Result<(), Failure> {
        let contents =
            Contents::of_file(path).map_err(|error| Failure::bad(format!("{}: {error}", path.display())))?;
        let (name, sha256) = (crate::files::name(path), crate::stimulus::hex(&contents.sha256));
        files.push(RawFile { role: role.to_owned(), name, bytes: contents.bytes, sha256 });
        Ok(())
    };
    let options = Options { swapped: arguments.swap, ..Options::default() };
    let names: [String; 2] = if let [a, b] = &arguments.names[..] {
        [a.clone(), b.clone()]
    } else {
        [&arguments.a, &arguments.b]
            .map(|path| path.file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned()))
    };
    let mut of = |role: &str, name: &str, path: &Path| -> Result<Measured, Failure> {
        let recording = Recording::read(path)?;
        named(role, path)?;
        let response = measured(&recording, &options)?;
        notes.extend(response.notes.iter().map(|note| format!("{}: {note}", crate::files::name(path))));
        let [_, channel] = recording.pair(arguments.swap)?;
        // A short sweep tells a response and no harmonics.
        let distortion = distortion::measured(&channel).inspect_err(|error| note(&error.0)).ok();
        Ok(Measured { name: name.to_owned(), response, distortion })
    };
    let a = of("A, sweep", &names[0], &arguments.a)?;
    let b = of("B, sweep", &names[1], &arguments.b)?;
    let again = arguments.again.as_ref().map(|path| of("A, sweep again", &names[0], path)).transpose()?;
    let again = again.map(|again| apart(&again.response, &a.response)).transpose()?;
    let nulled = if let [one, other] = &arguments.music[..] {
        let mut read = |role: &str, path: &Path| -> Result<Long, Failure> {
            let long = Long::read(path)?;
            named(role, path)?;
            Ok(long)
        };
        let (one, other) = (read("A, music", one)?, read("B, music", other)?);
        let again = arguments.music_again.as_ref().map(|path| read("A, music again", path)).transpose()?;
        let found = |other: &Long| null(&one.last(), &other.last(), &mut |_| Ok(()));
        let baseline = again.as_ref().map(found).transpose()?;
        Some(Nulled { null: found(&other)?, baseline })
    } else {
        None
    };
    let apart = apart(&a.response, &b.response)?;
    let title = arguments.title.clone();
    let bench = Bench { title, cables: [a, b], apart, again, nulled, files, notes };
    whole::write(&arguments.out, &page(&bench))?;
    let mut written = vec![arguments.out.clone()];
    if let Some(folder) = &arguments.figures {
        whole::folder(folder)?;
        for (name, figure) in figures(&bench) {
            let path = folder.join(format!("{name}.svg"));
            whole::write(&path, &figure.standalone())?;
            written.push(path);
        }
    }
    if arguments.json {
        let document = json!({
            "schema": "earwitness.bench/1",
            "bench": "report",
            "files": written.iter().map(|path| path.display().to_string()).collect::<Vec<_>>(),
            "difference": {
                "largest_db": bench.apart.largest_db,
                "at_hz": bench.apart.at_hz,
                "uncertainty_db": bench.apart.largest_uncertainty_db(),
                "is_there": bench.apart.is_there,
                "sentence": sentence(&bench),
            },
            "raw": bench.files.iter().map(|file| json!({ "of": file.role, "file": file.name, "bytes": file.bytes, "sha256": file.sha256 })).collect::<Vec<_>>(),
        });
        return print_json(out, &document);
    }
    writeln!(out, "{} and {} are {}.", bench.cables[0].name, bench.cables[1].name, sentence(&bench))?;
    for path in written {
        writeln!(out, "{}", path.display())?;
    }
    Ok(())
}
