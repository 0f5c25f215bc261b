//! Archives: what `report --archive` puts into one, and how `verify` takes one apart.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::{Failure, whole};
use crate::evidence::{self, Options};
use crate::files;
use crate::report::archive::{Archive, LeftOut, Member, Reason, check_name};
use crate::report::model::Report;
use crate::report::{self, export, page};
use crate::session::{self, Contents, Session};
use crate::trial::record::InputTerms;
use crate::trial::sittings::PROGRAM;
use crate::trial::training::TRAINING;
use crate::trial::{Digest, format};
use crate::units::foreign;

/// Name of the written format in an archive, and its folders of sittings and report.
const FORMAT: &str = "FORMAT.md";
const SITTINGS: &str = "sittings/";
const REPORT: &str = "report/";
/// Name of the page for people among the report's files.
pub(super) const PAGE: &str = "report.html";

/// A file of a report: its name, and what writes it.
pub(super) type Document = (&'static str, fn(&Report, &mut dyn Write) -> std::io::Result<()>);

/// The report's files, as they are written into its folder and into an archive.
pub(super) const DOCUMENTS: [Document; 4] = [
    (PAGE, page::write),
    ("certificates.html", |report, out| out.write_all(page::certificates(report).as_bytes())),
    ("report.csv", export::csv),
    ("report.json", export::json),
];

/// The report's files with their bytes.
pub(super) fn report_files(report: &Report) -> std::io::Result<Vec<(&'static str, Vec<u8>)>> {
    let bytes = |&(name, write): &Document| {
        let mut bytes = Vec::new();
        write(report, &mut bytes)?;
        Ok((name, bytes))
    };
    DOCUMENTS.iter().map(bytes).collect()
}

/// Writes the archive of a session, its sittings and its report; gives a sentence about it.
pub(super) fn write(
    path: &Path,
    session: &Session,
    report: &Report,
    with_clips: bool,
) -> Result<String, Failure> {
    let archive = gather(session, report_files(report)?, with_clips)?;
    let bytes = archive.to_bytes().map_err(|error| Failure::bad(format!("--archive: {error}")))?;
    whole::replace(path, |file| file.write_all(&bytes))?;
    let left = match archive.left_out.len() {
        0 => String::new(),
        count => format!("; {count} files that the session reads are left out and named with their digests"),
    };
    Ok(format!(
        "written: {} with {} files{left}\n  SHA-256 of the archive: {}\n  Check it: earwitness verify {}",
        path.display(),
        archive.members.len(),
        Digest::of(&bytes),
        path.display()
    ))
}

fn gather(
    session: &Session,
    report: Vec<(&'static str, Vec<u8>)>,
    with_clips: bool,
) -> Result<Archive, Failure> {
    let unreadable = |path: &Path, error: std::io::Error| {
        Failure::bad(format!("--archive: {} cannot be read: {}", path.display(), files::reason(&error)))
    };
    let mut inputs = session.all_inputs().into_iter();
    let own = inputs.next().map(|input| input.name).unwrap_or_default();
    let member = |name: &str, bytes: &[u8]| Member { name: name.to_owned(), bytes: bytes.to_vec() };
    let mut members = vec![member(FORMAT, format::PAGE.as_bytes()), member(&own, session.source.as_bytes())];
    let mut left_out = Vec::new();
    for input in inputs {
        let contents = input.contents().map_err(|error| unreadable(&input.path, error))?;
        let reason = match check_name(&input.name) {
            Err(_) => Some(Reason::Outside),
            Ok(()) => (input.read.is_none() && !with_clips).then_some(Reason::Sound),
        };
        if let Some(reason) = reason {
            let (bytes, sha256) = (contents.bytes, Digest(contents.sha256));
            left_out.push(LeftOut { name: input.name, bytes, sha256, reason });
            continue;
        }
        // Of a picture what was sealed and is shown: nothing that a camera or a drawing program wrote beside it is handed on.
        let bytes = match session.picture(&input.name) {
            Some(picture) => picture.bytes.clone(),
            None => files::read(&input.path, files::LARGEST_JOURNAL_BYTES)
                .map_err(|error| unreadable(&input.path, error))?,
        };
        if Contents::of(&bytes) != contents {
            return Err(Failure::bad(format!(
                "--archive: {} was changed while it was read; try again",
                input.path.display()
            )));
        }
        members.push(Member { name: input.name, bytes });
    }
    let sittings = session.sittings_folder();
    let mut kept = match files::with_extension(&sittings, "jsonl") {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            return Err(unreadable(&sittings, error));
        }
        found => found.unwrap_or_default(),
    };
    kept.extend(Some(sittings.join(TRAINING)).filter(|path| path.exists()));
    for path in kept {
        let Some(name) = path.file_name().and_then(|name| name.to_str()) else {
            return Err(Failure::bad(format!("--archive: {} has a name that is no text", path.display())));
        };
        let bytes =
            files::read(&path, files::LARGEST_JOURNAL_BYTES).map_err(|error| unreadable(&path, error))?;
        members.push(Member { name: format!("{SITTINGS}{name}"), bytes });
    }
    members.extend(report.into_iter().map(|(name, bytes)| Member { name: format!("{REPORT}{name}"), bytes }));
    Ok(Archive { program: PROGRAM.to_owned(), session: own, members, left_out })
}

/// Why what an archive says of its own making does not hold, if so.
fn made_otherwise(archive: &Archive, session: &Result<Session, String>) -> Option<String> {
    if archive.program == PROGRAM
        && archive.member(FORMAT).is_some_and(|page| page != format::PAGE.as_bytes())
    {
        return Some(format!("{FORMAT} in it is not the page of the program that wrote it: it was changed"));
    }
    let inputs = session.as_ref().ok()?.all_inputs();
    let unread = archive.left_out.iter().find(|left| inputs.iter().all(|input| input.name != left.name))?;
    Some(format!(
        "{} is said to be left out of it, and the session in it does not read that file",
        unread.name
    ))
}

/// Whether an archive's report is the one that its own journals give.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Redrawn {
    /// Byte for byte.
    Same,
    /// These files are others.
    Differs(Vec<String>),
    /// The archive holds too little for it, as whoever wrote it chose.
    Without(String),
    /// It could not be tried.
    Not(String),
}

/// An archive that was taken apart into a folder of its own, which goes with this value.
#[derive(Debug)]
pub(super) struct Unpacked {
    folder: tempfile::TempDir,
    file: PathBuf,
    sha256: Digest,
    archive: Archive,
    redrawn: Redrawn,
    /// See [`made_otherwise`].
    made_otherwise: Option<String>,
    /// The session in it, what was left out known by its digest; or why it cannot be read.
    pub(super) session: Result<Session, String>,
}

/// Takes a file apart if it is an archive.
///
/// # Errors
/// It begins as one and is none, or cannot be taken apart.
pub(super) fn unpack(file: &Path) -> Result<Option<Unpacked>, Failure> {
    let bad = |error: &dyn std::fmt::Display| Failure::bad(format!("{}: {error}", file.display()));
    // What cannot be opened is told by whoever reads it as a journal.
    let begins = files::open(file).is_ok_and(|mut open| {
        let mut head = [0; 512];
        std::io::Read::read_exact(&mut open, &mut head).is_ok() && Archive::begins(&head)
    });
    if !begins {
        return Ok(None);
    }
    let bytes =
        files::read(file, files::LARGEST_JOURNAL_BYTES).map_err(|error| bad(&files::reason(&error)))?;
    let archive = Archive::parse(&bytes).map_err(|error| bad(&error))?;
    let folder = tempfile::tempdir().map_err(|error| bad(&files::reason(&error)))?;
    for member in &archive.members {
        let path = folder.path().join(&member.name);
        let parent = path.parent().unwrap_or(folder.path());
        std::fs::create_dir_all(parent)
            .and_then(|()| whole::with(&path, whole::Existing::Keep, |out| out.write_all(&member.bytes)))
            .map_err(|error| {
                bad(&format!(
                    "it cannot be taken apart in {}: {}",
                    folder.path().display(),
                    files::reason(&error)
                ))
            })?;
    }
    for left in archive.left_out.iter().filter(|left| left.reason == Reason::Sound) {
        // A session whose sound is not there is not read. Nobody listens to what stands in for it.
        let path = folder.path().join(&left.name);
        let made = path.parent().map_or(Ok(()), std::fs::create_dir_all);
        made.and_then(|()| whole::with(&path, whole::Existing::Keep, |_| Ok(())))
            .map_err(|error| bad(&error))?;
    }
    let session = session::load(&folder.path().join(&archive.session)).map(|mut session| {
        for input in &mut session.inputs {
            if let Some(left) = archive.left_out.iter().find(|left| left.name == input.name) {
                input.read = Some(Contents { bytes: left.bytes, sha256: left.sha256.0 });
            }
        }
        session
    });
    let session = session.map_err(|error| error.to_string());
    let (redrawn, made_otherwise) = (redraw(&archive, &session), made_otherwise(&archive, &session));
    Ok(Some(Unpacked {
        folder,
        file: file.to_path_buf(),
        sha256: Digest::of(&bytes),
        archive,
        redrawn,
        made_otherwise,
        session,
    }))
}

/// Draws the report anew from what the archive holds, and compares.
fn redraw(archive: &Archive, session: &Result<Session, String>) -> Redrawn {
    let session = match session {
        Ok(session) => session,
        Err(error) => return Redrawn::Not(format!("the session in it cannot be read: {error}")),
    };
    if archive.program != PROGRAM {
        return Redrawn::Not(format!("it was drawn by {}, and this is {PROGRAM}", archive.program));
    }
    if !archive.left_out.is_empty() {
        return Redrawn::Without("files that the session reads are left out".to_owned());
    }
    if session.yardstick.is_some() {
        return Redrawn::Without("its yardstick is a session of its own, outside of the archive".to_owned());
    }
    let drawn = evidence::folder(&session.sittings_folder(), None)
        .map(|readings| report::report(session, vec![readings], Options::default()))
        .and_then(|report| report_files(&report));
    match drawn {
        Err(error) => Redrawn::Not(error.to_string()),
        Ok(files) => {
            let differing: Vec<String> = files
                .iter()
                .map(|(name, bytes)| (format!("{REPORT}{name}"), bytes))
                .filter(|(name, bytes)| archive.member(name) != Some(bytes.as_slice()))
                .map(|(name, _)| name)
                .collect();
            if differing.is_empty() { Redrawn::Same } else { Redrawn::Differs(differing) }
        }
    }
}

impl Unpacked {
    /// The folder that stands for the session's, if anybody sat.
    pub(super) fn sittings(&self) -> Option<PathBuf> {
        let sat = self.archive.members.iter().any(|member| member.name.starts_with(SITTINGS));
        sat.then(|| self.folder.path().to_path_buf())
    }

    /// The folder that stands for the session's.
    pub(super) fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// What the session in it reads, as sittings seal it: by what the archive holds, and by the digests of what it does not.
    pub(super) fn inputs(&self) -> Vec<InputTerms> {
        let aside = |name: &str| name == FORMAT || name.starts_with(SITTINGS) || name.starts_with(REPORT);
        let held =
            self.archive.members.iter().filter(|member| !aside(&member.name)).map(|member| InputTerms {
                name: member.name.clone(),
                bytes: member.bytes.len() as u64,
                sha256: Digest::of(&member.bytes),
            });
        let named = self.archive.left_out.iter().map(|left| InputTerms {
            name: left.name.clone(),
            bytes: left.bytes,
            sha256: left.sha256,
        });
        held.chain(named).collect()
    }

    /// A path in that folder as a path in the archive, to be shown.
    pub(super) fn shown(&self, path: &Path) -> PathBuf {
        path.strip_prefix(self.folder.path())
            .map_or_else(|_| path.to_path_buf(), |inner| self.file.join(inner))
    }

    /// What does not fit.
    pub(super) fn problem(&self) -> Option<String> {
        match &self.redrawn {
            Redrawn::Differs(names) => Some(format!(
                "{} in it is not the report that its own journals give: it was changed, or written under other files",
                names.join(", ")
            )),
            Redrawn::Same | Redrawn::Without(_) | Redrawn::Not(_) => self.made_otherwise.clone(),
        }
    }

    /// What could not be checked here, though the archive should hold all that it takes.
    pub(super) fn unchecked(&self) -> Option<String> {
        matches!(self.redrawn, Redrawn::Not(_)).then(|| {
            format!(
                "{}: the report in it was not checked, only its journals: see above",
                foreign::path(&self.file)
            )
        })
    }

    /// For people.
    pub(super) fn print(&self, out: &mut dyn std::io::Write) -> std::io::Result<()> {
        let name = foreign::path(&self.file);
        writeln!(out, "{name}: an archive of {} files, each as its list says", self.archive.members.len())?;
        writeln!(out, "  SHA-256 {}", self.sha256)?;
        for left in &self.archive.left_out {
            let why = match left.reason {
                Reason::Sound => "sound",
                Reason::Outside => "outside of the session's folder",
            };
            writeln!(out, "  left out ({why}), SHA-256 {}: {}", left.sha256, foreign::shown(&left.name))?;
        }
        match (&self.redrawn, self.problem()) {
            (_, Some(problem)) => writeln!(out, "  {}", foreign::shown(&problem)),
            (Redrawn::Without(why) | Redrawn::Not(why), None) => {
                writeln!(
                    out,
                    "  report: not checked ({}), so do not rely on its words",
                    foreign::message(why)
                )?;
                writeln!(out, "          rely on the journals below, which are checked without it")
            }
            (_, None) => writeln!(out, "  report: drawn anew from its journals, and the same to the byte"),
        }
    }

    /// For programs.
    pub(super) fn document(&self) -> Value {
        json!({
            "file": self.file.display().to_string(),
            "sha256": self.sha256.hex(),
            "program": self.archive.program,
            "files": self.archive.members.iter().map(|member| &member.name).collect::<Vec<&String>>(),
            "left_out": self.archive.left_out,
            "report": match &self.redrawn {
                Redrawn::Same => "same",
                Redrawn::Differs(_) => "differs",
                Redrawn::Without(_) | Redrawn::Not(_) => "not-drawn-anew",
            },
            "report_not_checked": match &self.redrawn {
                Redrawn::Without(why) | Redrawn::Not(why) => Some(why),
                Redrawn::Same | Redrawn::Differs(_) => None,
            },
            "problem": self.problem(),
        })
    }
}
