//! The widest registers that this processor has, for loops over sound.
//!
//! The program is compiled for every processor of its kind: on x86-64, for registers of two double-precision numbers. Work that is
//! inlined here exists a second time, for the registers of four that most such processors have (AVX2), and which there are is
//! asked when it runs. Multiplications and additions are the same in both, in the same order, and none are fused: so all
//! results are the same, bit for bit.

use multiversion::multiversion;

/// Does a piece of work with the widest registers of this processor. Only what is inlined into `work` profits: the functions
/// that it calls are `#[inline(always)]`, and so is the closure.
#[multiversion(targets("x86_64+avx2"))]
pub fn wide<R, F: FnOnce() -> R>(work: F) -> R {
    work()
}
