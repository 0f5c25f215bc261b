//! Tests of the club night.

mod alike;
mod blindness;
mod browser;
mod evening;
mod load;
mod machine;
mod restart;
mod security;
mod stage;
mod terminal;
mod web;
mod witness;
mod words;
