//! Stimuli as WAV files: whole or not at all, in bounded memory.

use std::path::{Path, PathBuf};

use super::plan::{plan, push_all};
use super::{PairKind, PairLevels, Progress, StimulusError};
use crate::clip::dither::{Dither, WordLength};
use crate::clip::loudness::Meter;
use crate::clip::write::{WavWriter, check_size};
use crate::session::Session;

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
    let (plan, count) = plan(session, progress, 1)?;
    let write_error =
        |error: crate::clip::ClipError| StimulusError::Write { file: folder.to_path_buf(), message: error.0 };
    std::fs::create_dir_all(folder).map_err(|error| StimulusError::Write {
        file: folder.to_path_buf(),
        message: format!("the folder cannot be made: {error}; choose another with --out"),
    })?;
    let mut waiting = Vec::new();
    let mut levels = Vec::new();
    for (number, whole) in plan.groups.iter().enumerate() {
        let mut group = whole.clone();
        group.sides.truncate(2);
        let (PairKind::Comparison { comparison, clip } | PairKind::Control { comparison, clip, .. }) =
            group.pairs[0].0;
        let clip_name = &session.clips[clip].name;
        let stem = format!("{}-{}", file_stem(&session.comparisons[comparison].name), file_stem(clip_name));
        let info = group.clip.info();
        let channels = usize::from(info.channels);
        let mut writers = Vec::new();
        let mut meters = Vec::new();
        for side in ["a", "b"] {
            let path = folder.join(format!("{stem}-{side}.wav"));
            if waiting.iter().any(|(_, taken)| *taken == path) {
                return Err(StimulusError::Comparison {
                    comparison: session.comparisons[comparison].name.clone(),
                    message: format!("two stimuli would have the file name {}; rename one", path.display()),
                });
            }
            check_size(&path, word, channels, info.frames).map_err(write_error)?;
            // One seed per clip: A and B carry the same noise, so it tells nothing apart.
            let dither = Dither::new(number as u64);
            writers.push((
                WavWriter::create(&path, word, channels, info.rate_hz, dither).map_err(write_error)?,
                path,
            ));
            meters.push(Meter::new(channels, info.rate_hz).map_err(write_error)?);
        }
        let gains: Vec<f64> = group.sides.iter().map(|side| side.gain).collect();
        group
            .pass(&gains, &count, &format!("writing {clip_name}"), &mut |block| {
                push_all(&mut meters, block)?;
                for ((writer, _), side) in writers.iter_mut().zip(&block.sides) {
                    writer.push(&side.iter().map(Vec::as_slice).collect::<Vec<_>>())?;
                }
                Ok(())
            })
            .map_err(|error| StimulusError::Clip { clip: clip_name.clone(), message: error.0 })?;
        for (writer, path) in writers {
            waiting.push((writer.complete().map_err(write_error)?, path));
        }
        let readings =
            meters.into_iter().map(Meter::finish).collect::<Result<Vec<_>, _>>().map_err(write_error)?;
        levels.push(plan.levels(&group, group.pairs[0], &readings));
    }
    let mut files: Vec<PathBuf> = Vec::new();
    for (temporary, path) in waiting {
        if let Err(error) = temporary.persist(&path) {
            for file in &files {
                let _ = std::fs::remove_file(file);
            }
            return Err(StimulusError::Write {
                file: path,
                message: format!("cannot be written: {}; nothing was left behind", error.error),
            });
        }
        files.push(path);
    }
    Ok(Rendered { files, levels, notes: plan.notes })
}
