//! From a session to what its journals publish.

use super::digest::Digest;
use super::protocol::Side;
use super::record::{
    ComparisonTerms, ControlTerms, Occasion, Output, QualificationTerms, StimulusTerms, StoppingTerms, Terms,
    WagerTerms,
};
use super::sittings::Draft;
use crate::session::{ControlKind, Family, Levels, Session, Stopping, Switching};
use crate::stats::protocol::Inquiry;
use crate::stats::{Protocol, binomial};
use crate::stimulus::{PairKind, StimulusSet};

impl Terms {
    /// What is asked, and in which direction it is tested.
    pub fn inquiry(&self) -> Inquiry {
        Inquiry::from(self.protocol)
    }

    /// The terms of a session.
    pub fn of(session: &Session) -> Self {
        let counted = u64::from(session.trials) * session.comparisons.len() as u64;
        Self {
            title: session.title.clone(),
            protocol: session.protocol,
            attribute: session.attribute.clone(),
            attribute_side: if session.attribute_side_b { Side::B } else { Side::A },
            trials: session.trials,
            warm_up: session.warm_up,
            alpha: session.alpha,
            levels: match session.levels {
                Levels::AsWired => "as-wired",
                Levels::Matched => "matched",
            }
            .to_owned(),
            switching: match session.switching {
                Switching::Instant => "instant",
                Switching::Gap => "gap",
            }
            .to_owned(),
            family: match session.family {
                Family::Holm => "holm",
                Family::None => "none",
            }
            .to_owned(),
            stopping: match session.stopping {
                Stopping::AllTrials => StoppingTerms::AllTrials {},
                Stopping::Sequential { alpha, beta, proportion } => {
                    StoppingTerms::Sequential { alpha, beta, proportion }
                }
            },
            confidence: session.confidence,
            missing_as_wrong: session.missing_as_wrong,
            rest_after_minutes: session.rest_after_minutes,
            qualification: session.qualification.map(|qualification| QualificationTerms {
                trials: qualification.trials,
                correct: qualification.correct,
            }),
            clips: session.clips.iter().map(|clip| clip.name.clone()).collect(),
            comparisons: session
                .comparisons
                .iter()
                .map(|comparison| ComparisonTerms {
                    name: comparison.name.clone(),
                    a: session.cables[comparison.a].name.clone(),
                    b: session.cables[comparison.b].name.clone(),
                    clips: comparison.clips.clone(),
                })
                .collect(),
            controls: session
                .controls
                .iter()
                .map(|control| {
                    let (amount, unit) = match control.kind {
                        ControlKind::Level { decibels } | ControlKind::Tilt { decibels } => (decibels, "dB"),
                        ControlKind::HeadMovement { metres } => (metres, "m"),
                        ControlKind::Identical => (0.0, ""),
                    };
                    ControlTerms {
                        control: control.kind.name().to_owned(),
                        amount,
                        unit: unit.to_owned(),
                        trials: control.trials,
                    }
                })
                .collect(),
            wager: session.wager.as_ref().map(|wager| WagerTerms {
                claimant: wager.claimant.clone(),
                skeptic: wager.skeptic.clone(),
                claim: wager.claim.clone(),
                claimant_wins: wager.claimant_wins.clone(),
                skeptic_wins: wager.skeptic_wins.clone(),
                needed: score_needed(session.protocol, session.alpha, counted),
            }),
        }
    }
}

/// Right answers needed of `trials` for a guesser to have them with probability `alpha` at most; one more than there are
/// trials where no score is enough.
pub fn score_needed(protocol: Protocol, alpha: f64, trials: u64) -> u32 {
    let alpha = if protocol == Protocol::Preference { alpha / 2.0 } else { alpha };
    let needed = binomial::critical(trials, protocol.chance(), alpha).unwrap_or(trials + 1);
    u32::try_from(needed).unwrap_or(u32::MAX)
}

impl StimulusTerms {
    /// What the journal publishes of every pair of stimuli.
    pub fn of(set: &StimulusSet) -> Vec<Self> {
        let digest = |text: &str| Digest::from_hex(text).unwrap_or(Digest::NOTHING);
        set.pairs
            .iter()
            .map(|pair| {
                let (comparison, clip, control) = match pair.kind {
                    PairKind::Comparison { comparison, clip } => (comparison, clip, None),
                    PairKind::Control { control, comparison, clip } => (comparison, clip, Some(control)),
                };
                Self { comparison, clip, control, a: digest(&pair.digest_a), b: digest(&pair.digest_b) }
            })
            .collect()
    }
}

impl Draft {
    /// A listener's sitting of a session. `utc` is now, RFC 3339 with whole seconds.
    pub fn new(
        session: &Session,
        stimuli: &StimulusSet,
        output: impl Into<Output>,
        listener: &str,
        utc: &str,
    ) -> Self {
        Self {
            utc: utc.to_owned(),
            occasion: Occasion::Sitting,
            listener: listener.to_owned(),
            alias: None,
            session: Digest::of(session.source.as_bytes()),
            terms: Terms::of(session),
            stimuli: StimulusTerms::of(stimuli),
            output: output.into(),
            simulated: None,
            invented: session.invented,
        }
    }
}
