//! Reading session files: what is accepted, and that every complaint names file, line and key.

mod cables;
mod complaints;
mod reading;
