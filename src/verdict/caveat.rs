//! What limits a verdict, as data: each caveat has a kind, a weight, a text and a remedy, shown alike on every surface.
//!
//! A caveat is one function in one of the files below, with one literal for all that it says, and one line in [`ALL`].
//! Each looks at the whole [`Case`] by itself; none knows whether another applies.
//!
//! | file | caveats about |
//! | --- | --- |
//! | `folder` | session, journals, register, files, stimuli |
//! | `sittings` | how sittings went: who or what sat, over which device, to which end |
//! | `panel` | who belongs to a panel |
//! | `recordings` | recordings that are played as the two sides |
//! | `answers` | controls, scores, risks, and what they can show |

mod answers;
mod folder;
mod panel;
mod recordings;
mod sittings;

use serde::{Serialize, Serializer};

pub use sittings::weak_qualification;

use super::{ComparisonResult, ControlResult, OnPaper};
use crate::evidence::{Agreed, Evidence, State};

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
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Caveat {
    /// What kind of thing.
    pub kind: Kind,
    /// How much it takes from the verdict.
    pub weight: Weight,
    /// What is the matter, in a sentence or two.
    pub text: String,
    /// What to do about it.
    pub remedy: &'static str,
}

/// All that a caveat may look at.
#[derive(Debug, Clone, Copy)]
pub struct Case<'c> {
    /// What was agreed before anyone listened.
    pub agreed: &'c Agreed,
    /// What the journals say.
    pub evidence: &'c Evidence,
    /// What follows for each comparison.
    pub comparisons: &'c [ComparisonResult],
    /// What came of each control.
    pub controls: &'c [ControlResult],
    /// Probability that chance alone is right as often on the identical controls.
    pub leak: Option<f64>,
    /// What circuit and clips say of the comparisons.
    pub on_paper: &'c OnPaper,
}

impl Case<'_> {
    /// Number of sittings in this state.
    fn in_state(&self, state: State) -> u64 {
        self.evidence.sittings.iter().filter(|sitting| sitting.state == state).count() as u64
    }
}

/// Looks for one kind of caveat.
pub type Look = fn(&Case<'_>) -> Vec<Caveat>;

/// Declares the kinds of caveats, their names, and who looks for them, in the order in which they are told.
macro_rules! caveats {
    ($($kind:ident $name:literal $look:expr, $about:literal;)*) => {
        /// The kinds of caveats.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Kind { $(#[doc = $about] $kind,)* }

        /// Every caveat that there is: its kind, its name in JSON, what it is about, and what looks for it.
        pub const ALL: &[(Kind, &str, &str, Look)] = &[$((Kind::$kind, $name, $about, $look),)*];
    };
}

caveats! {
    Invented "invented" folder::invented, "The session says that everything in it is invented.";
    NoSittings "no-sittings" folder::no_sittings, "The folder holds no journal.";
    InvalidJournals "invalid-journals" folder::invalid_journals, "Journals that do not verify.";
    ForeignJournals "foreign-journals" folder::foreign_journals, "Journals that were made with another session file.";
    RegisterBroken "register-broken" folder::register_broken, "The register cannot be read, or its chain is broken.";
    JournalsMissing "journals-missing" folder::journals_missing, "The register announces sittings whose journals are not there.";
    SittingsGone "sittings-gone" folder::sittings_gone, "The last report of the folder told of sittings that the register no longer knows.";
    Unregistered "unregistered" folder::unregistered, "Journals that the register does not announce.";
    Abandoned "abandoned" sittings::abandoned, "Sittings that were opened and never finished.";
    StoppedEarly "stopped-early" sittings::stopped_early, "Sittings that ended before the rule allowed it.";
    NotQualified "not-qualified" sittings::not_qualified, "Sittings that ended at the qualification.";
    WeakQualification "weak-qualification" sittings::weak, "Guessers often pass the qualification.";
    PanelIncomplete "panel-incomplete" panel::incomplete, "Not everybody of a declared panel has sat.";
    PanelLost "panel-lost" panel::lost, "A complete sitting of a declared panel has no journal that verifies.";
    PanelBrokenOff "panel-broken-off" panel::broken_off, "Sittings of a declared panel that were begun and never completed, and others took their turn.";
    OpenPanel "open-panel" panel::open, "Several listeners, and nobody said beforehand how many.";
    BeyondPanel "beyond-panel" panel::beyond, "Complete sittings that came after a declared panel was full.";
    LeftOut "left-out" panel::left_out, "Listeners whom a declared panel's rule leaves out.";
    Simulated "simulated" sittings::simulated, "Answers of a simulated listener.";
    Silent "silent" sittings::silent, "Nothing was played aloud.";
    Disturbed "disturbed" sittings::disturbed, "Attempts that were disturbed and repeated.";
    SoundServer "sound-server" sittings::sound_server, "A wagered sitting was played through a sound server, which other programs can record.";
    Resumed "resumed" sittings::resumed, "Sittings that went on after they had been cut off.";
    NoHands "no-hands" sittings::no_hands, "Nobody gave a hand, so the draws rest on the machine's secret alone.";
    SharedRoom "shared-room" sittings::shared_room, "Listeners heard the same draw.";
    SeveralSittings "several-sittings" sittings::several_sittings, "A listener sat more than once, and all sittings count together.";
    Hurried "hurried" sittings::hurried, "A listener often answered after little more than the least that has to be heard.";
    Patterned "patterned" answers::patterned, "Answers of a sitting follow a pattern, and not the sound.";
    PreparedSession "prepared-session" sittings::prepared_session, "A listener is among those who prepared the session.";
    WordsCouldHide "words-could-hide" sittings::words_could_hide, "A sound device's bit depth could hide the faintest difference.";
    SwitchUnproven "switch-unproven" sittings::switch_unproven, "No measurement shows that a switch of real cables connected what it should.";
    SwitchedByHand "switched-by-hand" sittings::switched_by_hand, "A person switched the real cables, and could have helped the listener.";
    TerminalLevels "terminal-levels" sittings::terminal_levels, "Real cables gave levels at the terminals that differ.";
    InputsChanged "inputs-changed" folder::inputs_changed, "Files of the session are not what the sittings sealed.";
    StimuliDiffer "stimuli-differ" folder::stimuli_differ, "Sittings published different stimuli, though made for the same rate.";
    Recordings "recordings" recordings::recordings, "Both sides of a comparison are recordings.";
    RecordingsTold "recordings-told" recordings::told, "Something that no cable makes could tell two recordings apart, or nobody looked for it.";
    NoPositiveControls "no-positive-controls" answers::no_positive_controls, "The session has no control that should be heard.";
    ControlsMissed "controls-missed" answers::controls_missed, "A listener missed controls that should be heard.";
    Leak "leak" answers::leak, "Identical stimuli were told apart.";
    TooFewTrials "too-few-trials" answers::too_few_trials, "No score, not even a perfect one, could have met the agreed risk.";
    LittlePower "little-power" answers::little_power, "A real but modest ability would more often be missed than found.";
    LevelAudible "level-audible" answers::level_audible, "The level difference alone may be heard.";
    ListenersUnlike "listeners-unlike" answers::listeners_unlike, "Listeners differ more than chance allows.";
    PlacesUnlike "places-unlike" answers::places_unlike, "Places differ more than chance allows.";
    Implausible "implausible" answers::implausible, "A score that the facts around it do not fit.";
    KnownDifference "known-difference" answers::known_difference, "How well the difference is known that the stimuli were made from.";
    NoFamilyControl "no-family-control" answers::no_family_control, "Comparisons are judged each by itself.";
    NotComputed "not-computed" folder::not_computed, "Part of the physics could not be computed.";
}

impl Kind {
    /// Its name in JSON.
    pub fn name(self) -> &'static str {
        ALL.iter().find(|(kind, ..)| *kind == self).map_or("", |(_, name, ..)| name)
    }
}

impl Serialize for Kind {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

/// All caveats that apply, heaviest first, else in the order of [`ALL`].
pub fn found(case: &Case<'_>) -> Vec<Caveat> {
    let mut found: Vec<Caveat> = ALL.iter().flat_map(|(.., look)| look(case)).collect();
    found.sort_by_key(|caveat| caveat.weight);
    found
}

/// Most caveats of one kind that are listed by name.
const MOST_NAMED: usize = 12;

/// One caveat where there is something to say.
fn when(applies: bool, caveat: impl FnOnce() -> Caveat) -> Vec<Caveat> {
    if applies { vec![caveat()] } else { Vec::new() }
}

/// Names as people list them: the first few, and how many more.
fn listed(names: &[&str]) -> String {
    let shown = &names[..names.len().min(MOST_NAMED)];
    match names.len() - shown.len() {
        0 => shown.join(", "),
        more => format!("{} and {more} more", shown.join(", ")),
    }
}
