//! Stimuli as WAV files: whole or not at all, in bounded memory.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use tempfile::NamedTempFile;

use super::plan::{Count, Key, Plan, outline};
use super::{PairKind, PairLevels, Progress, StimulusError};
use crate::clip::ClipError;
use crate::clip::dither::{Dither, WordLength};
use crate::clip::write::{WavWriter, check_size, copy};
use crate::filter::Filtered;
use crate::session::{Levels, Session};

/// What was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Rendered {
    /// The files, side A and side B of each comparison and clip, in session order.
    pub files: Vec<PathBuf>,
    /// How the levels came about, one entry per pair of files.
    pub levels: Vec<PairLevels>,
    /// What the user should know.
    pub notes: Vec<String>,
}

/// A name as part of a file name: letters, digits, `-`, `_` and `.` are kept, the rest becomes `_`.
pub fn file_stem(name: &str) -> String {
    let stem: String = name
        .chars()
        .map(|letter| if letter.is_alphanumeric() || "-_.".contains(letter) { letter } else { '_' })
        .collect();
    if stem.starts_with('.') { format!("_{stem}") } else { stem }
}

/// A file to be written: its path, the sound in it, and that sound's gain.
struct Wanted {
    path: PathBuf,
    work: usize,
    fir: usize,
    gain: f64,
}

impl Wanted {
    fn key(&self) -> Key {
        (self.work, self.fir, self.gain.to_bits())
    }
}

/// Both files of every comparison and clip, in session order.
fn wanted(
    session: &Session,
    folder: &Path,
    plan: &Plan,
    word: WordLength,
) -> Result<Vec<Wanted>, StimulusError> {
    let mut files: Vec<Wanted> = Vec::new();
    let mut taken = std::collections::BTreeSet::new();
    for group in &plan.groups {
        let comparison = session.comparisons[group.comparison].name.as_written();
        let stem =
            format!("{}-{}", file_stem(comparison), file_stem(session.clips[group.clip].name.as_written()));
        for (letter, side) in ["a", "b"].into_iter().zip(&group.sides) {
            let path = folder.join(format!("{stem}-{letter}.wav"));
            if !taken.insert(path.clone()) {
                return Err(StimulusError::Comparison {
                    comparison: comparison.to_owned(),
                    message: format!("two stimuli would have the file name {}; rename one", path.display()),
                });
            }
            let info = plan.works[side.work].source.info();
            check_size(&path, word, usize::from(info.channels), info.frames)
                .map_err(|error| StimulusError::Write { file: folder.to_path_buf(), message: error.0 })?;
            files.push(Wanted { path, work: side.work, fir: side.fir, gain: side.gain });
        }
    }
    Ok(files)
}

/// Unfinished files of sounds.
struct Drafts {
    writers: BTreeMap<Key, (WavWriter, Vec<Vec<f64>>)>,
    /// Why a file could not be written.
    failed: Option<ClipError>,
}

impl Drafts {
    /// One file for each distinct sound. A clip has one seed: A and B carry the same noise, so it tells nothing apart.
    fn begin<'w>(
        plan: &Plan,
        files: impl Iterator<Item = &'w Wanted>,
        word: WordLength,
    ) -> Result<Self, ClipError> {
        let mut writers = BTreeMap::new();
        for file in files {
            if let std::collections::btree_map::Entry::Vacant(place) = writers.entry(file.key()) {
                let info = plan.works[file.work].source.info();
                let dither = Dither::new(plan.works[file.work].clip as u64);
                let channels = usize::from(info.channels);
                let writer = WavWriter::create(&file.path, word, channels, info.rate_hz, dither)?;
                place.insert((writer, vec![Vec::new(); channels]));
            }
        }
        Ok(Self { writers, failed: None })
    }

    fn push(&mut self, work: usize, firs: &[usize], block: &Filtered) -> Result<(), ClipError> {
        let mine = self.writers.range_mut((work, 0, 0)..(work + 1, 0, 0)).filter_map(|(key, writer)| {
            let place = firs.iter().position(|of| *of == key.1)?;
            Some((&block.sides[place], f64::from_bits(key.2), writer))
        });
        let pushed =
            mine.collect::<Vec<_>>().into_par_iter().try_for_each(|(side, gain, (writer, louder))| {
                if gain == 1.0 {
                    return writer.push(&side.iter().map(Vec::as_slice).collect::<Vec<_>>());
                }
                for (louder, channel) in louder.iter_mut().zip(side) {
                    louder.clear();
                    louder.extend(channel.iter().map(|sample| sample * gain));
                }
                writer.push(&louder.iter().map(Vec::as_slice).collect::<Vec<_>>())
            });
        pushed.inspect_err(|error| self.failed = Some(error.clone()))
    }
}

/// Makes a folder, and takes back what was made of the way to it unless it is kept.
struct Folder {
    made: Vec<PathBuf>,
}

impl Folder {
    fn make(folder: &Path) -> Result<Self, StimulusError> {
        let missing = folder.ancestors().take_while(|part| !part.as_os_str().is_empty() && !part.exists());
        let made = missing.map(Path::to_path_buf).collect();
        std::fs::create_dir_all(folder).map_err(|error| StimulusError::Write {
            file: folder.to_path_buf(),
            message: format!(
                "the folder cannot be made: {error}; choose another with --out",
                error = crate::files::reason(&error)
            ),
        })?;
        Ok(Self { made })
    }

    fn keep(mut self) {
        self.made.clear();
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        for part in &self.made {
            // One that somebody has put something into stays.
            let _ = std::fs::remove_dir(part);
        }
    }
}

/// Writes `<comparison>-<clip>-a.wav` and `-b.wav` for every comparison and clip of a session. The files appear together
/// at the end; if anything fails, none does. Dither of both sides is the same.
///
/// # Errors
/// As [`super::prepare`]; a folder that cannot be written; more sound than a WAV file can hold.
pub fn render(
    session: &Session,
    folder: &Path,
    word: WordLength,
    progress: &dyn Progress,
) -> Result<Rendered, StimulusError> {
    let write_error =
        |error: ClipError| StimulusError::Write { file: folder.to_path_buf(), message: error.0 };
    let mut plan = outline(session)?;
    let files = wanted(session, folder, &plan, word)?;
    // Dropped after every file in it.
    let made = Folder::make(folder)?;
    // As wired, most often no gain is needed: what goes by while it is measured is then what is written.
    let likely = session.levels == Levels::AsWired;
    let mut drafts = Drafts::begin(&plan, files.iter().filter(|_| likely), word).map_err(write_error)?;
    let count = Count::new(progress, 0);
    let settled = plan.settle(session, &count, &mut |work, firs, block| drafts.push(work, firs, block));
    if let Some(error) = drafts.failed.take() {
        return Err(write_error(error));
    }
    settled?;
    let files = wanted(session, folder, &plan, word)?;
    let mut ready = drafts.writers;
    ready.retain(|key, _| files.iter().any(|file| file.key() == *key));
    let missing = files.iter().filter(|file| !ready.contains_key(&file.key()));
    let mut again = Drafts::begin(&plan, missing, word).map_err(write_error)?;
    let keys: Vec<Key> = again.writers.keys().copied().collect();
    let written =
        plan.again(session, &keys, &count, "writing", &mut |work, firs, block| again.push(work, firs, block));
    if let Some(error) = again.failed.take() {
        return Err(write_error(error));
    }
    written?;
    ready.append(&mut again.writers);
    let mut finished: BTreeMap<Key, NamedTempFile> = BTreeMap::new();
    for (key, (writer, _)) in ready {
        finished.insert(key, writer.complete().map_err(write_error)?);
    }
    // A sound that several files hold is copied for all but the last of them.
    let mut uses: BTreeMap<Key, usize> = BTreeMap::new();
    for file in &files {
        *uses.entry(file.key()).or_default() += 1;
    }
    let mut waiting = Vec::new();
    for file in &files {
        let (key, left) = (file.key(), uses.entry(file.key()).or_default());
        *left -= 1;
        let temporary = if *left == 0 { finished.remove(&key) } else { None };
        let temporary = match (temporary, finished.get(&key)) {
            (Some(temporary), _) => temporary,
            (None, Some(original)) => copy(original, &file.path).map_err(write_error)?,
            (None, None) => continue,
        };
        waiting.push((temporary, file.path.clone()));
    }
    let mut done: Vec<PathBuf> = Vec::new();
    for (temporary, path) in waiting {
        if let Err(error) = temporary.persist(&path) {
            for file in &done {
                let _ = std::fs::remove_file(file);
            }
            return Err(StimulusError::Write {
                file: path,
                message: format!("cannot be written: {}; nothing was left behind", error.error),
            });
        }
        done.push(path);
    }
    made.keep();
    let comparisons = plan.pairs().filter(|(_, (kind, ..))| matches!(kind, PairKind::Comparison { .. }));
    let levels = comparisons.map(|(group, pair)| plan.levels(group, pair)).collect();
    Ok(Rendered { files: done, levels, notes: plan.notes })
}
