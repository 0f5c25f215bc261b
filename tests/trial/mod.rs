//! Protocols, seal, journal, conductor, verifier.

mod balanced;
mod blindness;
pub(crate) mod cut;
mod draws;
mod fixtures;
mod folder;
mod folders;
mod foreign;
pub(crate) mod hands;
mod heard;
mod kill;
pub(crate) mod kit;
pub(crate) mod mutated;
mod night;
mod outside;
mod power;
mod protection;
pub(crate) mod python;
mod rounds;
pub(crate) mod sizes;
pub(crate) mod tampering;
mod witness;
