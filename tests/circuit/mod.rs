//! Tests of this room, against published sources where there are any.

mod chains;
mod commands;
mod conductors;
mod delays;
mod export_folder;
mod exports;
mod exports_of_predict;
mod fitted;
mod fuzz;
mod hearing;
mod layouts;
mod loads;
mod ngspice;
mod properties;
mod published;
mod quantities;
mod reference;
mod sessions;
mod two_ports;
mod uncertainty;
mod wide;

use earwitness::circuit::network::{Branch, Joined};
use num_complex::Complex64;

/// Elements in series: ohm, henry, farad.
fn branch(resistance: Option<f64>, inductance: Option<f64>, capacitance: Option<f64>) -> Branch {
    Branch {
        resistance_ohm: resistance,
        inductance_h: inductance,
        capacitance_f: capacitance,
        driver: None,
        joined: Joined::Series,
    }
}

/// Insists on a value to a relative tolerance.
pub(crate) fn close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{what}: {found} is not {expected}");
}

/// Insists on a complex value to a relative tolerance.
pub(crate) fn near(found: Complex64, expected: Complex64, relative: f64, what: &str) {
    assert!((found - expected).norm() <= relative * expected.norm(), "{what}: {found} is not {expected}");
}
