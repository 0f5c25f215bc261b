//! Protocols, seal, journal, conductor, verifier.

mod blindness;
mod cut;
mod draws;
mod fixtures;
mod folder;
mod heard;
mod kill;
pub(crate) mod kit;
mod night;
pub(crate) mod python;
mod tampering;
