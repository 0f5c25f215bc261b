//! One integration binary, one folder per room.

#![allow(clippy::unwrap_used, reason = "a failed assumption of a test is its result")]

mod architecture;
mod circuit;
mod commands;
mod night;
mod report;
mod screen;
mod session;
mod sound;
mod stats;
mod trial;
