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

use earwitness::circuit::line::PerMetre;
use earwitness::circuit::network::{Branch, Joined};
use earwitness::circuit::pair::ParallelPair;
use earwitness::circuit::{Cable, MU0};
use num_complex::Complex64;

/// A cable of constant loop resistance in ohm, loop inductance in henry and capacitance in farad.
pub(crate) fn lumped(resistance: f64, inductance: f64, capacitance: f64) -> Cable {
    Cable::Lumped(PerMetre { resistance, inductance, capacitance, conductance: 0.0 })
}

/// Inductance in henry per metre that is left when no field enters the wires, `(mu0/pi) acosh(D/d)`.
fn external_inductance(pair: &ParallelPair) -> f64 {
    MU0 / std::f64::consts::PI * (pair.spacing_m / (2.0 * pair.wire.radius_m)).acosh()
}

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
