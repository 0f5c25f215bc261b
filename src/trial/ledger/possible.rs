//! What an opening must be for a sitting to follow it.

use std::collections::BTreeSet;

use super::allowed;
use crate::session::Takes;
use crate::stimulus::recorded::Telltale;
use crate::trial::record::{ComparisonTerms, FORMAT, Occasion, Opening, Part, StimulusTerms, StoppingTerms};
use crate::trial::{schedule, score};

/// Whether a schedule can be drawn for it, and its pairs of stimuli are what its terms say.
///
/// # Errors
/// What cannot be.
pub(super) fn opening(opening: &Opening) -> Result<(), String> {
    let terms = &opening.terms;
    if opening.format == 0 || opening.format > FORMAT {
        return Err(format!("format {} is none of 1 to {FORMAT}", opening.format));
    }
    opening.fits_its_format()?;
    schedule::check(opening)?;
    allowed(terms.alpha > 0.0 && terms.alpha < 1.0, "alpha is not between 0 and 1")?;
    let sequential = matches!(terms.stopping, StoppingTerms::Sequential { .. });
    if opening.occasion == Occasion::Night {
        allowed(!sequential, "a night cannot stop by a sequential rule")?;
        allowed(terms.qualification.is_none(), "a night cannot have a qualification")?;
    }
    let qualifies = terms.qualification.is_some();
    allowed(
        !qualifies || terms.asked_in(Part::Qualification).asks.has_right_answer(),
        "a qualification needs right answers, and preference has none",
    )?;
    score::rule(terms)?;
    let comparisons = terms.comparisons.len();
    let fitting = opening.stimuli.iter().all(|stimulus| {
        stimulus.comparison < comparisons
            && stimulus.clip < terms.clips.len()
            && stimulus.control.is_none_or(|control| control < terms.controls.len())
    });
    allowed(fitting, "a stimulus names a comparison, clip or control that does not exist")?;
    // A draw names a pair by its place: who lets two of them change places, or makes a pair the second of another kind, changes
    // what was heard in every trial on them.
    let place = |of: &StimulusTerms| {
        let after = (of.level.is_some(), of.control.is_some(), of.control);
        (after, of.comparison, of.clip, of.level)
    };
    let in_order = opening.stimuli.is_sorted_by(|one, next| place(one) < place(next));
    allowed(
        in_order || opening.format < 2,
        "the pairs of stimuli are not in the order of comparisons, controls and sizes, each of them once",
    )?;
    let at_home =
        |stimulus: &StimulusTerms| terms.comparisons[stimulus.comparison].clips.contains(&stimulus.clip);
    let at_home = opening.stimuli.iter().all(at_home);
    allowed(
        at_home || opening.format < 2,
        "a pair of stimuli is of a clip that its comparison does not have",
    )?;
    // Draws choose among the pairs, so one that is taken away changes what the others' numbers mean. Sizes are counted with the
    // schedule.
    let of_clips: usize =
        terms.comparisons.iter().map(|of| of.clips.iter().collect::<BTreeSet<_>>().len()).sum();
    let listed = opening.stimuli.iter().filter(|stimulus| stimulus.level.is_none()).count();
    allowed(
        listed == of_clips * (1 + terms.controls.len()) || opening.format < 2,
        "a pair of stimuli is missing: each comparison on each of its clips has its own and one of each control",
    )?;
    for stimulus in opening.stimuli.iter().filter(|_| opening.format >= 2) {
        let same = stimulus.a == stimulus.b;
        // Where real cables are switched, both sides are the same sound, and a cable makes the difference.
        let positive = stimulus
            .control
            .map_or(terms.switcher.is_none(), |control| terms.controls[control].is_positive());
        let ComparisonTerms { name: comparison, recorded, .. } = &terms.comparisons[stimulus.comparison];
        if let Some(facts) = &stimulus.recorded {
            let own = recorded.is_some() && stimulus.control.is_none() && stimulus.level.is_none();
            allowed(
                own && facts.found.iter().all(Telltale::is_possible),
                format!("`{comparison}`: what is said of its recordings cannot be"),
            )?;
        }
        if *recorded == Some(Takes::Two) && !positive {
            // The same cable recorded twice: one of the two recordings is the comparison's own side A.
            let own = |of: &&StimulusTerms| {
                (of.comparison, of.clip, of.control) == (stimulus.comparison, stimulus.clip, None)
            };
            let is_the_own = opening.stimuli.iter().find(own).is_some_and(|own| own.a == stimulus.a);
            allowed(is_the_own, "side A of an identical control is not the comparison's side A")?;
            continue;
        }
        allowed(!(same && positive), format!("`{comparison}`: both sides of a pair are the same sound"))?;
        allowed(
            same || positive,
            "the sides of an identical control, or of switched cables, are not the same sound",
        )?;
    }
    Ok(())
}
