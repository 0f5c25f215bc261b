//! The report on invented sittings.

mod material;
mod look;
