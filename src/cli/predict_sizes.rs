//! What each size of a threshold is in decibels, for `check` and `predict --multiples`, and where a published model expects
//! a difference to be heard.

use serde_json::{Value, json};

use super::Failure;
use crate::hearing::difference::logarithmic;
use crate::hearing::{Ears, Expected};
use crate::session::{Comparison, Scale, Session};
use crate::stimulus::on_paper::SizesOnPaper;
use crate::stimulus::sizes::{Sized, Sizes};
use crate::units::printed;
use crate::verdict::threshold::expected_words;

fn failed(comparison: &Comparison) -> impl Fn(String) -> Failure {
    let name = comparison.name.as_written().to_owned();
    move |error| Failure::bad(format!("comparison \"{name}\": {error}"))
}

/// The sizes of a comparison on paper.
fn table(
    session: &Session,
    comparison: &Comparison,
    scale: Scale,
    sizes: &[f64],
) -> Result<Vec<Sized>, Failure> {
    if sizes.is_empty() {
        return Ok(Vec::new());
    }
    let frequencies = logarithmic(20.0, 20_000.0, 600);
    let paper = Sizes::new(session, comparison, scale, &frequencies).map_err(failed(comparison))?;
    let at = |size: &f64| {
        let sized = paper.at(*size).map_err(failed(comparison))?;
        if sized.difference_db.iter().all(|decibels| decibels.is_finite()) {
            return Ok(sized);
        }
        let error = format!(
            "{size} times the real difference has no decibels that a number holds; take a smaller multiple"
        );
        Err(failed(comparison)(error))
    };
    sizes.iter().map(at).collect()
}

/// Refuses sizes that are none, or that no comparison can be made of, before anything is printed.
pub(super) fn check(session: &Session, multiples: &[f64]) -> Result<(), Failure> {
    if let Some(wrong) = multiples.iter().find(|size| !(size.is_finite() && **size >= 0.0)) {
        return Err(Failure::bad(format!(
            "--multiples holds {wrong}: multiples of the real difference are expected, 0 or more, such as 1,4,16"
        )));
    }
    for comparison in &session.comparisons {
        table(session, comparison, Scale::Multiple, multiples)?;
    }
    Ok(())
}

/// The sizes that a session asks for: those of its threshold, or the real difference alone.
pub(super) fn of_session(session: &Session) -> (Scale, Vec<f64>) {
    session
        .threshold
        .map_or((Scale::Multiple, vec![1.0]), |threshold| (threshold.scale, threshold.range.levels()))
}

/// What sizes are on each clip, and where the model expects the difference to be heard.
pub(super) fn on_paper(
    session: &Session,
    comparison: &Comparison,
    (scale, sizes): (Scale, &[f64]),
    ears: &mut Ears,
) -> Result<SizesOnPaper, Failure> {
    SizesOnPaper::of(session, comparison, scale, sizes, ears).map_err(failed(comparison))
}

/// One line for each size, with what it is on each clip where that is known.
pub(super) fn lines(
    session: &Session,
    comparison: &Comparison,
    (scale, sizes): (Scale, &[f64]),
    clips: Option<&SizesOnPaper>,
) -> Result<Vec<String>, Failure> {
    let table = table(session, comparison, scale, sizes)?;
    let mut lines = Vec::new();
    for sized in &table {
        lines.push(format!(
            "  {:<22} largest {}, after the best level match {}",
            scale.words(sized.size),
            printed::decibels(sized.largest_db()),
            printed::decibels(sized.shape_db())
        ));
        let on_clips: Vec<String> = clips
            .iter()
            .flat_map(|paper| &paper.clips)
            .filter_map(|clip| {
                Some(format!("{} {}", clip.clip, printed::decibels(clip.band_db(sized.size)?)))
            })
            .collect();
        if !on_clips.is_empty() {
            lines.push(format!("  {:<22} in one auditory band: {}", "", on_clips.join(", ")));
        }
    }
    Ok(lines)
}

/// One object for each size.
pub(super) fn json(
    session: &Session,
    comparison: &Comparison,
    (scale, sizes): (Scale, &[f64]),
    clips: Option<&SizesOnPaper>,
) -> Result<Value, Failure> {
    let table = table(session, comparison, scale, sizes)?;
    let one = |sized: &Sized| {
        let mut row = json!({ "size": sized.size, "max_abs_db": sized.largest_db(), "shape_max_abs_db": sized.shape_db() });
        if let Some(paper) = clips {
            let clips = paper.clips.iter();
            row["clips"] =
                clips.map(|clip| json!({ "clip": clip.clip, "band_db": clip.band_db(sized.size) })).collect();
        }
        row
    };
    Ok(table.iter().map(one).collect())
}

/// What the model expects of a clip, as the JSON documents show it.
pub(super) fn expected_json(paper: &SizesOnPaper, clip: &str) -> Value {
    match paper.clips.iter().find(|on| on.clip == clip).and_then(|on| on.expected) {
        Some(Expected::At(size, at_hz)) => json!({ "size": size, "at_hz": at_hz }),
        Some(Expected::Above(size)) => json!({ "above": size }),
        None => Value::Null,
    }
}

/// The same in a sentence; nothing of a clip on which nothing can be heard.
pub(super) fn expected_line(paper: &SizesOnPaper, clip: &str) -> Option<String> {
    let on = paper.clips.iter().find(|on| on.clip == clip)?;
    Some(format!("{}: {}", on.clip, expected_words(paper.scale, on.expected?)))
}
