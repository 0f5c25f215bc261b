//! Plans of transforms, made once for every length.

use std::sync::{LazyLock, Mutex, MutexGuard, PoisonError};

use realfft::RealFftPlanner;

/// Plans that were made, by their lengths. A plan for a long filter takes milliseconds, which is much beside a short clip,
/// and a session has many clips and sides of few lengths.
static PLANS: LazyLock<Mutex<RealFftPlanner<f64>>> = LazyLock::new(|| Mutex::new(RealFftPlanner::new()));

/// Whoever transforms takes the plan from here.
pub(super) fn plans() -> MutexGuard<'static, RealFftPlanner<f64>> {
    PLANS.lock().unwrap_or_else(PoisonError::into_inner)
}
