//! Recordings that are played in place of what is computed: `recording` and its companions in `[cables.NAME]`.
//!
//! A cable that was recorded still says what it is, for the prediction beside it; a comparison on a clip plays recordings
//! of both of its sides or of none.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::reader::{SessionError, Table, not_among};
use super::{Comparison, Session};

/// What becomes of a recording whose polarity is the other one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RecordedPolarity {
    /// It is turned round.
    Corrected,
    /// It is played as it was recorded.
    Inverted,
}

/// How often the cable of side A was recorded, in a comparison of recordings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Takes {
    /// Once: an identical control plays the same recording on both sides.
    One,
    /// Twice: an identical control plays the one against the other, so it tells what repeating alone gives away.
    Two,
}

/// The recordings of a cable on one clip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordedClip {
    /// Index of the clip.
    pub clip: usize,
    /// What was recorded at the loudspeaker's terminals while the clip was played.
    pub take: PathBuf,
    /// The same once more.
    pub again: Option<PathBuf>,
}

/// What was recorded of a cable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// On each clip that was recorded.
    pub clips: Vec<RecordedClip>,
    /// What becomes of a reversed polarity; nobody said so if `None`.
    pub polarity: Option<RecordedPolarity>,
}

impl Recorded {
    /// The recordings on a clip.
    pub fn on(&self, clip: usize) -> Option<&RecordedClip> {
        self.clips.iter().find(|recorded| recorded.clip == clip)
    }
}

/// The keys of one `[cables.NAME]`; `clips` are the names of the session's clips.
pub(super) fn recorded(
    table: &mut Table<'_>,
    folder: &Path,
    clips: &[String],
) -> Result<Option<Recorded>, SessionError> {
    let takes = files(table, "recording", folder, clips)?;
    let mut again = files(table, "recording_again", folder, clips)?;
    let polarity = table.choice(
        "recording_polarity",
        &[("corrected", RecordedPolarity::Corrected), ("inverted", RecordedPolarity::Inverted)],
    )?;
    if takes.is_empty() {
        return match ["recording_again", "recording_polarity"].into_iter().find(|key| table.has(key)) {
            Some(key) => Err(table.error_at(key, "belongs to `recording`, which is not there")),
            None => Ok(None),
        };
    }
    let mut found = Vec::new();
    for (clip, take) in takes {
        let second = again.iter().position(|(of, _)| *of == clip).map(|at| again.swap_remove(at).1);
        if second.as_ref() == Some(&take) {
            return Err(table.error_at(
                "recording_again",
                format!(
                    "{} is the file of `recording` itself; a second recording of the same cable tells what repeating alone \
                     changes",
                    take.display()
                ),
            ));
        }
        found.push(RecordedClip { clip, take, again: second });
    }
    if let Some((clip, _)) = again.first() {
        return Err(table.error_at(
            "recording_again",
            format!("`recording` names no file for the clip {}", clips[*clip]),
        ));
    }
    Ok(Some(Recorded { clips: found, polarity }))
}

/// Indices of clips, and the files for them: one text where the session has one clip, else a table of texts by clip.
fn files(
    table: &mut Table<'_>,
    key: &'static str,
    folder: &Path,
    clips: &[String],
) -> Result<Vec<(usize, PathBuf)>, SessionError> {
    let named: Vec<(usize, String)> = if table.is_text(key) {
        if clips.len() != 1 {
            let each = clips.iter().map(|clip| format!("{clip} = \"{clip}.wav\"")).collect::<Vec<_>>();
            return Err(table.error_at(
                key,
                format!(
                    "a recording is one of one clip, and the session has {}: write {key} = {{ {} }}",
                    clips.len(),
                    each.join(", ")
                ),
            ));
        }
        table.text(key)?.map(|name| (0, name)).into_iter().collect()
    } else if let Some(inner) = table.table(key)? {
        let names: Vec<&str> = clips.iter().map(String::as_str).collect();
        let mut named = Vec::new();
        for (clip, name) in inner.named_texts()? {
            let Some(index) = names.iter().position(|of| *of == clip) else {
                return Err(
                    inner.error_at(&clip, format!("no clip of this name: {}", not_among(&clip, &names)))
                );
            };
            named.push((index, name));
        }
        named
    } else {
        Vec::new()
    };
    named
        .into_iter()
        .map(|(clip, name)| {
            let path = folder.join(&name);
            if !path.is_file() {
                return Err(table.error_at(
                    key,
                    format!(
                        "there is no file {}; paths are relative to the session's folder, and `earwitness bench capture --play \
                         CLIP --out {name}` records one",
                        path.display()
                    ),
                ));
            }
            table.reads(&name, &path, None);
            Ok((clip, path))
        })
        .collect()
}

impl Session {
    /// The recordings of both sides of a comparison on a clip, where it plays recordings.
    pub fn recordings(&self, comparison: &Comparison, clip: usize) -> Option<[&RecordedClip; 2]> {
        let of = |cable: usize| self.cables[cable].recorded.as_ref()?.on(clip);
        Some([of(comparison.a)?, of(comparison.b)?])
    }

    /// How often side A was recorded, where a comparison plays recordings: on the clip that was recorded least.
    pub fn takes(&self, comparison: &Comparison) -> Option<Takes> {
        let mut of_clips =
            comparison.clips.iter().filter_map(|clip| self.recordings(comparison, *clip)).peekable();
        of_clips.peek()?;
        Some(if of_clips.all(|[a, _]| a.again.is_some()) { Takes::Two } else { Takes::One })
    }
}

/// Refuses a comparison on a clip of which one side was recorded and the other was not, and what cannot be done with
/// recordings.
pub(super) fn check(table: &Table<'_>, session: &Session) -> Result<(), SessionError> {
    for comparison in &session.comparisons {
        for &clip in &comparison.clips {
            let is_recorded = |cable: usize| {
                session.cables[cable].recorded.as_ref().is_some_and(|own| own.on(clip).is_some())
            };
            let (name, on) = (comparison.name.as_written(), session.clips[clip].name.as_written());
            let (one, other) = match (is_recorded(comparison.a), is_recorded(comparison.b)) {
                (true, false) => (comparison.a, comparison.b),
                (false, true) => (comparison.b, comparison.a),
                (both, _) => {
                    let scaled =
                        session.threshold.filter(|threshold| both && threshold.scale.is_about_the_cables());
                    if scaled.is_some() {
                        return Err(table.error_at(
                            "threshold",
                            format!(
                                "comparison \"{name}\" plays recordings, and what was recorded cannot be made smaller or larger: \
                                 remove `recording`, or use scale = \"level\" or \"tilt\""
                            ),
                        ));
                    }
                    continue;
                }
            };
            return Err(table.error_at(
                "comparisons",
                format!(
                    "comparison \"{name}\" on clip \"{on}\": {} has a recording and {} has none, and a recording's noise alone \
                     would tell them apart; record both, through the same equipment",
                    session.cables[one].name.as_written(), session.cables[other].name.as_written()
                ),
            ));
        }
    }
    Ok(())
}
