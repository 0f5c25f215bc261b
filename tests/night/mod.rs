//! Tests of the club night.

mod alike;
mod blindness;
mod browser;
mod cables;
mod evening;
mod hostile;
mod links;
mod load;
mod machine;
mod restart;
mod security;
mod soak;
mod stage;
mod terminal;
mod web;
mod witness;
mod words;
