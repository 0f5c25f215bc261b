//! Verdict sentences, figures, HTML, CSV, JSON.

pub mod verdict;
