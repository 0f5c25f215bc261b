//! How large a difference is to an ear, on a given clip.
//!
//! Comes in: transfer functions of two sides ([`crate::circuit`]) and sound ([`crate::clip`]). Goes out: decibels, with
//! the published thresholds they can be held against. Must not know: verdicts about people.

pub mod audible;
pub mod difference;
pub mod ear;
pub mod excitation;
pub mod reach;
pub mod uncertainty;
pub mod weighting;

pub use difference::{Difference, Summary};
pub use ear::{EarError, Ears, OnClip, STEPS_NOTE, Spectrum};
pub use excitation::{Excitation, Expected};
pub use uncertainty::Uncertainty;
