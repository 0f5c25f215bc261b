//! Counting answers against draws, and the decisions that follow from counts alone.

/// What the sequential rule says of a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// Not decided.
    Undecided,
    /// A difference was heard.
    Difference,
    /// No difference of the stated size was heard.
    NoDifference,
}
