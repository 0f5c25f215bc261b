//! Verdict sentences, figures, HTML, CSV, JSON.
//!
//! Figures of every kind are drawn with [`svg::Chart`], so that they share one look and always carry words for whoever
//! does not see them.

pub mod caveat;
pub mod power_figure;
pub mod svg;
pub mod verdict;
