//! What the session says, and the register held against the journals in its folder.

use std::collections::{HashMap, HashSet};

use super::gather::{Gathered, Readings};
use super::{Options, control_words};
use crate::report::model::{
    DesignFacts, DeviceFacts, RegisterFacts, SequentialDesign, SequentialFacts, SessionFacts, WagerFacts,
};
use crate::report::power_figure;
use crate::session::{Family, Levels, Session, Stopping, Switching};
use crate::stats::StatsError;
use crate::stats::power::{Design, Effect};
use crate::stats::protocol::Definition;
use crate::stats::psychometric::proportion_of_discriminators;
use crate::stats::sequential::SequentialTest;
use crate::stimulus::{WordFacts, device_words as words};
use crate::trial::Digest;
use crate::trial::register::Entry;

/// Replaces the wager's names in its words.
pub(super) fn hide(words: &str, session: &Session, anonymous: bool) -> String {
    match (&session.wager, anonymous) {
        (Some(wager), true) => {
            let mut hidden = words.to_owned();
            for (name, instead) in [(&wager.claimant, "the claimant"), (&wager.skeptic, "the skeptic")] {
                hidden = super::hide::name(&hidden, name, instead);
            }
            hidden
        }
        _ => words.to_owned(),
    }
}

/// What a device's words make of the faintest difference, at the level at which that stood out least.
pub(super) fn device_words(noted: &[WordFacts], session: &Session) -> Option<DeviceFacts> {
    let margin = |facts: &WordFacts| facts.faintest.map_or(f64::INFINITY, |faintest| faintest.margin_db);
    let facts = noted.iter().min_by(|a, b| margin(a).total_cmp(&margin(b)))?;
    let faintest = facts.faintest;
    Some(DeviceFacts {
        words: words::name(facts.word),
        noise_db: facts.noise_db,
        level_db: facts.level_db,
        comparison: faintest
            .and_then(|faintest| session.comparisons.get(faintest.comparison))
            .map(|comparison| comparison.name.clone()),
        clip: faintest.and_then(|faintest| session.clips.get(faintest.clip)).map(|clip| clip.name.clone()),
        margin_db: faintest.map(|faintest| faintest.margin_db),
        could_hide: facts.could_hide(),
    })
}

/// Announced sittings against journals.
pub(super) fn register(readings: &[Readings], options: Options) -> RegisterFacts {
    let mut facts = RegisterFacts::default();
    for reading in readings {
        let journals: Vec<&Gathered> =
            reading.journals.iter().filter_map(|journal| journal.content.as_deref().ok()).collect();
        let register = match &reading.register {
            Ok(register) => register,
            Err(problem) => {
                facts.problem.get_or_insert_with(|| problem.clone());
                facts.unregistered += journals.len();
                continue;
            }
        };
        let closed: HashSet<&str> = register
            .entries
            .iter()
            .filter_map(|entry| match entry {
                Entry::Closed { journal, .. } => Some(journal.as_str()),
                Entry::Opened { .. } => None,
            })
            .collect();
        let lines: HashSet<Digest> = register.digests.iter().copied().collect();
        let known: HashMap<Digest, &&Gathered> =
            journals.iter().map(|journal| (journal.opening.register, journal)).collect();
        for (entry, line) in register.entries.iter().zip(&register.digests) {
            let Entry::Opened { utc, journal: name, .. } = entry else { continue };
            facts.announced += 1;
            match known.get(line) {
                Some(journal) => {
                    let open = journal.opened.is_none() && !closed.contains(name.as_str());
                    facts.unfinished += usize::from(open);
                }
                // The file's name would hold the listener's, whatever alias was chosen.
                None => facts.missing.push(format!(
                    "a sitting opened {}",
                    utc.chars()
                        .take(if options.anonymous { 10 } else { 19 })
                        .collect::<String>()
                        .replace('T', " ")
                )),
            }
        }
        facts.unregistered +=
            journals.iter().filter(|journal| !lines.contains(&journal.opening.register)).count();
    }
    facts
}

/// True abilities, as proportions of discriminators, that a design is looked at for.
const ABILITIES: [f64; 5] = [0.1, 0.2, 0.3, 0.5, 0.75];

/// What the session says, in words and numbers.
pub(super) fn session_facts(session: &Session, digest: Digest, options: Options) -> SessionFacts {
    let definition = Definition::of(session.protocol);
    let sequential = match session.stopping {
        Stopping::Sequential { alpha, beta, proportion } => {
            SequentialTest::new(session.protocol, alpha, beta, proportion, u64::from(session.trials))
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
                Design::new(session.protocol, session.alpha, Effect::Discriminators(discriminators)).ok()?;
            let risks = design.risks(u64::from(session.trials)).ok()?;
            Some(DesignFacts { discriminators, proportion: design.proportion, risks })
        })
        .collect();
    SessionFacts {
        title: session.title.clone(),
        protocol: session.protocol.name().to_owned(),
        protocol_title: definition.title.to_owned(),
        question: definition.question(session.attribute.as_deref()),
        chance: session.protocol.chance(),
        alpha: session.alpha,
        trials: session.trials,
        warm_up: session.warm_up,
        levels: match session.levels {
            Levels::AsWired => "as-wired",
            Levels::Matched => "matched",
        },
        switching: match session.switching {
            Switching::Instant => "instant",
            Switching::Gap => "gap",
        },
        family: match session.family {
            Family::Holm => "holm",
            Family::None => "none",
        },
        stopping: match session.stopping {
            Stopping::AllTrials => "ends after all of them".to_owned(),
            Stopping::Sequential { .. } => {
                "ends by a sequential rule, at the latest after all of them".to_owned()
            }
        },
        sequential,
        design,
        invented: session.invented,
        prepared_by: if options.anonymous { Vec::new() } else { session.prepared_by.clone() },
        digest: digest.hex(),
        clips: session.clips.iter().map(|clip| clip.name.clone()).collect(),
        controls: session.controls.iter().map(|control| control_words(control.kind)).collect(),
        wager: session.wager.as_ref().map(|wager| WagerFacts {
            claimant: if options.anonymous { "The claimant".to_owned() } else { wager.claimant.clone() },
            skeptic: if options.anonymous { "The skeptic".to_owned() } else { wager.skeptic.clone() },
            claim: hide(&wager.claim, session, options.anonymous),
            claimant_wins: hide(&wager.claimant_wins, session, options.anonymous),
            skeptic_wins: hide(&wager.skeptic_wins, session, options.anonymous),
        }),
        figures: match session.stopping {
            Stopping::AllTrials => {
                power_figure::over_effect(session.protocol, session.alpha, u64::from(session.trials))
            }
            Stopping::Sequential { alpha, beta, proportion } => {
                let most = u64::from(session.trials);
                SequentialTest::new(session.protocol, alpha, beta, proportion, most)
                    .and_then(|test| power_figure::of_sequential(session.protocol, &test))
            }
        }
        .into_iter()
        .collect(),
    }
}
