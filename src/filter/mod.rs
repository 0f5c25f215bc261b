//! H(f) to an impulse response; offline convolution.

pub mod progress;

pub use progress::{NoProgress, Progress};
