//! `earwitness report`.

use std::io::Write;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::archive::{DOCUMENTS, Document};
use super::{Failure, archive, note, print_lines, timings, whole};
use crate::evidence::{self, Options, Readings};
use crate::report::model::Report;
use crate::report::svg::Figure;
use crate::report::{self, drawn, export, methods};
use crate::session;

/// Most letters that a PDF lacks and that are named.
const MOST_LETTERS: usize = 40;

/// What was typed after `report`.
#[derive(Debug, clap::Args)]
pub struct ReportArguments {
    /// Session file, or the folder it is in
    session: PathBuf,
    /// Folder for report.html, report.csv, report.json and certificates.html [default: report/ beside the session]
    #[arg(long, value_name = "DIR", conflicts_with_all = ["csv", "json"])]
    out: Option<PathBuf>,
    /// Replace names with numbers, and leave out what could give them away
    #[arg(long)]
    anonymous: bool,
    /// Print the table of trials instead of writing files
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// Print the JSON document instead of writing files
    #[arg(long)]
    json: bool,
    /// Print the table of trials as JSON, with its data dictionary
    #[arg(long, conflicts_with_all = ["csv", "json", "out"])]
    trials: bool,
    /// Print what each column of the table means, as CSV
    #[arg(long, conflicts_with_all = ["csv", "json", "trials", "out"])]
    dictionary: bool,
    /// Print what was done in plain English, ready to paste into an article
    #[arg(long, conflicts_with_all = ["csv", "json", "trials", "dictionary", "out"])]
    methods: bool,
    /// Write every figure into this folder too, as SVG and as PDF, as wide as a column of print (85 mm)
    #[arg(long, value_name = "DIR", conflicts_with_all = ["csv", "json", "trials", "dictionary", "methods"])]
    figures: Option<PathBuf>,
    /// Also write session, tables, journals, register and report into one file, which `verify` checks; of sounds it
    /// holds the digests
    #[arg(long, value_name = "FILE", conflicts_with_all = ["csv", "json", "trials", "dictionary", "methods", "anonymous", "pool"])]
    archive: Option<PathBuf>,
    /// Put the sounds into the archive too
    #[arg(long, requires = "archive")]
    with_clips: bool,
    /// Add the journals of other places: folders with the same session; NAME=DIR names a place
    #[arg(long, value_name = "SITE", num_args = 1..)]
    pool: Vec<String>,
}

/// Runs the command.
pub fn run(arguments: &ReportArguments, out: &mut dyn Write) -> Result<(), Failure> {
    timings::stage("session");
    let session = session::load(&arguments.session).map_err(Failure::bad)?;
    timings::stage("journals");
    let readings = read(&session, &arguments.pool)?;
    timings::stage("report");
    let report = report::report(&session, readings, Options { anonymous: arguments.anonymous });
    timings::stage("output");
    if arguments.csv {
        return Ok(export::csv(&report, out)?);
    }
    if arguments.json {
        return Ok(export::json(&report, out)?);
    }
    if arguments.trials {
        return Ok(export::trials(&report, out)?);
    }
    if arguments.dictionary {
        return Ok(export::dictionary(&report, out)?);
    }
    if arguments.methods {
        for paragraph in methods::paragraphs(&report) {
            writeln!(out, "{paragraph}\n")?;
        }
        return Ok(());
    }
    let folder = arguments.out.clone().unwrap_or_else(|| session.report_folder());
    // A folder that cannot be had is refused before anything is written.
    if let Some(folder) = &arguments.figures {
        whole::folder(folder)?;
    }
    write_into(&folder, &report)?;
    print_lines(out, report::summary(&report))?;
    note(&format!(
        "written: report.html, certificates.html, report.csv and report.json in {}",
        folder.display()
    ));
    if let Some(folder) = &arguments.figures {
        let figures = drawn::every(&report);
        for (place, figure) in figures.iter().enumerate() {
            let name = drawn::file_name(place, figure);
            whole::replace(&folder.join(format!("{name}.svg")), |file| {
                file.write_all(figure.column().as_bytes())
            })?;
            whole::replace(&folder.join(format!("{name}.pdf")), |file| file.write_all(&figure.pdf()))?;
        }
        note(&format!("written: {} figures, each as SVG and PDF, in {}", figures.len(), folder.display()));
        let mut lacking: Vec<char> = figures.iter().flat_map(Figure::lacking_in_pdf).collect();
        lacking.sort_unstable();
        lacking.dedup();
        if !lacking.is_empty() {
            note(&format!(
                "the PDF files show ? for {}: they cannot be drawn from the fonts of this machine. The SVG files have them all",
                lacking.iter().take(MOST_LETTERS).map(char::to_string).collect::<Vec<_>>().join(" ")
            ));
        }
    }
    if let Some(path) = &arguments.archive {
        note(&archive::write(path, &session, &report, arguments.with_clips)?);
    }
    Ok(())
}

/// Writes the report that `earwitness report` would write now of the session in this file; gives the page, or says why it
/// cannot be written.
pub(super) fn write(session: &Path) -> Result<PathBuf, String> {
    let written = || {
        let session = session::load(session).map_err(Failure::bad)?;
        let folder = session.report_folder();
        let report = report::report(&session, read(&session, &[])?, Options { anonymous: false });
        write_into(&folder, &report)?;
        Ok(folder.join(archive::PAGE))
    };
    written().map_err(|(Failure::No(why) | Failure::Bad(why))| why)
}

/// Writes the report's files, side by side. Where one cannot be written the others are, and it is said which are new: files of two
/// days look like one report.
fn write_into(folder: &Path, report: &Report) -> Result<(), Failure> {
    whole::folder(folder)?;
    let write =
        |&(name, write): &Document| (name, whole::replace(&folder.join(name), |file| write(report, file)));
    let tried: Vec<(&str, Result<(), Failure>)> = DOCUMENTS.par_iter().map(write).collect();
    let (mut written, mut missing, mut first) = (Vec::new(), Vec::new(), None);
    for (name, outcome) in tried {
        match outcome {
            Ok(()) => written.push(name.to_owned()),
            Err(Failure::No(why) | Failure::Bad(why)) => {
                let older =
                    if folder.join(name).is_file() { " (the one that is there is older)" } else { "" };
                missing.push(format!("{name}{older}"));
                first.get_or_insert(why);
            }
        }
    }
    let Some(why) = first else { return Ok(()) };
    let written = match &written[..] {
        [] => "None of the report's files was written".to_owned(),
        names => format!("Written: {}", names.join(", ")),
    };
    Err(Failure::bad(format!(
        "{why}. {written}. Not written: {}. Put this right and write the report again.",
        missing.join(", ")
    )))
}

/// The session's own sittings, and those of other places.
fn read(session: &session::Session, pool: &[String]) -> Result<Vec<Readings>, Failure> {
    fn unreadable(folder: &Path) -> impl Fn(std::io::Error) -> Failure + '_ {
        Failure::of_file(folder, "the folder of sittings cannot be read")
    }
    let own = session.sittings_folder();
    let mut given: Vec<PathBuf> = Vec::new();
    if pool.is_empty() {
        return Ok(vec![evidence::folder(&own, None).map_err(unreadable(&own))?]);
    }
    let mut readings = Vec::new();
    if own.is_dir() {
        given.extend(own.canonicalize().ok());
        readings.push(evidence::folder(&own, Some("here".to_owned())).map_err(unreadable(&own))?);
    }
    for site in pool {
        let (name, path) = match site.split_once('=') {
            Some((name, path)) if !name.is_empty() && !Path::new(site).exists() => {
                (name.to_owned(), PathBuf::from(path))
            }
            _ => {
                let path = PathBuf::from(site);
                let name = path.file_name().map(|name| name.to_string_lossy().into_owned());
                (name.unwrap_or_else(|| format!("place {}", readings.len() + 1)), path)
            }
        };
        let inner = path.join("sittings");
        let folder = if inner.is_dir() { inner } else { path };
        if !folder.is_dir() {
            return Err(Failure::bad(format!(
                "{}: there is no such folder; --pool takes folders of the same session, with their sittings",
                folder.display()
            )));
        }
        let real = folder.canonicalize().map_err(unreadable(&folder))?;
        if given.contains(&real) {
            return Err(Failure::bad(format!(
                "{}: this place is in the report already; name each place once, the session's own is always in",
                folder.display()
            )));
        }
        given.push(real);
        readings.push(evidence::folder(&folder, Some(name)).map_err(unreadable(&folder))?);
    }
    Ok(readings)
}
