//! Plans of discrete transforms, made once for each length.
//!
//! A plan for a long filter takes milliseconds, which is much beside a short clip, and a session has many clips and sides of few
//! lengths. Transforms of whole clips are as long as clips are: their plans are not kept.

use std::sync::{Arc, LazyLock, Mutex, MutexGuard, PoisonError};

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// Longest transform whose plan is kept.
const LONGEST_KEPT: usize = 1 << 18;

static PLANS: LazyLock<Mutex<RealFftPlanner<f64>>> = LazyLock::new(|| Mutex::new(RealFftPlanner::new()));

fn plans() -> MutexGuard<'static, RealFftPlanner<f64>> {
    PLANS.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The transform of `length` real samples to bins 0 to `length / 2`.
pub fn forward(length: usize) -> Arc<dyn RealToComplex<f64>> {
    if length > LONGEST_KEPT {
        return RealFftPlanner::new().plan_fft_forward(length);
    }
    plans().plan_fft_forward(length)
}

/// The transform of bins 0 to `length / 2` to `length` real samples, times `length`.
pub fn inverse(length: usize) -> Arc<dyn ComplexToReal<f64>> {
    if length > LONGEST_KEPT {
        return RealFftPlanner::new().plan_fft_inverse(length);
    }
    plans().plan_fft_inverse(length)
}
