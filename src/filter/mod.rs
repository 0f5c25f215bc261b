//! H(f) to an impulse response; offline convolution.
