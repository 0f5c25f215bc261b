//! Expensive smooth functions of frequency on dense grids.
//!
//! Resistance and inductance of conductors are analytic in the logarithm of frequency: their nearest singularity is a
//! quarter turn away from the real axis. A Chebyshev interpolant over a decade therefore gains a factor of about three
//! in accuracy with each node; its error is checked between the nodes and the decade is halved until it is met.

use super::CircuitError;

/// Resistance in ohm per metre and inductance in henry per metre.
pub(super) type Pair = [f64; 2];

/// Nodes of one panel.
const NODES: usize = 22;
/// Relative error between nodes at which a panel is good enough.
const TOLERANCE: f64 = 1e-8;

/// Values of `solve` at each frequency in Hz, solved there or interpolated, whichever is less work.
///
/// Below `floor_hz` the value at `floor_hz` is used: choose it so low that nothing changes any more. `solve` gets
/// positive frequencies.
pub(super) fn over_frequency(
    frequencies_hz: &[f64],
    floor_hz: f64,
    mut solve: impl FnMut(&[f64]) -> Result<Vec<Pair>, CircuitError>,
) -> Result<Vec<Pair>, CircuitError> {
    if frequencies_hz.is_empty() {
        return Ok(Vec::new());
    }
    let wanted: Vec<f64> = frequencies_hz.iter().map(|frequency| frequency.max(floor_hz)).collect();
    let lowest = wanted.iter().copied().fold(f64::INFINITY, f64::min);
    let highest = wanted.iter().copied().fold(0.0, f64::max);
    let decades = (highest / lowest).log10();
    let panels = decades.ceil().max(1.0);
    if (wanted.len() as f64) <= panels * (NODES + 3) as f64 || decades < 1e-3 {
        return solve(&wanted);
    }
    let (start, width) = (lowest.ln(), (highest / lowest).ln() / panels);
    let mut built = Vec::new();
    for index in 0..panels as usize {
        let left = start + width * index as f64;
        build(left, left + width, 0, &mut solve, &mut built)?;
    }
    Ok(wanted
        .iter()
        .map(|frequency| {
            let x = frequency.ln();
            let index = built.partition_point(|panel: &Panel| panel.right < x).min(built.len() - 1);
            built[index].at(x)
        })
        .collect())
}

struct Panel {
    left: f64,
    right: f64,
    values: Vec<Pair>,
}

impl Panel {
    fn node(left: f64, right: f64, index: usize) -> f64 {
        let angle = std::f64::consts::PI * index as f64 / (NODES - 1) as f64;
        0.5 * (left + right) - 0.5 * (right - left) * angle.cos()
    }

    /// Barycentric interpolation at Chebyshev points of the second kind (Berrut & Trefethen 2004, SIAM Review 46:501).
    fn at(&self, x: f64) -> Pair {
        let (mut below, mut above) = (0.0, [0.0; 2]);
        for (index, value) in self.values.iter().enumerate() {
            let distance = x - Self::node(self.left, self.right, index);
            if distance == 0.0 {
                return *value;
            }
            let half = if index == 0 || index == NODES - 1 { 0.5 } else { 1.0 };
            let weight = if index % 2 == 0 { half } else { -half } / distance;
            below += weight;
            above[0] += weight * value[0];
            above[1] += weight * value[1];
        }
        [above[0] / below, above[1] / below]
    }
}

fn build(
    left: f64,
    right: f64,
    depth: usize,
    solve: &mut impl FnMut(&[f64]) -> Result<Vec<Pair>, CircuitError>,
    built: &mut Vec<Panel>,
) -> Result<(), CircuitError> {
    let nodes: Vec<f64> = (0..NODES).map(|index| Panel::node(left, right, index)).collect();
    // Halfway between nodes at the middle and near both ends.
    let checks: Vec<f64> =
        [1, NODES / 2, NODES - 2].iter().map(|&index| 0.5 * (nodes[index] + nodes[index + 1])).collect();
    let all: Vec<f64> = nodes.iter().chain(&checks).map(|x| x.exp()).collect();
    let mut values = solve(&all)?;
    let checked = values.split_off(NODES);
    let panel = Panel { left, right, values };
    let good = checks.iter().zip(&checked).all(|(x, exact)| {
        let found = panel.at(*x);
        found.iter().zip(exact).all(|(found, exact)| (found - exact).abs() <= TOLERANCE * exact.abs())
    });
    if good || depth >= 6 {
        built.push(panel);
        return Ok(());
    }
    let middle = 0.5 * (left + right);
    build(left, middle, depth + 1, solve, built)?;
    build(middle, right, depth + 1, solve, built)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dense_grid_costs_few_solves_and_loses_nothing() {
        // A first-order transition has the singularity of a conductor's.
        let exact = |frequency: f64| {
            let s = num_complex::Complex64::new(0.0, frequency / 700.0);
            let value = 1.0 + s.sqrt() * s.sqrt().tanh();
            [value.re, value.im / frequency]
        };
        let grid: Vec<f64> = (0..20_000).map(|i| f64::from(i) * 4.8).collect();
        let mut solves = 0;
        let found = over_frequency(&grid, 0.01, |frequencies| {
            solves += frequencies.len();
            Ok(frequencies.iter().map(|&frequency| exact(frequency)).collect())
        })
        .expect("solvable");
        assert!(solves < 400, "{solves}");
        for (frequency, value) in grid.iter().zip(&found).skip(1) {
            for (found, right) in value.iter().zip(exact(*frequency)) {
                assert!((found - right).abs() < 1e-8 * right, "{frequency} Hz");
            }
        }
    }
}
