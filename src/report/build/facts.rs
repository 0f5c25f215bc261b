//! What the session says, in words and numbers.

use crate::evidence::Agreed;
use crate::report::model::{DesignFacts, SequentialDesign, SequentialFacts, SessionFacts, WagerFacts};
use crate::report::power_figure;
use crate::session::{Deciding, Session, Stopping, Written};
use crate::stats::StatsError;
use crate::stats::power::{Design, Effect};
use crate::stats::protocol::Definition;
use crate::stats::psychometric::proportion_of_discriminators;
use crate::stats::sequential::SequentialTest;

/// True abilities, as proportions of discriminators, that a design is looked at for.
const ABILITIES: [f64; 5] = [0.1, 0.2, 0.3, 0.5, 0.75];

/// What the session says, in words and numbers.
pub(super) fn session_facts(session: &Session, agreed: &Agreed) -> SessionFacts {
    let definition = Definition::of(session.protocol);
    let sequential = match session.stopping {
        Stopping::Sequential { alpha, beta, proportion } => {
            SequentialTest::new(session.inquiry(), alpha, beta, proportion, u64::from(session.trials))
                .and_then(|test| {
                    Ok(SequentialFacts {
                        alpha,
                        beta,
                        proportion,
                        guesser: test.exact(test.chance)?,
                        listener: test.exact(proportion)?,
                        design: ABILITIES
                            .iter()
                            .map(|&discriminators| {
                                let right = proportion_of_discriminators(session.protocol, discriminators);
                                Ok(SequentialDesign { discriminators, exact: test.exact(right)? })
                            })
                            .collect::<Result<_, StatsError>>()?,
                    })
                })
                .ok()
        }
        Stopping::AllTrials => None,
    };
    let design = ABILITIES
        .into_iter()
        .filter_map(|discriminators| {
            let design =
                Design::new(session.inquiry(), session.alpha, Effect::Discriminators(discriminators)).ok()?;
            let risks = design.risks(u64::from(session.trials)).ok()?;
            Some(DesignFacts { discriminators, proportion: design.proportion, risks })
        })
        .collect();
    SessionFacts {
        title: session.title.shown().to_owned(),
        protocol: session.protocol,
        inquiry: session.inquiry(),
        protocol_title: definition.title.to_owned(),
        attribute: session.attribute.as_ref().map(|words| words.shown().to_owned()),
        question: definition.question(session.attribute.as_ref().map(Written::shown)),
        chance: session.protocol.chance(),
        alpha: session.alpha,
        qualified_by: session.qualification.map(|qualification| qualification.protocol),
        trials: session.trials,
        warm_up: session.warm_up,
        levels: session.levels,
        switching: session.switching,
        switcher: agreed.terms.switcher.clone(),
        recorded: agreed
            .terms
            .comparisons
            .iter()
            .filter(|comparison| comparison.recorded.is_some())
            .map(|comparison| comparison.name.clone())
            .collect(),
        photographs_withheld: agreed.photographs.len() - session.photographs().len(),
        family: session.family,
        stopping: match session.stopping {
            Stopping::AllTrials => "ends after all of them".to_owned(),
            Stopping::Sequential { .. } => {
                "ends by a sequential rule, at the latest after all of them".to_owned()
            }
        },
        sequential,
        design,
        invented: session.invented,
        club: session.club.clone(),
        prepared_by: session.prepared_by.iter().map(|name| name.shown().to_owned()).collect(),
        digest: agreed.session.hex(),
        clips: session.clips.iter().map(|clip| clip.name.shown().to_owned()).collect(),
        threshold: agreed.terms.threshold,
        controls: session.controls.iter().map(|control| control.kind.to_string()).collect(),
        wager: session.wager.as_ref().map(|wager| WagerFacts {
            claimant: wager.claimant.shown().to_owned(),
            skeptic: wager.skeptic.shown().to_owned(),
            claim: wager.claim.shown().to_owned(),
            claimant_wins: wager.claimant_wins.shown().to_owned(),
            skeptic_wins: wager.skeptic_wins.shown().to_owned(),
            deciding: match wager.deciding {
                Deciding::First => "The claimant's first sitting decides.".to_owned(),
                Deciding::AllTogether { sittings } => {
                    format!("The claimant's first {sittings} sittings decide together.")
                }
            },
        }),
        figures: match session.stopping {
            Stopping::AllTrials => {
                power_figure::over_effect(session.inquiry(), session.alpha, u64::from(session.trials))
            }
            Stopping::Sequential { alpha, beta, proportion } => {
                let most = u64::from(session.trials);
                SequentialTest::new(session.inquiry(), alpha, beta, proportion, most)
                    .and_then(|test| power_figure::of_sequential(session.inquiry(), &test))
            }
        }
        .into_iter()
        .collect(),
    }
}
