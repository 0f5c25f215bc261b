//! The report on invented sittings.

pub mod material;
mod look;
