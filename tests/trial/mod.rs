//! Protocols, seal, journal, conductor, verifier.

mod blindness;
mod cut;
mod draws;
mod fixtures;
mod folder;
mod folders;
mod hands;
mod heard;
mod kill;
pub(crate) mod kit;
mod night;
mod outside;
mod protection;
pub(crate) mod python;
mod sizes;
mod tampering;
mod witness;
