//! Works out what is known on paper, yardsticks among it: those are judged first, by themselves.

use super::judge::judge;
use super::on_paper::OnPaper;
use super::yardstick::Yardstick;
use crate::evidence::{self, Agreed, Anonymiser, Evidence, Options};
use crate::hearing::{Ears, Summary};
use crate::session::Session;
use crate::stimulus::on_paper::SizesOnPaper;

/// Factor by which sizes are looked at beyond both ends of the range: as far as thresholds are considered.
const BEYOND: f64 = 4.0;

impl OnPaper {
    /// Sizes and yardsticks of a session; nothing of one that has neither. Yardsticks name people: `names` says whether they
    /// may be shown.
    pub fn of(session: &Session, names: bool) -> Self {
        let mut paper = Self::default();
        if let Some(threshold) = session.threshold {
            let range = threshold.range;
            let mut sizes = range.levels();
            sizes.insert(0, range.smallest / BEYOND);
            sizes.push(range.largest * BEYOND);
            let mut ears = Ears::default();
            for comparison in &session.comparisons {
                let found = SizesOnPaper::of(session, comparison, threshold.scale, &sizes, &mut ears);
                paper.problems.extend(
                    found
                        .as_ref()
                        .err()
                        .map(|problem| format!("comparison {}: {problem}", comparison.name.as_written())),
                );
                paper.sizes.push(found.ok());
            }
        }
        if names && session.yardstick.is_some() {
            match yardsticks(session) {
                Ok(found) => paper.yardsticks = found,
                Err(problem) => paper.problems.push(problem),
            }
        }
        if !paper.yardsticks.is_empty() {
            let largest = |a: usize, b: usize| Summary::between(&session.chain(a), &session.chain(b));
            let all = session.comparisons.iter();
            paper.largest_db = all
                .map(|comparison| largest(comparison.a, comparison.b).ok().map(|summary| summary.max_abs_db))
                .collect();
        }
        paper
    }
}

/// The smallest steps of the listeners of the session that a session names as its yardstick; none where it names none.
///
/// # Errors
/// The yardstick's session or its sittings cannot be read, or it looks for no step.
pub fn yardsticks(session: &Session) -> Result<Vec<Yardstick>, String> {
    let Some((measured, readings)) = evidence::yardstick(session)? else { return Ok(Vec::new()) };
    let anonymiser = Anonymiser::of(&measured, &readings, Options::default());
    let agreed = Agreed::of(&measured);
    let evidence = Evidence::of(&agreed, readings, &anonymiser);
    let findings = judge(&agreed, &evidence, &OnPaper::default());
    let mut found = Vec::new();
    for (comparison, result) in measured.comparisons.iter().zip(findings.comparisons) {
        let clips: Vec<String> =
            comparison.clips.iter().map(|clip| measured.clips[*clip].name.as_written().to_owned()).collect();
        for own in result.threshold.into_iter().flat_map(|threshold| threshold.listeners) {
            found.push(Yardstick {
                listener: own.name,
                scale: own.result.scale,
                clips: clips.clone(),
                step_db: own.result.summary.confidence,
                place: own.result.summary.place,
                basis: result.basis,
            });
        }
    }
    Ok(found)
}
