//! What the panel that a session declares can show.

use serde::Serialize;

use crate::session::Panel;
use crate::stats::power::Design;
use crate::stats::simulate::Simulated;

/// The claim of "no difference" as a declared panel makes it.
pub(super) struct Claim {
    /// Share of trials up to which no difference is worth mentioning.
    pub(super) limit: f64,
    /// Risk of saying so wrongly.
    pub(super) risk: f64,
    /// Largest score that supports it; nothing where the rule is no plain score, or no score does.
    pub(super) critical: Option<u64>,
    /// How often it is supported if nobody hears anything.
    pub(super) supported: Supported,
}

/// A probability, and how it was come by.
pub(super) enum Supported {
    /// From the distribution itself.
    Exactly(f64),
    /// By simulation.
    Simulated(Simulated),
}

/// One listener judged alone.
pub(super) struct Alone {
    /// Tests in the family.
    pub(super) tests: u64,
    /// Score needed as one of them; nothing where none is enough.
    pub(super) critical: Option<u64>,
    /// How often somebody as good as the panel's mean reaches it.
    pub(super) power: f64,
}

/// What a session's panel can show.
pub(super) struct SessionPlan {
    /// Whether a panel was declared; otherwise one sitting of one listener is planned.
    pub(super) panel: Option<Panel>,
    /// Listeners.
    pub(super) listeners: u64,
    /// Trials of each listener and comparison, all sittings.
    pub(super) trials_each: u64,
    /// Comparisons that are judged together.
    pub(super) together: u64,
    /// The pooled test, at the risk that the first of a family must meet, with the size it is planned for.
    pub(super) design: Design,
    /// Whether the size was given, or found for the wanted power.
    pub(super) sized: bool,
    /// How much the listeners are taken to differ.
    pub(super) gamma: f64,
    /// Exact power of the pooled test if they do; nothing where they do not, or where it would take long.
    pub(super) differing: Option<f64>,
    /// The claim of no difference, if it is declared.
    pub(super) claim: Option<Claim>,
    /// Each listener alone, where there are several.
    pub(super) alone: Option<Alone>,
    /// The looks before the end, if they are declared, and the last one.
    pub(super) looks: Vec<PlannedLook>,
    /// How often the rule by controls leaves somebody out, if there is one.
    pub(super) leaving: Option<Leaving>,
    /// How many to invite, if some stay away.
    pub(super) drop_outs: Option<DropOuts>,
}

/// A look at the panel.
#[derive(Debug, Clone, Copy, Serialize)]
pub(super) struct PlannedLook {
    /// After so many listeners.
    pub(super) listeners: u32,
    /// Score needed; nothing where none is enough.
    pub(super) critical: Option<u64>,
    /// Trials by then.
    pub(super) trials: u64,
    /// Probability that the panel ends here, for the size of difference that is planned for.
    pub(super) ends: f64,
}

/// What it takes to have a whole panel, where some do not come.
#[derive(Debug, Clone, Copy, Serialize)]
pub(super) struct DropOuts {
    /// Share of the invited who do not come, or do not finish.
    pub(super) share: f64,
    /// Fewest invitations with which the panel is complete with a probability of [`COMPLETE`] at least.
    pub(super) invite: u64,
    /// Probability that it is complete with so many.
    pub(super) complete: f64,
    /// Probability that it is complete if nobody is invited beyond the declared number.
    pub(super) complete_without_more: f64,
}

/// How often the rule by controls leaves a listener out.
#[derive(Debug, Clone, Copy, Serialize)]
pub(super) struct Leaving {
    /// Positive control trials of a listener.
    pub(super) trials: u64,
    /// Of listeners who hear nine of ten of them.
    pub(super) able: f64,
    /// Of guessers.
    pub(super) guessing: f64,
}
