//! Insulation by material and thickness: the effective permittivity of a pair of coated wires in air.
//!
//! Outside the coatings the potential is that of two line charges and their multipoles; a coated wire answers the n-th
//! multipole with `-(k - 1)/(k + 1) b^2n`, `k = e (1 + s)/(1 - s)`, `s = (a/b)^2n`, for a conductor of radius a in a coating
//! of radius b and permittivity e (separation of variables; checked against boundary elements).

use num_complex::Complex64;

use super::pair::{ParallelPair, mean_potential};
use super::{CircuitError, check_at_least};

/// More multipoles than this are not tried.
const MOST_MULTIPOLES: usize = 400;

/// What a wire is coated with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Insulation {
    /// Relative permittivity.
    pub permittivity: f64,
    /// Loss tangent.
    pub loss_tangent: f64,
}

impl Insulation {
    /// Soft polyvinyl chloride. Handbooks, from memory: 3 to 8, typically 4 to 6, falling with frequency; loss 0.05 to 0.15.
    pub const PVC: Self = Self { permittivity: 5.0, loss_tangent: 0.08 };
    /// Polyethylene. Handbooks, from memory: 2.25 to 2.3.
    pub const POLYETHYLENE: Self = Self { permittivity: 2.28, loss_tangent: 0.0003 };
    /// Foamed polyethylene. Handbooks, from memory: 1.4 to 1.6.
    pub const FOAM_POLYETHYLENE: Self = Self { permittivity: 1.5, loss_tangent: 0.0003 };
    /// Polypropylene. Handbooks, from memory: 2.2.
    pub const POLYPROPYLENE: Self = Self { permittivity: 2.2, loss_tangent: 0.0003 };
    /// Polytetrafluoroethylene. Handbooks, from memory: 2.0 to 2.1.
    pub const PTFE: Self = Self { permittivity: 2.05, loss_tangent: 0.0002 };
    /// Rubber. Handbooks, from memory: 2.5 to 5.
    pub const RUBBER: Self = Self { permittivity: 3.5, loss_tangent: 0.03 };
}

/// Effective permittivity and loss tangent of two wires that are each coated `thickness_m` thick, in air.
///
/// # Errors
/// The coatings overlap, or lie so close that the multipoles do not settle.
pub fn of_pair(
    pair: &ParallelPair,
    thickness_m: f64,
    insulation: Insulation,
) -> Result<Insulation, CircuitError> {
    check_at_least("the insulation's thickness", thickness_m, 0.0, "m", "0 m or more is needed")?;
    check_at_least(
        "the insulation's permittivity",
        insulation.permittivity,
        1.0,
        "(relative)",
        "at least 1 is needed",
    )?;
    let outer = pair.wire.radius_m + thickness_m;
    if pair.spacing_m < 2.0 * outer * 0.999_999 {
        return Err(CircuitError::Geometry(format!(
            "insulations of {:.4} mm around conductors of {:.4} mm overlap at {:.4} mm from centre to centre; at least \
             {:.4} mm is needed",
            thickness_m * 1e3,
            2e3 * pair.wire.radius_m,
            pair.spacing_m * 1e3,
            2e3 * outer
        )));
    }
    let air = ParallelPair { permittivity: 1.0, ..pair.clone() }.capacitance();
    let effective = |permittivity: f64| Ok::<_, CircuitError>(capacitance(pair, outer, permittivity)? / air);
    let found = effective(insulation.permittivity)?;
    // The loss counts as far as the coating decides the capacitance.
    let step = 1e-4;
    let more = effective(insulation.permittivity * (1.0 + step))?;
    let share = (more / found - 1.0) / step;
    Ok(Insulation { permittivity: found, loss_tangent: insulation.loss_tangent * share })
}

fn capacitance(pair: &ParallelPair, outer_m: f64, permittivity: f64) -> Result<f64, CircuitError> {
    let radius = pair.wire.radius_m;
    let ratio = outer_m / pair.spacing_m;
    let mut count = 12;
    let mut last = f64::NAN;
    loop {
        let answers: Vec<Complex64> = (1..=count)
            .map(|n| {
                let inside = (radius / outer_m).powi(2 * n);
                let k = permittivity * (1.0 + inside) / (1.0 - inside);
                // Without a coating the wire itself answers.
                Complex64::new(if k.is_finite() { (k - 1.0) / (k + 1.0) } else { 1.0 }, 0.0)
            })
            .collect();
        let coating = (outer_m / radius).ln() / permittivity;
        let potential = mean_potential(ratio, &answers).re + coating;
        let found = super::EPSILON0 * std::f64::consts::PI / potential;
        if (found - last).abs() <= 1e-9 * found {
            return Ok(found);
        }
        if count as usize >= MOST_MULTIPOLES {
            return Err(CircuitError::Geometry(
                "the conductors are too close to each other for the thickness of their insulation to be solved; increase the \
                 spacing"
                    .to_owned(),
            ));
        }
        last = found;
        count = count * 5 / 4 + 1;
    }
}
