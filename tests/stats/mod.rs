//! Tests of this room, against published sources where there are any.

mod bad_input;
mod brute_force;
mod commands;
mod coverage;
mod decisions;
mod describing;
mod discrimination;
mod levels;
mod many;
mod panel_reference;
mod panels;
mod planning;
mod population;
mod reference;
mod room;
mod sequential;
mod similarity;
mod threshold;
mod verdict;

/// Relative comparison; zero must be zero.
#[track_caller]
pub(crate) fn close(value: f64, expected: f64, tolerance: f64) {
    let scale = expected.abs();
    assert!(
        (value - expected).abs() <= tolerance * scale,
        "{value:e} is not {expected:e} within a relative {tolerance:e} (off by {:e})",
        (value - expected).abs() / scale
    );
}
