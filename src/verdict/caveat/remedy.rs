//! What to do about each caveat.

use super::Caveat;
use crate::clip::dither::WordLength;

impl Caveat {
    /// What to do about it.
    pub fn remedy(&self) -> &'static str {
        match self {
            Self::NoSittings => "Hold one with the `run` or the `night` command.",
            Self::InvalidJournals { .. } => {
                "Look at them with the `verify` command, and ask for the receipts."
            }
            Self::ForeignJournals { .. } => {
                "Keep each session's journals with the session file that they were made with."
            }
            Self::RegisterBroken { .. } | Self::JournalsMissing { .. } | Self::Unregistered { .. } => {
                "Ask for the whole session folder, and hold each journal against the receipt that its listener kept."
            }
            Self::Simulated { .. } => "Let a person listen.",
            Self::Silent { .. } => "Play through a device.",
            Self::Abandoned { .. } => "Finish them with the `run` command, or ask why they were left.",
            Self::StoppedEarly { .. } => "Hold complete sittings, or agree on a sequential rule beforehand.",
            Self::NotQualified { .. } => "Check the rig, train with the `audition` command, and sit again.",
            Self::WeakQualification { .. } => "Ask for more trials or more right ones.",
            Self::Hurried { .. } => {
                "Take the time, or agree on more with `heard_at_least` in the session, and sit again."
            }
            Self::TooFewTrials { .. } | Self::LittlePower { .. } => {
                "Plan the number of trials with the `plan` command before anyone listens."
            }
            Self::ControlsMissed { .. } => "Check the rig and the level, train, and sit again.",
            Self::Leak { .. } => {
                "Find the leak: sounds of the machine, the screen, the other person. Then sit again."
            }
            Self::Implausible { .. } => {
                "Ask who answered, and how X could have been known without listening. Then sit again with a witness."
            }
            Self::NoPositiveControls => "Add a `level` or `tilt` control to the session.",
            Self::Disturbed { .. } => "Use a larger buffer or a quieter machine.",
            Self::Resumed { .. } => {
                "Compare the running receipt that was shown before the cut with the journal."
            }
            Self::NoPhrases { .. } => "Let whoever doubts the machine type a phrase after the seal is shown.",
            Self::LevelAudible { .. } => "Set `levels = \"matched\"` to ask about everything but the level.",
            Self::KnownDifference { decibels, unknown_db, .. } if decibels > unknown_db => {
                "Nothing to do: the real cables differ by that much, within these limits."
            }
            Self::KnownDifference { .. } => {
                "Measure the cables better: the real ones could as well be alike, or differ twice as much."
            }
            Self::SeveralSittings { .. } => "Agree on the number of sittings beforehand.",
            Self::SharedRoom { .. } => {
                "Nothing to do: the number accounts for it. For more certainty, more trials help; more seats help little."
            }
            Self::Unlike { .. } => "Read the listeners one by one, with the adjusted p-values.",
            Self::PlacesUnlike { .. } => "Read the places one by one.",
            Self::PreparedSession { .. } => "Let somebody who does not listen write the session.",
            Self::WordsCouldHide { words: WordLength::Bits16, .. } => {
                "Choose a device (or its setting) of 24 or 32 bits, turn the level in the program up and the amplifier down, \
                 or use a louder clip."
            }
            Self::WordsCouldHide { .. } => {
                "Choose a clip on which the difference is larger, or a louder one."
            }
            Self::InputsChanged { .. } => {
                "Put back the files that were sealed: their lengths and digests are listed under \"How to check it\"."
            }
            Self::StimuliDiffer { .. } => {
                "Compare the digests below; `verify --session` makes the stimuli again and says which ones agree."
            }
            Self::Invented => "Describe your own circuit to learn something about it.",
            Self::NoFamilyControl { .. } => "Set `family = \"holm\"` before anyone listens.",
            Self::NotComputed { .. } => "See what the `check` command says.",
        }
    }
}
