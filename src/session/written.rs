//! Words that a person wrote in a session file, a journal or a register.

use super::person::{folded, same_person};

/// Names, titles and claims as a person wrote them. They print as nothing, and a report shows what an
/// [`Anonymiser`](crate::evidence::Anonymiser) cleared and nothing else: `tests/architecture` holds that only the anonymiser
/// clears words, and that no report reads them [as they were written](Written::as_written).
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Written {
    words: String,
    cleared: bool,
}

impl Written {
    /// From a session, a journal, a register or a folder; not cleared.
    pub fn new(words: impl Into<String>) -> Self {
        Self { words: words.into(), cleared: false }
    }

    /// Words that may be shown, or what stands instead of them.
    pub(crate) fn cleared(words: impl Into<String>) -> Self {
        Self { words: words.into(), cleared: true }
    }

    /// The words, for whoever wrote them: the session's own screens, terms and messages.
    pub fn as_written(&self) -> &str {
        &self.words
    }

    /// Whether both are the name of one person.
    pub fn is_person(&self, other: &Self) -> bool {
        same_person(&self.words, &other.words)
    }

    /// The name without what makes no other person of it: case, accents and spaces.
    pub fn folded(&self) -> String {
        folded(&self.words)
    }

    /// What a report may show: the words if they were cleared.
    pub fn shown(&self) -> &str {
        if self.cleared { &self.words } else { "[withheld]" }
    }
}

impl std::fmt::Debug for Written {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str("(words that a person wrote)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_shown_by_nobody_who_did_not_clear_them() {
        let name = Written::new("Zinnia");
        assert_eq!((name.shown(), name.as_written()), ("[withheld]", "Zinnia"));
        assert!(!format!("{name:?}").contains("Zinnia"));
        assert_eq!(Written::cleared("the claimant").shown(), "the claimant");
    }
}
