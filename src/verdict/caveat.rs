//! What limits a verdict, as data: each caveat has a text, a remedy and a weight, shown alike on every surface.

use crate::clip::dither::WordLength;
use crate::hearing::uncertainty::plus_minus;
use serde::ser::SerializeStruct;
use serde::{Serialize, Serializer};

mod remedy;

use super::oddity::Oddity;
use crate::units::printed::{count, percent, probability, verb};

/// How much a caveat takes from a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// There is no verdict, or it is not about listening.
    Decisive,
    /// The verdict stands on weaker ground.
    Serious,
    /// Worth knowing.
    Minor,
}

impl Weight {
    /// In words, as a heading.
    pub fn title(self) -> &'static str {
        match self {
            Self::Decisive => "Decides what the verdict is worth",
            Self::Serious => "Weakens the verdict",
            Self::Minor => "Worth knowing",
        }
    }
}

/// Something that limits what the answers prove.
#[derive(Debug, Clone, PartialEq)]
pub enum Caveat {
    /// The folder holds no journal.
    NoSittings,
    /// Journals that do not verify.
    InvalidJournals {
        /// How many.
        journals: usize,
    },
    /// Journals of another session or an earlier text of this one.
    ForeignJournals {
        /// How many.
        journals: usize,
    },
    /// The register cannot be read or its chain is broken.
    RegisterBroken {
        /// What is wrong.
        problem: String,
    },
    /// The register announces sittings whose journals are not there.
    JournalsMissing {
        /// How many.
        sittings: usize,
    },
    /// Journals that the register does not announce.
    Unregistered {
        /// How many.
        sittings: usize,
    },
    /// The answers came from a simulated listener.
    Simulated {
        /// Sittings.
        sittings: usize,
        /// They are all there is, so the verdict is about them.
        only: bool,
    },
    /// Nothing was played.
    Silent {
        /// Sittings.
        sittings: usize,
        /// They are all there is.
        only: bool,
    },
    /// Opened and never finished.
    Abandoned {
        /// Sittings.
        sittings: usize,
    },
    /// Ended before the rule allowed.
    StoppedEarly {
        /// Sittings.
        sittings: usize,
    },
    /// Qualification not passed: counted trials never started.
    NotQualified {
        /// Right answers and trials of each sitting.
        scores: Vec<(u64, u64)>,
        /// Right answers and trials that were agreed on.
        agreed: (u64, u64),
    },
    /// A guesser often passes the qualification.
    WeakQualification {
        /// Right answers that it asks for.
        correct: u64,
        /// Of so many trials.
        trials: u64,
        /// Probability that a guesser passes.
        passes: f64,
    },
    /// Answers that came after little more than the least that had to be heard.
    Hurried {
        /// Who.
        listener: String,
        /// Such answers.
        answers: u64,
        /// Counted answers.
        trials: u64,
        /// Seconds of sound that they stayed under.
        under_s: f64,
    },
    /// No score, not even a perfect one, could have met the agreed risk.
    TooFewTrials {
        /// Name of the comparison.
        comparison: String,
        /// Counted trials.
        trials: u64,
    },
    /// A real but modest ability would more often be missed than found.
    LittlePower {
        /// Name of the comparison.
        comparison: String,
        /// Counted trials.
        trials: u64,
        /// Proportion of discriminators looked at.
        discriminators: f64,
        /// Probability of finding it.
        power: f64,
    },
    /// Positive controls were missed.
    ControlsMissed {
        /// Who.
        listener: String,
        /// Right answers.
        correct: u64,
        /// Control trials.
        trials: u64,
    },
    /// Identical stimuli were told apart.
    Leak {
        /// Who, or "all listeners together".
        listener: String,
        /// Right answers.
        correct: u64,
        /// Control trials.
        trials: u64,
    },
    /// A score that the facts around it do not fit.
    Implausible {
        /// Who.
        listener: String,
        /// Right answers.
        correct: u64,
        /// Trials.
        trials: u64,
        /// What does not fit.
        oddities: Vec<Oddity>,
    },
    /// The session has no positive control.
    NoPositiveControls,
    /// Attempts were disturbed and repeated.
    Disturbed {
        /// Void attempts.
        attempts: u64,
        /// Answered trials.
        answered: u64,
    },
    /// Sittings went on after they had been cut off.
    Resumed {
        /// Sittings.
        sittings: usize,
    },
    /// Nobody typed a phrase, so the draws rest on the machine's secret alone.
    NoPhrases {
        /// Sittings.
        sittings: usize,
    },
    /// The level difference alone may be heard.
    LevelAudible {
        /// Name of the comparison.
        comparison: String,
        /// Size in dB.
        decibels: f64,
    },
    /// How well the difference is known that the stimuli were made from.
    KnownDifference {
        /// Name of the comparison.
        comparison: String,
        /// Its largest size in dB, as it was played.
        decibels: f64,
        /// What is unknown about it, in dB: an expanded uncertainty, 95 %.
        unknown_db: f64,
    },
    /// A listener sat more than once; all sittings count together.
    SeveralSittings {
        /// Who.
        listener: String,
        /// Sittings.
        sittings: usize,
    },
    /// Listeners heard the same draw.
    SharedRoom {
        /// Nights.
        nights: usize,
    },
    /// Listeners differ more than chance allows, so the pooled number hides who can and who cannot.
    Unlike {
        /// Name of the comparison.
        comparison: String,
        /// Probability of so much difference if all were alike.
        p_value: f64,
    },
    /// Places differ more than chance allows.
    PlacesUnlike {
        /// Name of the comparison.
        comparison: String,
        /// Probability of so much difference if all were alike.
        p_value: f64,
    },
    /// A listener is among those who prepared the session.
    PreparedSession {
        /// Who; nothing where names are withheld.
        listener: Option<String>,
        /// How many.
        listeners: usize,
    },
    /// The sound device's words could hide the faintest difference.
    WordsCouldHide {
        /// Sittings.
        sittings: usize,
        /// The words where it stood out least.
        words: WordLength,
        /// Name of the comparison.
        comparison: String,
        /// Name of the clip.
        clip: String,
        /// By how many dB its difference stood out of their noise.
        margin_db: f64,
    },
    /// Sittings published different stimuli, though made for the same rate.
    StimuliDiffer {
        /// Different sets.
        sets: usize,
    },
    /// Files of the session are not what the sittings sealed.
    InputsChanged {
        /// Their names.
        files: Vec<String>,
    },
    /// The session says that everything in it is invented.
    Invented,
    /// Comparisons are judged each by itself.
    NoFamilyControl {
        /// How many comparisons.
        comparisons: usize,
    },
    /// Part of the physics could not be computed.
    NotComputed {
        /// What and why.
        problem: String,
    },
}

impl Caveat {
    /// Name in JSON.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::NoSittings => "no-sittings",
            Self::InvalidJournals { .. } => "invalid-journals",
            Self::ForeignJournals { .. } => "foreign-journals",
            Self::RegisterBroken { .. } => "register-broken",
            Self::JournalsMissing { .. } => "journals-missing",
            Self::Unregistered { .. } => "unregistered",
            Self::Simulated { .. } => "simulated",
            Self::Silent { .. } => "silent",
            Self::Abandoned { .. } => "abandoned",
            Self::StoppedEarly { .. } => "stopped-early",
            Self::NotQualified { .. } => "not-qualified",
            Self::WeakQualification { .. } => "weak-qualification",
            Self::Hurried { .. } => "hurried",
            Self::TooFewTrials { .. } => "too-few-trials",
            Self::LittlePower { .. } => "little-power",
            Self::ControlsMissed { .. } => "controls-missed",
            Self::Leak { .. } => "leak",
            Self::Implausible { .. } => "implausible",
            Self::NoPositiveControls => "no-positive-controls",
            Self::Disturbed { .. } => "disturbed",
            Self::Resumed { .. } => "resumed",
            Self::NoPhrases { .. } => "no-phrases",
            Self::LevelAudible { .. } => "level-audible",
            Self::KnownDifference { .. } => "known-difference",
            Self::SeveralSittings { .. } => "several-sittings",
            Self::SharedRoom { .. } => "shared-room",
            Self::Unlike { .. } => "listeners-unlike",
            Self::PlacesUnlike { .. } => "places-unlike",
            Self::PreparedSession { .. } => "prepared-session",
            Self::WordsCouldHide { .. } => "words-could-hide",
            Self::StimuliDiffer { .. } => "stimuli-differ",
            Self::InputsChanged { .. } => "inputs-changed",
            Self::Invented => "invented",
            Self::NoFamilyControl { .. } => "no-family-control",
            Self::NotComputed { .. } => "not-computed",
        }
    }

    /// How much it takes from the verdict.
    pub fn weight(&self) -> Weight {
        match self {
            Self::NoSittings
            | Self::Simulated { only: true, .. }
            | Self::Silent { only: true, .. }
            | Self::Leak { .. }
            | Self::InputsChanged { .. }
            | Self::Invented => Weight::Decisive,
            Self::InvalidJournals { .. }
            | Self::RegisterBroken { .. }
            | Self::JournalsMissing { .. }
            | Self::Unregistered { .. }
            | Self::TooFewTrials { .. }
            | Self::ControlsMissed { .. }
            | Self::Implausible { .. }
            | Self::Hurried { .. }
            | Self::LevelAudible { .. }
            | Self::PlacesUnlike { .. }
            | Self::PreparedSession { .. }
            | Self::WordsCouldHide { .. }
            | Self::StimuliDiffer { .. }
            | Self::Abandoned { .. }
            | Self::StoppedEarly { .. }
            | Self::NotComputed { .. } => Weight::Serious,
            Self::KnownDifference { decibels, unknown_db, .. } if decibels <= unknown_db => Weight::Serious,
            Self::ForeignJournals { .. }
            | Self::Simulated { .. }
            | Self::Silent { .. }
            | Self::NotQualified { .. }
            | Self::WeakQualification { .. }
            | Self::LittlePower { .. }
            | Self::NoPositiveControls
            | Self::Disturbed { .. }
            | Self::Resumed { .. }
            | Self::NoPhrases { .. }
            | Self::SeveralSittings { .. }
            | Self::SharedRoom { .. }
            | Self::KnownDifference { .. }
            | Self::Unlike { .. }
            | Self::NoFamilyControl { .. } => Weight::Minor,
        }
    }

    /// What is the matter, in a sentence.
    pub fn text(&self) -> String {
        match self {
            Self::NoSittings => "No sitting has been held: there is nothing to judge yet.".to_owned(),
            Self::InvalidJournals { journals } => format!(
                "{} {} not verify and {} left out of every number. {} listed with the reason.",
                count(*journals as u64, "journal"),
                verb(*journals as u64, "does", "do"),
                verb(*journals as u64, "is", "are"),
                verb(*journals as u64, "It is", "They are")
            ),
            Self::ForeignJournals { journals } => format!(
                "{} {} to another session, or to an earlier text of this one, and {} left out.",
                count(*journals as u64, "journal"),
                verb(*journals as u64, "belongs", "belong"),
                verb(*journals as u64, "is", "are")
            ),
            Self::RegisterBroken { problem } => {
                format!("The register of sittings cannot be trusted: {problem}.")
            }
            Self::JournalsMissing { sittings } => format!(
                "The register announces {} whose {} not in the folder.",
                count(*sittings as u64, "sitting"),
                verb(*sittings as u64, "journal is", "journals are")
            ),
            Self::Unregistered { sittings } => format!(
                "{} {} not announced by the register: sittings may have been moved here or the register exchanged.",
                count(*sittings as u64, "journal"),
                verb(*sittings as u64, "is", "are")
            ),
            Self::Simulated { sittings, only: true } => format!(
                "Every answer came from a simulated listener ({}). Nobody listened.",
                count(*sittings as u64, "sitting")
            ),
            Self::Simulated { sittings, only: false } => format!(
                "{} with a simulated listener {} listed and left out of the verdict.",
                count(*sittings as u64, "sitting"),
                verb(*sittings as u64, "is", "are")
            ),
            Self::Silent { sittings, only: true } => {
                format!(
                    "Nothing was played aloud in {}: nothing could be heard.",
                    count(*sittings as u64, "sitting")
                )
            }
            Self::Silent { sittings, only: false } => format!(
                "{} in which nothing was played aloud {} listed and left out of the verdict.",
                count(*sittings as u64, "sitting"),
                verb(*sittings as u64, "is", "are")
            ),
            Self::Abandoned { sittings } => format!(
                "{} {} opened and never finished. The seal of such a sitting stays closed, so its answers count for \
                 nothing; but who leaves the bad ones unfinished makes the rest look good.",
                count(*sittings as u64, "sitting"),
                verb(*sittings as u64, "was", "were")
            ),
            Self::StoppedEarly { sittings } => format!(
                "{} {} stopped before the agreed number of trials and {} left out of the verdict.",
                count(*sittings as u64, "sitting"),
                verb(*sittings as u64, "was", "were"),
                verb(*sittings as u64, "is", "are")
            ),
            Self::NotQualified { scores, agreed: (correct, trials) } => {
                let reached: Vec<String> =
                    scores.iter().map(|(right, of)| format!("{right} of {of}")).collect();
                format!(
                    "{} ended at the qualification ({}; the agreed {correct} of {trials} was not reached), so the counted \
                     trials never started.",
                    count(scores.len() as u64, "sitting"),
                    reached.join(", ")
                )
            }
            Self::WeakQualification { correct, trials, passes } => format!(
                "A guesser passes the qualification of {correct} right of {trials} in {} of tries, so it says little.",
                percent(*passes)
            ),
            Self::Hurried { listener, answers, trials, under_s } => format!(
                "{listener} hurried: {answers} of {trials} answers came after less than {under_s} s of sound in all. Somebody \
                 who hurries can miss a difference that is there."
            ),
            Self::TooFewTrials { comparison, trials } => format!(
                "{comparison}: with {} not even a perfect score would have met the agreed risk.",
                count(*trials, "counted trial")
            ),
            Self::LittlePower { comparison, trials, discriminators, power } => format!(
                "{comparison}: {} would find somebody who really hears the difference in {:.0} % of trials in only \
                 {:.0} of 100 such tests.",
                count(*trials, "counted trial"),
                discriminators * 100.0,
                power * 100.0
            ),
            Self::ControlsMissed { listener, correct, trials } => format!(
                "{listener}: only {correct} of {trials} audible controls were right. The rig or the listener could hardly \
                 have heard less."
            ),
            Self::Leak { listener, correct, trials } => format!(
                "{listener}: {correct} of {trials} right where both stimuli were identical. Something other than their \
                 sound gives the answer away."
            ),
            Self::Implausible { listener, correct, trials, oddities } => {
                let oddities: Vec<String> = oddities.iter().map(ToString::to_string).collect();
                format!(
                    "{listener}: {correct} of {trials} right does not fit the rest of the journal: {}. Whoever hears that \
                     well does not answer like this.",
                    oddities.join("; ")
                )
            }
            Self::NoPositiveControls => {
                "The session has no audible control, so nothing shows that the rig and the \
                                         listeners could have heard a real difference."
                    .to_owned()
            }
            Self::Disturbed { attempts, answered } => format!(
                "{} disturbed (a gap in the sound, a lost device) and repeated with a fresh draw, beside {}.",
                if *attempts == 1 { "1 attempt was".to_owned() } else { format!("{attempts} attempts were") },
                count(*answered, "answered trial")
            ),
            Self::Resumed { sittings } => {
                format!("{} went on after having been cut off.", count(*sittings as u64, "sitting"))
            }
            Self::NoPhrases { sittings } => format!(
                "In {} nobody typed a phrase, so the draws rest on the machine's secret alone.",
                count(*sittings as u64, "sitting")
            ),
            Self::LevelAudible { comparison, decibels } => format!(
                "{comparison}: the sides differ by {decibels:.2} dB in level, which may be heard by itself. The verdict is \
                 about the pair as wired, level included."
            ),
            Self::KnownDifference { comparison, decibels, unknown_db } => format!(
                "{comparison}: the stimuli were made from a difference of {}, which is {} than what is unknown about it.",
                plus_minus(*decibels, *unknown_db),
                if decibels > unknown_db { "larger" } else { "not larger" }
            ),
            Self::SeveralSittings { listener, sittings } => {
                format!("{listener} sat {sittings} times. All of these sittings count together.")
            }
            Self::SharedRoom { nights } => format!(
                "In {} all listeners heard the same draw, so their answers are not independent. The pooled number is the \
                 exact distribution over the sealed draws; intervals and shares treat votes as independent and are too \
                 narrow.",
                count(*nights as u64, "night")
            ),
            Self::Unlike { comparison, p_value } => format!(
                "{comparison}: the listeners differ more than chance allows (p = {}). The pooled number hides who can and \
                 who cannot.",
                probability(*p_value)
            ),
            Self::PlacesUnlike { comparison, p_value } => format!(
                "{comparison}: the places differ more than chance allows (p = {}). Pooling them answers a question that \
                 nobody asked.",
                probability(*p_value)
            ),
            Self::PreparedSession { listener, listeners } => format!(
                "{} prepared this session and listened too. The draws were hidden all the same; but whoever \
                 chose cables, clips and trials is no outside listener.",
                listener.clone().unwrap_or_else(|| count(*listeners as u64, "listener"))
            ),
            Self::WordsCouldHide { sittings, words, comparison, clip, margin_db } => format!(
                "{comparison}: in {} the sound device's {words} words could hide the difference: on {clip} it stood only \
                 {margin_db:.0} dB out of their noise in its strongest ERB band, and 10 dB are wanted. Who heard nothing may \
                 not have been given it to hear.",
                count(*sittings as u64, "sitting")
            ),
            Self::InputsChanged { files } => format!(
                "{} changed after the sittings were opened. What stands in the folder now is not what was heard: the answers \
                 are about the stimuli whose digests the sittings published.",
                files.join(", ")
            ),
            Self::StimuliDiffer { sets } => format!(
                "The sittings did not all play the same stimuli: {sets} sets of digests were published for one rate. A clip, \
                 a table or the program was changed in between."
            ),
            Self::Invented => {
                "The session says that everything in it is invented: cables, loudspeaker and names exist \
                               nowhere else."
                    .to_owned()
            }
            Self::NoFamilyControl { comparisons } => format!(
                "{comparisons} comparisons are judged each by itself, as the session says. The chance that at least one of \
                 them comes out by luck is larger than the agreed risk."
            ),
            Self::NotComputed { problem } => {
                format!("Part of the description could not be computed: {problem}.")
            }
        }
    }
}

impl Serialize for Caveat {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Caveat", 4)?;
        object.serialize_field("kind", self.kind())?;
        object.serialize_field("weight", &self.weight())?;
        object.serialize_field("text", &self.text())?;
        object.serialize_field("remedy", self.remedy())?;
        object.end()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_caveat_says_what_and_what_to_do() {
        let json = serde_json::to_value(Caveat::Abandoned { sittings: 1 }).expect("plain data");
        assert_eq!(json["kind"], "abandoned");
        assert_eq!(json["weight"], "serious");
        assert!(json["text"].as_str().is_some_and(|text| text.starts_with("1 sitting was opened")));
        assert!(json["remedy"].as_str().is_some_and(|text| text.starts_with("Finish")));
    }
}
