//! One integration binary, one folder per room.

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
