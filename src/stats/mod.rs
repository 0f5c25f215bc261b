//! Everything numeric about answers: pure functions of counts and draws.
//!
//! Comes in: counts, proportions, draws. Goes out: probabilities, intervals, plans. Must not know: files, screens.
//!
//! | file | question |
//! | --- | --- |
//! | [`protocol`] | what is presented, what may be answered, what is right, and what does a guesser achieve? |
//! | [`one`] | what do this many right of so many trials say? everything at once |
//! | [`binomial`] | how likely is such a score for a guesser? |
//! | [`interval`] | which proportions right agree with the score? |
//! | [`psychometric`] | which d-prime is that, in this protocol? |
//! | [`power`], [`panel_power`] | how many trials are needed; what can so many trials show? |
//! | [`similarity`] | is "no difference" supported, and up to which size? |
//! | [`sequential`] | may we stop now? |
//! | [`looks`] | may a panel be looked at before it is complete? |
//! | [`many`] | several p-values: Holm, Fisher, Stouffer, best of m, luck |
//! | [`panel`], [`beta_binomial`] | many listeners: pooled, different from each other? |
//! | [`threshold`] | how much of a difference is needed until it is heard? |
//! | [`population`] | what holds for listeners like these? |
//! | [`mixture`] | which share of them hears it at all? |
//! | [`crossed`] | how much do listeners and clips matter? |
//! | [`williams`] | in which order does each listener hear several comparisons? |
//! | [`room`] | many listeners who share one draw of X |
//! | [`pattern`] | do answers follow a pattern, and not the sound? |
//! | [`description`] | response bias, learning, fatigue, confidence: descriptions only |
//! | [`simulate`] | seeded simulation |
//! | [`tally`] | right answers out of answers |
//! | [`special`] | the functions behind: normal, beta, root finding |
//!
//! ```
//! use earwitness_numerics::stats::{Protocol, one};
//! let analysis = one::analyse(Protocol::Abx, 12, 16, 0.05)?;
//! assert!((analysis.p_value - 0.0384063720703125).abs() < 1e-15);
//! assert_eq!(analysis.critical, Some(12));
//! # Ok::<(), earwitness_numerics::stats::StatsError>(())
//! ```

pub mod beta_binomial;
pub mod binomial;
pub mod crossed;
pub mod description;
mod error;
pub mod interval;
pub mod looks;
pub mod many;
pub mod mixture;
mod model;
pub mod one;
pub mod panel;
pub mod panel_power;
pub mod pattern;
pub mod population;
pub mod power;
pub mod protocol;
pub mod psychometric;
pub mod room;
pub mod sequential;
pub mod similarity;
pub mod simulate;
pub mod special;
pub mod tally;
pub mod threshold;
pub mod williams;

pub use error::StatsError;
pub use protocol::Protocol;

/// Most trials that any function here takes: above it, answers would keep the user waiting.
pub const MOST_TRIALS: u64 = 10_000_000;
