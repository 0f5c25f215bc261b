//! From session and journals to the report's data: a pure function of both and of the program's version.

mod compare;
mod facts;
mod heard;

use super::model::{Compared, PhotographFacts, Report, SCHEMA};
use crate::evidence::{Agreed, Anonymiser, Evidence, NotCounted, Options, Readings};
use crate::session::Session;
use crate::verdict::{self, Findings, OnPaper};

/// Builds the report of a session from what its folders hold.
pub fn report(session: &Session, readings: Vec<Readings>, options: Options) -> Report {
    let anonymiser = Anonymiser::of(session, &readings, options);
    let agreed = Agreed::of(session);
    // From here on there is only a session whose every text may be shown.
    let session = &anonymiser.session(session);
    let agreed = agreed.shown_as(session);
    let mut evidence = Evidence::of(&agreed, readings, &anonymiser);
    // What stands there now was heard by nobody if it is not what was sealed: then it is not drawn.
    let changed = evidence.changed_inputs();
    let unchanged = changed.is_empty();
    let mut compared = if unchanged {
        compare::compared(session, &anonymiser)
    } else {
        Compared { changed, ..Compared::default() }
    };
    let others = evidence.changed_photographs();
    let shown = session.photographs().iter().filter(|photograph| !others.contains(&photograph.file));
    compared.photographs = shown.map(PhotographFacts::of).collect();
    let every = || 0..session.comparisons.len();
    let sized = if unchanged { OnPaper::of(session, !anonymiser.hides()) } else { OnPaper::default() };
    compared.problems.extend(sized.problems.iter().map(|problem| anonymiser.text(problem)));
    let facts_of = |comparison: usize| compared.differences.iter().find(|facts| facts.index == comparison);
    let on_paper = OnPaper {
        level_db: every().map(|one| facts_of(one)?.level_db).collect(),
        known_db: every().map(|one| facts_of(one)?.known_db).collect(),
        problems: compared.problems.clone(),
        ..sized
    };
    let findings = verdict::judge(&agreed, &evidence, &on_paper);
    let tables = verdict::table_scores(&agreed, &evidence);
    leave_out_the_late(&mut evidence, &findings);
    Report {
        schema: SCHEMA,
        program: format!("earwitness {}", env!("CARGO_PKG_VERSION")),
        anonymous: evidence.anonymous,
        session: facts::session_facts(session, &agreed),
        comparisons: findings.comparisons,
        controls: findings.controls,
        caveats: findings.caveats,
        compared,
        listeners: evidence.listeners,
        sittings: evidence.sittings,
        unusable: evidence.unusable,
        inputs: evidence.inputs,
        stimuli: evidence.stimuli,
        register: evidence.register,
        training: evidence.training,
        crossed: findings.crossed,
        panel: evidence.panel,
        places: findings.places,
        tables,
        trials: evidence.trials,
    }
}

/// A sitting that came after looks had ended every comparison counts for nothing, and every list says so alike.
fn leave_out_the_late(evidence: &mut Evidence, findings: &Findings) {
    let late = |number: &usize| {
        let mut comparisons = findings.comparisons.iter();
        !findings.comparisons.is_empty() && comparisons.all(|of| of.came_after.contains(number))
    };
    for (_, sitting) in evidence.sittings.iter_mut().enumerate().filter(|(number, _)| late(number)) {
        if sitting.counted {
            (sitting.counted, sitting.not_counted) = (false, Some(NotCounted::AfterLook));
        }
    }
    for listener in &mut evidence.listeners {
        listener.counted &= listener.sittings.iter().any(|number| evidence.sittings[*number].counted);
    }
}
