//! Protocols, seal, journal, conductor, verifier.

mod blindness;
mod cut;
mod draws;
mod fixtures;
mod folder;
mod kill;
mod kit;
mod night;
mod python;
mod tampering;
