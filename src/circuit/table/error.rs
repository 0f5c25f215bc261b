//! What is wrong with a measured table.

/// What is wrong with a measured table, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{name}{}: {message}", line.map(|line| format!(":{line}")).unwrap_or_default())]
pub struct TableError {
    /// The table's name.
    pub name: String,
    /// Line, from 1, where there is one.
    pub line: Option<usize>,
    /// What was tried, with which value, what is allowed.
    pub message: String,
}

impl TableError {
    pub(in crate::circuit) fn new(
        name: &str,
        line: impl Into<Option<usize>>,
        message: impl Into<String>,
    ) -> Self {
        Self { name: name.to_owned(), line: line.into(), message: message.into() }
    }
}
