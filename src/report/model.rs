//! Everything that a report shows, as plain data: the JSON document is this, and the page and the certificates are drawn
//! from it.
//!
//! Units are in the names. No path, host name or user name gets this far; with `anonymous` no listener's name either.

mod sittings;

use serde::Serialize;

pub use sittings::{
    DeviceFacts, EventFacts, RegisterFacts, SittingFacts, State, StimulusFacts, StimulusSetFacts, Unusable,
};

use super::caveat::Caveat;
use super::svg::Figure;
use super::verdict::no_listening_test;
use crate::stats::description::{Bias, Confidence, Course, Lean};
use crate::stats::one::Analysis;
use crate::stats::panel::{Heterogeneity, PanelAnalysis};
use crate::stats::power::Risks;
use crate::stats::room::{Distribution, RoomResult};
use crate::stats::sequential::Exact;
use crate::stats::similarity::Similarity;
use crate::trial::record::Part;

/// Name and version of the JSON document.
pub const SCHEMA: &str = "earwitness.report/1";

/// A whole report.
#[derive(Debug, Clone, Serialize)]
pub struct Report {
    /// [`SCHEMA`].
    pub schema: &'static str,
    /// Program and version.
    pub program: String,
    /// Listeners' names were replaced.
    pub anonymous: bool,
    /// What the session says.
    pub session: SessionFacts,
    /// One result per comparison, in session order.
    pub comparisons: Vec<ComparisonResult>,
    /// Results of controls, all counted sittings together.
    pub controls: Vec<ControlResult>,
    /// What limits the verdicts, heaviest first.
    pub caveats: Vec<Caveat>,
    /// What was compared.
    pub compared: Compared,
    /// Listeners in order of appearance (anonymous: of their number).
    pub listeners: Vec<ListenerFacts>,
    /// Every sitting whose journal can be read, counted or not.
    pub sittings: Vec<SittingFacts>,
    /// Journals that cannot be used at all.
    pub unusable: Vec<Unusable>,
    /// Digests of the stimuli of all usable sittings, each different set once.
    pub stimuli: Vec<StimulusSetFacts>,
    /// The register.
    pub register: RegisterFacts,
    /// Places, if several were joined.
    pub places: Vec<PlaceFacts>,
    /// Every finished attempt and every vote, for the CSV table.
    #[serde(skip)]
    pub trials: Vec<TrialFacts>,
}

impl Report {
    /// Nothing was played aloud in any sitting that counts.
    pub fn is_silent(&self) -> bool {
        self.sittings.iter().filter(|sitting| sitting.counted).all(|sitting| sitting.silent)
    }

    /// Why results on this basis are no listening test; `None` where somebody listened, or nothing counts.
    pub fn no_listening_test(&self, basis: Basis) -> Option<&'static str> {
        match basis {
            Basis::Silent => no_listening_test(false, true),
            Basis::Simulated => no_listening_test(true, self.is_silent()),
            Basis::Listening | Basis::Nothing => None,
        }
    }
}

/// What the session says, in the words of its file.
#[derive(Debug, Clone, Serialize)]
pub struct SessionFacts {
    /// Title.
    pub title: String,
    /// Protocol.
    pub protocol: String,
    /// The protocol's name as people say it.
    pub protocol_title: String,
    /// The question put to listeners.
    pub question: String,
    /// Probability that a guesser is right in one trial.
    pub chance: f64,
    /// Error risk agreed on.
    pub alpha: f64,
    /// Counted trials per comparison and listener (the largest number with a sequential rule).
    pub trials: u32,
    /// Warm-up trials, uncounted.
    pub warm_up: u32,
    /// `as-wired` or `matched`.
    pub levels: &'static str,
    /// `instant` or `gap`.
    pub switching: &'static str,
    /// `holm` or `none`.
    pub family: &'static str,
    /// The stopping rule in words.
    pub stopping: String,
    /// The sequential rule, if there is one.
    pub sequential: Option<SequentialFacts>,
    /// What the design would find, for several true abilities.
    pub design: Vec<DesignFacts>,
    /// Everything is invented, as the session says.
    pub invented: bool,
    /// Who prepared the session (anonymous: withheld).
    pub prepared_by: Vec<String>,
    /// SHA-256 of the session file.
    pub digest: String,
    /// Names of the clips.
    pub clips: Vec<String>,
    /// The controls in words, such as "level 1 dB".
    pub controls: Vec<String>,
    /// The wager, if there is one.
    pub wager: Option<WagerFacts>,
    /// Pictures of the design.
    #[serde(skip)]
    pub figures: Vec<Figure>,
}

/// A sequential rule with what it really does.
#[derive(Debug, Clone, Serialize)]
pub struct SequentialFacts {
    /// Agreed risk of "a difference" for a guesser.
    pub alpha: f64,
    /// Agreed risk of "no difference" for the listener looked for.
    pub beta: f64,
    /// Proportion right of the listener looked for.
    pub proportion: f64,
    /// Exact behaviour for a guesser.
    pub guesser: Exact,
    /// Exact behaviour for the listener looked for.
    pub listener: Exact,
    /// Exact behaviour for several true abilities.
    pub design: Vec<SequentialDesign>,
}

/// What a sequential rule says of a listener of a stated ability.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct SequentialDesign {
    /// Proportion of trials in which the listener really hears the difference.
    pub discriminators: f64,
    /// Exact behaviour.
    pub exact: Exact,
}

/// What this design finds for a listener of a stated ability.
#[derive(Debug, Clone, Serialize)]
pub struct DesignFacts {
    /// Proportion of trials in which the listener really hears the difference.
    pub discriminators: f64,
    /// Proportion right that follows.
    pub proportion: f64,
    /// Risks of one listener's trials of one comparison.
    pub risks: Risks,
}

/// What was wagered.
#[derive(Debug, Clone, Serialize)]
pub struct WagerFacts {
    /// Who claims.
    pub claimant: String,
    /// Who doubts.
    pub skeptic: String,
    /// The claim.
    pub claim: String,
    /// Owed if the claimant wins.
    pub claimant_wins: String,
    /// Owed if the skeptic wins.
    pub skeptic_wins: String,
}

/// Which answers a result rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Complete sittings of people who could hear something.
    Listening,
    /// Only sittings in which nothing was played.
    Silent,
    /// Only simulated listeners.
    Simulated,
    /// Nothing that counts.
    Nothing,
}

/// A verdict's words.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Words {
    /// Kind of verdict.
    pub finding: String,
    /// One plain sentence with its numbers.
    pub headline: String,
    /// What limits it.
    pub limits: Vec<String>,
}

/// The result of one comparison.
#[derive(Debug, Clone, Serialize)]
pub struct ComparisonResult {
    /// Name.
    pub name: String,
    /// Cable of side A.
    pub a: String,
    /// Cable of side B.
    pub b: String,
    /// Which answers it rests on.
    pub basis: Basis,
    /// The verdict.
    pub verdict: Words,
    /// What the listeners say one by one, next to the verdict on all of them together.
    pub one_by_one: Option<String>,
    /// Listeners that count.
    pub listeners: usize,
    /// Right answers (preference: answers for side B).
    pub correct: u64,
    /// Counted trials (of a room: votes).
    pub trials: u64,
    /// The test behind the verdict, in words.
    pub method: &'static str,
    /// p-value of the pooled answers: of the exact room test where listeners shared draws, else binomial.
    pub p_value: Option<f64>,
    /// The same after Holm's adjustment over the session's comparisons.
    pub adjusted_p_value: Option<f64>,
    /// Numbers of the pooled counts as if all trials were independent.
    pub analysis: Option<Analysis>,
    /// The exact test of a room that shared its draws.
    pub room: Option<RoomResult>,
    /// Similarity tests against stated limits.
    pub similarity: Vec<Similarity>,
    /// Listeners compared with one another.
    pub panel: Option<PanelFacts>,
    /// Trend of right answers over the trials, all listeners joined: positive late (learning), negative early (fatigue);
    /// nothing where listeners shared draws.
    pub trend_z: Option<f64>,
    /// How all answers lie over the protocol's alternatives.
    pub lean: Option<Lean>,
    /// Response bias of all answers, where the protocol has two alternatives: to A, or to the first place.
    pub bias: Option<Bias>,
    /// Test that all places have the same proportion right, if several were joined; nothing where listeners shared draws
    /// or a sequential rule ended the trials.
    pub between_places: Option<Heterogeneity>,
    /// The exact distribution of the room's score over the draws, for the figure.
    #[serde(skip)]
    pub distribution: Option<Distribution>,
    /// One entry per listener that counts.
    pub results: Vec<ListenerResult>,
}

/// Listeners compared with one another.
#[derive(Debug, Clone, Serialize)]
pub struct PanelFacts {
    /// Listeners whose own p-value is at most the agreed risk.
    pub passers: u64,
    /// Listeners who remain after Holm's adjustment, which holds however the answers depend on one another.
    pub passers_holm: u64,
    /// Name of the best listener.
    pub best: String,
    /// Everything that needs draws of their own; nothing where listeners shared draws, or where trials ended by a
    /// sequential rule, whose p-values mean something else.
    pub independent: Option<PanelAnalysis>,
}

/// One listener's result in one comparison.
#[derive(Debug, Clone, Serialize)]
pub struct ListenerResult {
    /// Number of the listener in [`Report::listeners`], from 0.
    pub listener: usize,
    /// Name shown.
    pub name: String,
    /// Right answers (preference: for side B).
    pub correct: u64,
    /// Counted trials.
    pub trials: u64,
    /// The verdict on this listener alone.
    pub verdict: Words,
    /// Everything about the score.
    pub analysis: Analysis,
    /// p-value after Holm's adjustment over the listeners of this comparison.
    pub adjusted_p_value: f64,
    /// Decision of the sequential rule.
    pub sequential: Option<&'static str>,
    /// Median time per trial in seconds.
    pub median_trial_s: Option<f64>,
    /// Mean number of switches per trial.
    pub switches_per_trial: Option<f64>,
    /// Answers over time and by side, as descriptions.
    pub habits: Habits,
    /// Right (1) or wrong (0) in the order of trials.
    pub path: Vec<u8>,
}

/// How somebody answered: descriptions, never a rescue of a failed test.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Habits {
    /// First half against second half.
    pub course: Option<Course>,
    /// Answers for side A and all answers that point to a side.
    pub for_side_a: (u64, u64),
    /// Response bias, where the protocol has two alternatives: to A, or to the first place.
    pub bias: Option<Bias>,
    /// How the answers lie over the protocol's alternatives.
    pub lean: Option<Lean>,
    /// Agreement of confidence with correctness.
    pub confidence: Option<Confidence>,
}

/// A control, all counted sittings together.
#[derive(Debug, Clone, Serialize)]
pub struct ControlResult {
    /// `level`, `tilt`, `head-movement` or `identical`.
    pub kind: String,
    /// Size with unit; empty for identical.
    pub amount: String,
    /// Known to be audible.
    pub positive: bool,
    /// Right answers.
    pub correct: u64,
    /// Trials.
    pub trials: u64,
}

/// A listener.
#[derive(Debug, Clone, Serialize)]
pub struct ListenerFacts {
    /// Name shown.
    pub name: String,
    /// Place that the listener sat at, if several were joined.
    pub place: Option<String>,
    /// Numbers of the sittings in [`Report::sittings`], from 0.
    pub sittings: Vec<usize>,
    /// Seat of a night.
    pub seat: Option<u32>,
    /// Right answers and trials of audible controls.
    pub positive_controls: (u64, u64),
    /// Right answers and trials of identical controls.
    pub identical_controls: (u64, u64),
    /// At least one of the sittings counts.
    pub counted: bool,
    /// The session names this listener among those who prepared it (anonymous: withheld, see the caveats).
    pub prepared_session: Option<bool>,
}

/// A place whose journals were joined.
#[derive(Debug, Clone, Serialize)]
pub struct PlaceFacts {
    /// Name: that of the folder.
    pub name: String,
    /// Sittings that count.
    pub counted: usize,
    /// All sittings.
    pub sittings: usize,
    /// Right and all, by comparison.
    pub scores: Vec<(u64, u64)>,
}

/// What was compared.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Compared {
    /// The amplifier in words.
    pub amplifier: Vec<String>,
    /// The loudspeaker in words.
    pub loudspeaker: Vec<String>,
    /// Cables.
    pub cables: Vec<CableFacts>,
    /// Clips.
    pub clips: Vec<ClipFacts>,
    /// What the circuit does, by comparison.
    pub differences: Vec<DifferenceFacts>,
    /// What to be careful of.
    pub cautions: Vec<String>,
    /// What the session's reader wants known: held ends of tables and the like.
    pub notes: Vec<String>,
    /// Pictures.
    #[serde(skip)]
    pub figures: Vec<Figure>,
    /// What could not be computed.
    pub problems: Vec<String>,
}

/// A cable.
#[derive(Debug, Clone, Serialize)]
pub struct CableFacts {
    /// Name.
    pub name: String,
    /// What it is, in words.
    pub description: String,
    /// Loop resistance at 0 Hz in ohm.
    pub dc_resistance_ohm: Option<f64>,
    /// Loop resistance in ohm at [`CABLE_FREQUENCIES_HZ`].
    pub loop_resistance_ohm: Vec<f64>,
    /// Loop inductance in henry at the same.
    pub loop_inductance_h: Vec<f64>,
    /// Capacitance in farad at the same.
    pub capacitance_f: Vec<f64>,
}

/// Frequencies in Hz at which cables are tabled.
pub const CABLE_FREQUENCIES_HZ: [f64; 3] = [100.0, 1000.0, 20_000.0];

/// A clip.
#[derive(Debug, Clone, Serialize)]
pub struct ClipFacts {
    /// Name.
    pub name: String,
    /// Where it comes from, without folders.
    pub source: String,
    /// What is known of its sound: label and value with unit.
    pub facts: Vec<(String, String)>,
    /// Mean power in third-octave bands: centre in Hz and level in dB of mean square, full scale 1.0; silent bands left out.
    pub third_octaves_hz_db: Vec<(f64, f64)>,
}

/// The difference between both sides, on paper.
#[derive(Debug, Clone, Serialize)]
pub struct DifferenceFacts {
    /// Name of the comparison.
    pub comparison: String,
    /// Label and value with unit.
    pub facts: Vec<(String, String)>,
    /// Difference in level in dB, A minus B: the best single level match over 20 Hz to 20 kHz.
    pub level_db: Option<f64>,
    /// How large that is to an ear, in words.
    pub words: Vec<String>,
}

/// A finished attempt, or a vote in one.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialFacts {
    /// Number of the sitting in [`Report::sittings`], from 0.
    pub sitting: u32,
    /// Number of the listener in [`Report::listeners`], from 0; nothing for a void attempt of a night.
    pub listener: Option<u32>,
    /// Line of the journal, from 1, that holds it.
    pub record: u32,
    /// Part of the sitting.
    pub part: Part,
    /// Trial within the part.
    pub trial: u32,
    /// Attempt at it.
    pub attempt: u32,
    /// Disturbed, and repeated.
    pub void: bool,
    /// Comparison, of a control the one whose side A it starts from; nothing while the seal is closed.
    pub comparison: Option<u16>,
    /// Control, if it is one.
    pub control: Option<u16>,
    /// Clip; nothing while the seal is closed.
    pub clip: Option<u16>,
    /// Presentation order; nothing while the seal is closed.
    pub order: Option<u8>,
    /// Answered alternative; nothing if void, or for a vote that never came.
    pub answer: Option<u8>,
    /// The right alternative; nothing where the protocol has none.
    pub right: Option<u8>,
    /// Whether it is right; nothing for preference.
    pub correct: Option<bool>,
    /// The side that the answer points to is A.
    pub for_side_a: Option<bool>,
    /// Confidence, 1 to 5.
    pub confidence: Option<u8>,
    /// When it ended, milliseconds of the sitting.
    pub at_ms: u64,
    /// How long it took in milliseconds.
    pub took_ms: u64,
    /// Switches.
    pub switches: u32,
    /// Listens of all slots together.
    pub listens: u32,
    /// Milliseconds heard of all slots together.
    pub heard_ms: u64,
    /// Voted on paper.
    pub paper: bool,
}
