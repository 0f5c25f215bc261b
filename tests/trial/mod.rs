//! Protocols, seal, journal, conductor, verifier.

mod blindness;
mod cut;
mod draws;

mod folder;
mod kit;
mod night;
mod python;
mod tampering;
