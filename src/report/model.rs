//! Everything that a report shows, as plain data: the JSON document is this, and the page and the certificates are drawn
//! from it.
//!
//! Units are in the names. No path, host name or user name gets this far; with `anonymous` no listener's name either.

use serde::Serialize;

use super::svg::Figure;
use crate::evidence::{
    Basis, InputSetFacts, ListenerFacts, PanelStanding, RegisterFacts, SittingFacts, StimulusSetFacts,
    TrainingFacts, TrialFacts, Unusable,
};
use crate::session::{Club, Family, Levels, Photograph, Switching};
use crate::stats::Protocol;
use crate::stats::power::Risks;
use crate::stats::protocol::Inquiry;
use crate::stats::sequential::Exact;
use crate::trial::Digest;
use crate::trial::record::{SwitcherTerms, ThresholdTerms};
use crate::verdict::caveat::Caveat;
use crate::verdict::findings::CrossedFindings;
use crate::verdict::no_listening_test;
use crate::verdict::{ComparisonResult, ControlResult, PlaceFacts, TableScores};

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
    /// Files that the sittings read, by their digests.
    pub inputs: Vec<InputSetFacts>,
    /// Digests of the stimuli of all usable sittings, each different set once.
    pub stimuli: Vec<StimulusSetFacts>,
    /// The register.
    pub register: RegisterFacts,
    /// Training that was kept; never counted.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub training: Vec<TrainingFacts>,
    /// Listeners and clips crossed, where there are several of both.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crossed: Option<CrossedFindings>,
    /// A declared panel against who sat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub panel: Option<PanelStanding>,
    /// Places, if several were joined.
    pub places: Vec<PlaceFacts>,
    /// The scores of a night's tables, where it has any.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tables: Option<TableScores>,
    /// Every finished attempt and every vote, for the CSV table.
    #[serde(skip)]
    pub trials: Vec<TrialFacts>,
}

impl Report {
    /// Nothing was played aloud in any sitting that counts.
    fn is_silent(&self) -> bool {
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
    pub protocol: Protocol,
    /// The same with the direction in which it is tested.
    #[serde(skip)]
    pub inquiry: Inquiry,
    /// The protocol's name as people say it.
    pub protocol_title: String,
    /// The attribute that is asked for, where the protocol asks for one; in the question as well.
    #[serde(skip)]
    pub attribute: Option<String>,
    /// The question put to listeners.
    pub question: String,
    /// Probability that a guesser is right in one trial.
    pub chance: f64,
    /// Error risk agreed on.
    pub alpha: f64,
    /// What the qualification is asked with, where the session has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub qualified_by: Option<Protocol>,
    /// Counted trials per comparison and listener (the largest number with a sequential rule).
    pub trials: u32,
    /// Warm-up trials, uncounted.
    pub warm_up: u32,
    /// Whether the level difference stays.
    pub levels: Levels,
    /// What happens when a listener switches.
    pub switching: Switching,
    /// How real cables were switched, where they were.
    #[serde(skip)]
    pub switcher: Option<SwitcherTerms>,
    /// Comparisons whose sides were recorded at the loudspeaker's terminals: no filter stood for their cables.
    #[serde(skip)]
    pub recorded: Vec<String>,
    /// How many photographs of the set-up are withheld: they may show people.
    #[serde(skip)]
    pub photographs_withheld: usize,
    /// How several comparisons are judged together.
    pub family: Family,
    /// The stopping rule in words.
    pub stopping: String,
    /// The sequential rule, if there is one.
    pub sequential: Option<SequentialFacts>,
    /// What the design would find, for several true abilities.
    pub design: Vec<DesignFacts>,
    /// Everything is invented, as the session says.
    pub invented: bool,
    /// Whose night it is.
    #[serde(skip)]
    pub club: Option<Club>,
    /// Who prepared the session (anonymous: withheld).
    pub prepared_by: Vec<String>,
    /// SHA-256 of the session file.
    pub digest: String,
    /// Names of the clips.
    pub clips: Vec<String>,
    /// How a threshold is looked for, if one is.
    #[serde(skip)]
    pub threshold: Option<ThresholdTerms>,
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

/// What was wagered, and which sittings decide.
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
    /// Which sittings decide, in a sentence.
    pub deciding: String,
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
    /// The difference of each comparison.
    #[serde(skip)]
    pub figures: Vec<Figure>,
    /// Everything else that can be drawn of the circuit.
    #[serde(skip)]
    pub more_figures: Vec<Figure>,
    /// The set-up, as its owner photographed it (anonymous: withheld).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub photographs: Vec<PhotographFacts>,
    /// What could not be computed.
    pub problems: Vec<String>,
    /// Files that are not what the sittings sealed: then nothing else stands here.
    pub changed: Vec<String>,
}

/// A photograph of the set-up, and nothing that a camera wrote beside it.
#[derive(Debug, Clone, Serialize)]
pub struct PhotographFacts {
    /// Its name as the session writes it.
    pub file: String,
    /// What it shows, in its owner's words.
    pub caption: String,
    /// SHA-256 of the picture alone, as the sittings sealed it.
    pub sha256: String,
    /// Pixels from left to right and from top to bottom.
    #[serde(skip)]
    pub size: (u32, u32),
    /// The picture as an address that holds it whole.
    #[serde(skip)]
    pub address: String,
}

impl PhotographFacts {
    /// Of a photograph of the session.
    pub(super) fn of(photograph: &Photograph) -> Self {
        let Photograph { file, caption, picture } = photograph;
        Self {
            file: file.clone(),
            caption: caption.shown().to_owned(),
            sha256: Digest::of(&picture.bytes).hex(),
            size: picture.size,
            address: picture.address(),
        }
    }
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
    /// Number of the comparison, from 0.
    #[serde(skip)]
    pub index: usize,
    /// Name of the comparison.
    pub comparison: String,
    /// Label and value with unit.
    pub facts: Vec<(String, String)>,
    /// Difference in level in dB, A minus B: the best single level match over 20 Hz to 20 kHz.
    pub level_db: Option<f64>,
    /// The largest difference as it is played and what is unknown about it (95 %), in dB; nothing if no tolerances are given.
    pub known_db: Option<(f64, f64)>,
    /// How large that is to an ear, in words.
    pub words: Vec<String>,
}
