//! Models of how a listener decides. What each makes of d-prime is in [`psychometric`](super::psychometric).

use serde::{Deserialize, Serialize};

/// How a listener is thought to come to an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Model {
    /// ABX and duo-trio: which of the two is nearer to X? The listener compares distances.
    Differencing,
    /// ABX: the best possible use of all three observations.
    IndependentObservation,
    /// 2-AFC and preference: which of the two is larger?
    TwoAfc,
    /// Triangle: which is farthest from the other two?
    Triangle,
    /// Tetrad: which grouping puts the two largest together?
    Tetrad,
    /// Same-different: are the two farther apart than a criterion? At the criterion that is right most often where same
    /// and different are equally frequent.
    SameDifferent,
    /// A-not-A: is it above a criterion, which the reference keeps in mind? At the criterion in the middle.
    YesNo,
}
