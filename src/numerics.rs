//! The rooms of Earwitness that know nothing of sessions, secrets and people: quantities, circuits, filters, clips, hearing and the
//! statistics of answers.
//!
//! They are a crate of their own because they are compiled for speed, everything else for size, and because a change of what
//! uses them does not compile them anew. The map of all rooms is in `src/lib.rs`, which hands these on under the same names.

#![cfg_attr(
    test,
    allow(clippy::disallowed_methods, reason = "tests wait in real time and write whatever files they need")
)]

pub mod circuit;
pub mod clip;
pub mod files;
pub mod filter;
pub mod hearing;
pub mod stats;
pub mod system;
pub mod units;
