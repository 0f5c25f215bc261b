//! Everything that a report rests on in one file that verifies as one.
//!
//! Comes in: files with their names, and what was left out. Goes out: the bytes of an archive, and back. It is a POSIX tar
//! (IEEE 1003.1, ustar) of regular files without times, owners or other attributes, so the same files give the same bytes;
//! the first is the list of all others with their lengths and digests. Only that one spelling is read: bytes that the
//! archive's own files do not account for, links, folders, names that lead out of a folder, and names that two systems
//! would take for one are refused before anything is written anywhere.

use std::collections::BTreeSet;
use std::io::Read as _;

use serde::{Deserialize, Serialize};

use crate::trial::Digest;
use crate::units::foreign::{self, shortened};

/// Name of the list, which is the first file.
pub const MANIFEST: &str = "MANIFEST.json";
/// Most files of an archive.
const MOST_MEMBERS: usize = 100_000;
/// Longest name in bytes: what the format has room for in one piece.
const LONGEST_NAME: usize = 100;
const SCHEMA: &str = "earwitness.archive/1";

/// A file of an archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    /// Its name, with `/` between folders.
    pub name: String,
    /// What is in it.
    pub bytes: Vec<u8>,
}

/// Why a file that the session reads is only named.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// It is sound, which may not be everybody's to hand on.
    Sound,
    /// It lies outside of the session's folder.
    Outside,
}

/// A file that the session reads and the archive does not hold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// Its name as the session writes it.
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes.
    pub sha256: Digest,
    /// Why.
    pub reason: Reason,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Listed {
    name: String,
    bytes: u64,
    sha256: Digest,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Manifest {
    schema: String,
    program: String,
    session: String,
    files: Vec<Listed>,
    left_out: Vec<LeftOut>,
}

/// An archive in memory.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Archive {
    /// Program, version and build that wrote it.
    pub program: String,
    /// Name of the session file among the members.
    pub session: String,
    /// All files but the list.
    pub members: Vec<Member>,
    /// What the session reads besides.
    pub left_out: Vec<LeftOut>,
}

/// Why bytes are no archive, or files cannot become one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct ArchiveError(String);

fn refused<T>(message: impl Into<String>) -> Result<T, ArchiveError> {
    Err(ArchiveError(message.into()))
}

impl Archive {
    /// Whether bytes begin as an archive does.
    pub fn begins(bytes: &[u8]) -> bool {
        bytes.starts_with(format!("{MANIFEST}\0").as_bytes()) && bytes.get(257..262) == Some(b"ustar")
    }

    /// The archive's bytes: the same for the same files.
    ///
    /// # Errors
    /// A name cannot be in an archive.
    pub fn to_bytes(&self) -> Result<Vec<u8>, ArchiveError> {
        check_names(self.members.iter().map(|member| member.name.as_str()))?;
        let manifest = Manifest {
            schema: SCHEMA.to_owned(),
            program: self.program.clone(),
            session: self.session.clone(),
            files: self
                .members
                .iter()
                .map(|member| Listed {
                    name: member.name.clone(),
                    bytes: member.bytes.len() as u64,
                    sha256: Digest::of(&member.bytes),
                })
                .collect(),
            left_out: self.left_out.clone(),
        };
        let wrong = |error: &dyn std::fmt::Display| ArchiveError(error.to_string());
        let mut list = serde_json::to_vec_pretty(&manifest).map_err(|error| wrong(&error))?;
        list.push(b'\n');
        let mut writer = tar::Builder::new(Vec::new());
        let files = self.members.iter().map(|member| (member.name.as_str(), member.bytes.as_slice()));
        for (name, bytes) in std::iter::once((MANIFEST, list.as_slice())).chain(files) {
            let mut header = tar::Header::new_ustar();
            header.set_path(name).map_err(|error| wrong(&error))?;
            header.set_size(bytes.len() as u64);
            header.set_mode(0o644);
            header.set_cksum();
            writer.append(&header, bytes).map_err(|error| wrong(&error))?;
        }
        writer.into_inner().map_err(|error| wrong(&error))
    }

    /// Reads what [`Archive::to_bytes`] writes, and nothing else.
    ///
    /// # Errors
    /// It is no archive, or has another spelling; what it holds does not fit its list.
    pub fn parse(bytes: &[u8]) -> Result<Self, ArchiveError> {
        let unreadable =
            |error: std::io::Error| ArchiveError(format!("it cannot be read as an archive: {error}"));
        let mut members = Vec::new();
        for entry in tar::Archive::new(bytes).entries().map_err(unreadable)?.raw(true) {
            let mut entry = entry.map_err(unreadable)?;
            let name = String::from_utf8_lossy(&entry.header().path_bytes()).into_owned();
            if entry.header().entry_type() != tar::EntryType::Regular {
                return refused(format!(
                    "\"{}\" in it is no file: links, folders and the like are refused",
                    shortened(&name)
                ));
            }
            if members.len() > MOST_MEMBERS {
                return refused(format!("it has more than {MOST_MEMBERS} files"));
            }
            // What a header promises is not asked for in advance: there are no more bytes than were given.
            let mut content = Vec::new();
            entry.read_to_end(&mut content).map_err(unreadable)?;
            members.push(Member { name, bytes: content });
        }
        let Some(first) = members.first().filter(|first| first.name == MANIFEST) else {
            return refused(format!("its first file is not {MANIFEST}"));
        };
        let manifest: Manifest = serde_json::from_slice(&first.bytes).map_err(|error| {
            ArchiveError(format!("its {MANIFEST} cannot be read: {}", foreign::message(&error)))
        })?;
        if manifest.schema != SCHEMA {
            return refused(format!(
                "its schema is \"{}\", and {SCHEMA} is read here",
                shortened(&manifest.schema)
            ));
        }
        members.remove(0);
        check_names(members.iter().map(|member| member.name.as_str()))?;
        for (listed, member) in manifest.files.iter().zip(&members) {
            if listed.name != member.name {
                return refused(format!(
                    "\"{}\" stands where its list has \"{}\"",
                    member.name,
                    shortened(&listed.name)
                ));
            }
            if listed.bytes != member.bytes.len() as u64 || listed.sha256 != Digest::of(&member.bytes) {
                return refused(format!("\"{}\" is not what its list says: it was changed", member.name));
            }
        }
        if manifest.files.len() != members.len() {
            return refused(format!(
                "its list has {} files, and it holds {}",
                manifest.files.len(),
                members.len()
            ));
        }
        for left in manifest.left_out.iter().filter(|left| left.reason == Reason::Sound) {
            check_name(&left.name)?;
            if members.iter().any(|member| member.name.eq_ignore_ascii_case(&left.name)) {
                return refused(format!("\"{}\" is in it, and is said to be left out", left.name));
            }
        }
        let archive = Self {
            program: manifest.program,
            session: manifest.session,
            members,
            left_out: manifest.left_out,
        };
        if archive.member(&archive.session).is_none() {
            return refused(format!("its session file \"{}\" is not in it", shortened(&archive.session)));
        }
        if archive.to_bytes()? != bytes {
            return refused(
                "its bytes are not those that its files give: something is hidden in it, or another program wrote it",
            );
        }
        Ok(archive)
    }

    /// The bytes of a file in it.
    pub fn member(&self, name: &str) -> Option<&[u8]> {
        self.members.iter().find(|member| member.name == name).map(|member| member.bytes.as_slice())
    }
}

/// Whether a name can be that of a file in an archive.
///
/// # Errors
/// It leads out of the folder, is too long, or means something else on another system.
pub fn check_name(name: &str) -> Result<(), ArchiveError> {
    let strange = |letter: char| letter.is_control() || matches!(letter, '\\' | ':');
    let wrong = |part: &str| part.is_empty() || part == "." || part == ".." || part.ends_with(['.', ' ']);
    if name.len() > LONGEST_NAME {
        return refused(format!("the name \"{}\" is longer than {LONGEST_NAME} bytes", shortened(name)));
    }
    if name.chars().any(strange) || name.split('/').any(wrong) {
        return refused(format!(
            "the name \"{name}\" does not lead to a file in one folder on every system: no \"..\", no \"\\\", no \":\""
        ));
    }
    Ok(())
}

fn check_names<'n>(names: impl Iterator<Item = &'n str>) -> Result<(), ArchiveError> {
    let mut known = BTreeSet::from([MANIFEST.to_lowercase()]);
    let mut folders = BTreeSet::new();
    for name in names {
        check_name(name)?;
        let name = name.to_lowercase();
        folders.extend(name.match_indices('/').map(|(at, _)| name[..at].to_owned()));
        if !known.insert(name.clone()) {
            return refused(format!("two files in it are called \"{name}\", with letters of either case"));
        }
    }
    match known.intersection(&folders).next() {
        Some(name) => refused(format!("\"{name}\" in it is a file and a folder")),
        None => Ok(()),
    }
}
