//! Figures, HTML, CSV, JSON.
//!
//! Comes in: a [`Session`](crate::session::Session) and its folder of journals. Goes out: [`model::Report`], and from it
//! one HTML page, certificates, a table of trials and a JSON document. A report is a pure function of session, journals
//! and version: no clock, no paths, no host or user names. Must not: compute a statistic of its own, or judge.
//!
//! | file | what it does |
//! | --- | --- |
//! | [`build`] | session and findings to [`model::Report`]: what the session says, what was compared |
//! | [`page`] | the HTML page and the certificates |
//! | `front_figure` | the one figure of page one |
//! | [`drawn`] | every figure of a report, in the order of its page |
//! | [`threshold_figures`] | pictures of thresholds |
//! | [`figures`], [`power_figure`], [`response_figures`], [`length_figures`], [`distortion_figure`] | pictures of answers, designs and circuits |
//! | [`measured`] | the bench report: page and figures |
//! | [`svg`] | the kit that every figure is drawn with |
//! | [`export`], [`dictionary`] | CSV and JSON, and what their columns hold |
//! | [`methods`] | what was done, in words ready to paste |
//! | [`archive`] | everything that a report rests on in one file |
//! | [`summary()`] | ten lines for the terminal |

pub mod archive;
pub mod build;
pub mod dictionary;
pub mod distortion_figure;
pub mod drawn;
pub mod export;
pub mod figures;
mod front_figure;
pub mod length_figures;
pub mod measured;
pub mod methods;
pub mod model;
pub mod page;
pub mod power_figure;
pub mod response_figures;
mod summary;
pub mod svg;
pub mod threshold_figures;

pub use build::report;
pub use summary::summary;
