//! Cables of many conductors from a few numbers: rings and twisted pairs (a braid has a file of its own).
//!
//! Comes in: a wire, how many, and how they lie. Goes out: [`LineParameters`]. Each layout is an approximation, and says
//! which.

use super::conductor::Wire;
use super::crosssection::{CrossSection, RoundConductor};
use super::line::{LineParameters, take_up};
use super::pair::ParallelPair;

impl CrossSection {
    /// Conductors of alternating polarity evenly around a circle, each one's place taken by all others in turn: a star
    /// quad (four of them).
    pub fn ring(wire: Wire, count: usize, circle_diameter_m: f64, permittivity: f64) -> Self {
        let conductors = (0..count)
            .map(|index| {
                let angle = std::f64::consts::TAU * index as f64 / count as f64;
                RoundConductor {
                    wire,
                    x_m: 0.5 * circle_diameter_m * angle.cos(),
                    y_m: 0.5 * circle_diameter_m * angle.sin(),
                    positive: index % 2 == 0,
                }
            })
            .collect();
        Self { conductors, permittivity, transposed: true }
    }
}

/// So many equal pairs, each twisted around itself once in `lay_length_m` (`None`: not at all), all of them in parallel.
///
/// Approximation: the pairs do not see each other. A pair's field falls off with the square of the distance, and its
/// direction turns with the twist, so that over a lay the coupling of neighbours with different lays averages out; and the
/// wires of a pair go around its axis and are longer than the cable by the helix's [`take_up`]. Left out are the eddy
/// currents that a pair's field makes in its neighbours (the loss at high frequencies is a little too small) and the
/// capacitance between wires of different pairs (the capacitance is a little too small).
pub fn twisted_pairs(
    pair: ParallelPair,
    pairs: usize,
    lay_length_m: Option<f64>,
    loss_tangent: f64,
) -> LineParameters {
    let take_up = lay_length_m.map_or(1.0, |lay| take_up(pair.spacing_m, lay));
    LineParameters::LaidUp {
        of: Box::new(LineParameters::Pair { pair, loss_tangent }),
        count: pairs,
        take_up,
    }
}
