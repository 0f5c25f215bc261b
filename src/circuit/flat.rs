//! Two equal flat conductors (strips), one above the other or side by side, with skin and proximity effect.
//!
//! Each strip is cut into rectangular filaments that carry even currents; the mean logarithm of the distance of two
//! rectangles is exact. With `R + j w P` for the filaments' resistances and mutual inductances, one symmetric eigenvalue
//! problem gives the impedance at every frequency: `1/Z = sum u_k^2/(1 + j w l_k)` (method of filaments after Weeks et al.
//! 1979, IBM J. Res. Dev. 23:652, from memory). Both planes of symmetry are used, so only half of one strip is solved.

use nalgebra::{DMatrix, DVector, SymmetricEigen};
use num_complex::Complex64;

use super::smooth::Pair;
use super::{CircuitError, EPSILON0, MU0, check_at_least};

/// Filaments across the half of a strip along the plane that the strips mirror each other in, and across the other way.
const ALONG: usize = 22;
const ACROSS: usize = 8;
/// Elements over each part of the surface, for capacitance.
const SURFACE: usize = 56;

/// How the strips lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrangement {
    /// One above the other, wide sides facing.
    Stacked,
    /// Next to each other in one plane.
    SideBySide,
}

/// Two equal strips in a homogeneous dielectric.
#[derive(Debug, Clone, PartialEq)]
pub struct FlatPair {
    /// Width of a strip in metres.
    pub width_m: f64,
    /// Thickness of a strip in metres.
    pub thickness_m: f64,
    /// Distance of their centres in metres.
    pub spacing_m: f64,
    /// How they lie.
    pub arrangement: Arrangement,
    /// Resistivity in ohm metre at its temperature.
    pub resistivity_ohm_m: f64,
    /// Effective relative permittivity.
    pub permittivity: f64,
}

/// A filament: centre and half sizes, x along the line that joins the strips' centres.
#[derive(Clone, Copy)]
struct Filament {
    x: f64,
    y: f64,
    half_x: f64,
    half_y: f64,
}

impl Filament {
    fn area(&self) -> f64 {
        4.0 * self.half_x * self.half_y
    }
}

/// A straight piece of a conductor's surface: middle and half length.
#[derive(Clone, Copy)]
struct Element {
    x: f64,
    y: f64,
    half: f64,
    upright: bool,
}

impl Element {
    /// Integral of the logarithm of the distance in metres from a point to the element's points.
    fn log_integral(&self, (x, y): (f64, f64)) -> f64 {
        let (along, beside) =
            if self.upright { (y - self.y, (x - self.x).abs()) } else { (x - self.x, (y - self.y).abs()) };
        let whole = |s: f64| {
            let squared = s * s + beside * beside;
            let angle = if beside == 0.0 { 0.0 } else { beside * (s / beside).atan() };
            if squared == 0.0 { 0.0 } else { s * (0.5 * squared.ln() - 1.0) + angle }
        };
        whole(along + self.half) - whole(along - self.half)
    }
}

impl FlatPair {
    /// Whether the shape exists.
    pub fn check(&self) -> Result<(), CircuitError> {
        check_at_least(
            "the width of a flat conductor",
            self.width_m,
            1e-6,
            "m",
            "at least 1e-6 m is needed",
        )?;
        check_at_least(
            "the thickness of a flat conductor",
            self.thickness_m,
            1e-6,
            "m",
            "at least 1e-6 m is needed",
        )?;
        check_at_least("the permittivity", self.permittivity, 1.0, "(relative)", "at least 1 is needed")?;
        check_at_least(
            "the resistivity",
            self.resistivity_ohm_m,
            1e-10,
            "ohm m",
            "at least 1e-10 ohm m is needed",
        )?;
        let (deep, _) = self.sizes();
        if !self.spacing_m.is_finite() || self.spacing_m <= deep * 1.001 {
            return Err(CircuitError::Geometry(format!(
                "two flat conductors of {:.4} mm touch or overlap at {:.4} mm from centre to centre; the spacing must be \
                 larger by at least 0.1 %",
                deep * 1e3,
                self.spacing_m * 1e3
            )));
        }
        Ok(())
    }

    /// Size of a strip towards the other one, and across.
    fn sizes(&self) -> (f64, f64) {
        match self.arrangement {
            Arrangement::Stacked => (self.thickness_m, self.width_m),
            Arrangement::SideBySide => (self.width_m, self.thickness_m),
        }
    }

    /// The upper half of the strip at positive x.
    fn filaments(&self) -> Vec<Filament> {
        let (deep, wide) = self.sizes();
        // Current crowds at edges: cells shrink towards both ends of a side; half a side shrinks towards its outer end.
        let ends = |cells: usize, half_only: bool| -> Vec<(f64, f64)> {
            let place = |index: usize| {
                let share = index as f64 / cells as f64;
                if half_only {
                    (share * std::f64::consts::FRAC_PI_2).sin()
                } else {
                    -(share * std::f64::consts::PI).cos()
                }
            };
            (0..cells).map(|index| (place(index), place(index + 1))).collect()
        };
        let (x_cells, y_cells) = if deep > wide { (2 * ALONG, ACROSS / 2) } else { (ACROSS, ALONG) };
        let mut all = Vec::with_capacity(x_cells * y_cells);
        for (left, right) in ends(x_cells, false) {
            for (low, high) in ends(y_cells, true) {
                all.push(Filament {
                    x: 0.5 * self.spacing_m + 0.25 * deep * (left + right),
                    y: 0.25 * wide * (low + high),
                    half_x: 0.25 * deep * (right - left),
                    half_y: 0.25 * wide * (high - low),
                });
            }
        }
        all
    }

    /// Vector potential on one filament, in henry per metre, of one ampere in another and its three mirror images.
    fn mutual(one: Filament, other: Filament) -> f64 {
        let log = |x: f64, y: f64| mean_log(one, Filament { x, y, ..other });
        // The other half of the strip carries the same current, the other strip the opposite one.
        let same = log(other.x, other.y) + log(other.x, -other.y);
        let opposite = log(-other.x, other.y) + log(-other.x, -other.y);
        MU0 / std::f64::consts::TAU * (opposite - same)
    }

    fn potentials(filaments: &[Filament]) -> DMatrix<f64> {
        let count = filaments.len();
        let mut matrix = DMatrix::zeros(count, count);
        for i in 0..count {
            for j in 0..=i {
                let value = Self::mutual(filaments[i], filaments[j]);
                matrix[(i, j)] = value;
                matrix[(j, i)] = value;
            }
        }
        matrix
    }

    /// Capacitance in farad per metre: charge on elements of the surface, even on each, potential met at their middles.
    pub fn capacitance(&self) -> Result<f64, CircuitError> {
        self.check()?;
        let elements = self.surface();
        let count = elements.len();
        let potential = DMatrix::from_fn(count, count, |i, j| {
            let at = (elements[i].x, elements[i].y);
            let other = elements[j];
            // The other half of the strip carries the same charge, the other strip the opposite one.
            let of = |x: f64, y: f64| Element { x, y, ..other }.log_integral(at);
            of(-other.x, other.y) + of(-other.x, -other.y) - of(other.x, other.y) - of(other.x, -other.y)
        });
        let charges = potential
            .lu()
            .solve(&DVector::from_element(count, std::f64::consts::TAU * EPSILON0 * self.permittivity))
            .ok_or_else(|| {
                CircuitError::Geometry("the flat conductors' charges cannot be solved for".to_owned())
            })?;
        // One volt on either side: twice the charge of half a strip, over two volts.
        Ok(charges.iter().zip(&elements).map(|(charge, element)| charge * 2.0 * element.half).sum())
    }

    /// The surface of the upper half of the strip at positive x.
    fn surface(&self) -> Vec<Element> {
        let (deep, wide) = self.sizes();
        let middle = 0.5 * self.spacing_m;
        let cosine = |share: f64| -(share * std::f64::consts::PI).cos();
        let mut all = Vec::with_capacity(3 * SURFACE);
        for index in 0..SURFACE {
            let share = |index: usize| index as f64 / SURFACE as f64;
            // Over the top from edge to edge, and up both sides from the plane of symmetry to the edge.
            let (left, right) = (cosine(share(index)), cosine(share(index + 1)));
            all.push(Element {
                x: middle + 0.25 * deep * (left + right),
                y: 0.5 * wide,
                half: 0.25 * deep * (right - left),
                upright: false,
            });
            let (low, high) = (cosine(0.5 + 0.5 * share(index)), cosine(0.5 + 0.5 * share(index + 1)));
            for side in [-0.5, 0.5] {
                all.push(Element {
                    x: middle + side * deep,
                    y: 0.25 * wide * (low + high),
                    half: 0.25 * wide * (high - low),
                    upright: true,
                });
            }
        }
        all
    }

    /// Loop resistance in ohm per metre and loop inductance in henry per metre at each frequency in Hz.
    pub fn series(&self, frequencies_hz: &[f64]) -> Result<Vec<Pair>, CircuitError> {
        self.check()?;
        let filaments = self.filaments();
        let root: Vec<f64> = filaments.iter().map(|f| (f.area() / self.resistivity_ohm_m).sqrt()).collect();
        let mut scaled = Self::potentials(&filaments);
        for i in 0..root.len() {
            for j in 0..root.len() {
                scaled[(i, j)] *= root[i] * root[j];
            }
        }
        let eigen = SymmetricEigen::new(scaled);
        let weights = eigen.eigenvectors.transpose() * DVector::from_column_slice(&root);
        Ok(frequencies_hz
            .iter()
            .map(|frequency| {
                // At 0 Hz the limit of the inductance is taken far below anything that changes.
                let omega = std::f64::consts::TAU * frequency.max(1e-4);
                let half: Complex64 = weights
                    .iter()
                    .zip(&eigen.eigenvalues)
                    .map(|(weight, time)| weight * weight / Complex64::new(1.0, omega * time))
                    .sum();
                let impedance = 2.0 / (2.0 * half);
                [impedance.re, impedance.im / omega]
            })
            .collect())
    }

    /// Area of metal in square metres of one strip.
    pub fn metal_area_m2(&self) -> f64 {
        self.width_m * self.thickness_m
    }
}

/// Mean of the logarithm of the distance in metres between the points of two rectangles.
fn mean_log(one: Filament, other: Filament) -> f64 {
    let (dx, dy) = (one.x - other.x, one.y - other.y);
    let distance = dx.hypot(dy);
    let largest = [one.half_x, one.half_y, other.half_x, other.half_y].into_iter().fold(0.0, f64::max);
    if distance > 16.0 * largest {
        // Two terms of the expansion in size over distance: the next is below 1e-5 of the second.
        let squares = |half_one: f64, half_other: f64| half_one.powi(2) + half_other.powi(2);
        let spread = squares(one.half_x, other.half_x) - squares(one.half_y, other.half_y);
        return distance.ln() + spread * (dy * dy - dx * dx) / (6.0 * distance.powi(4));
    }
    let corners = |difference: f64, half_one: f64, half_other: f64| {
        [
            (difference + half_one + half_other, 1.0),
            (difference - half_one - half_other, 1.0),
            (difference + half_one - half_other, -1.0),
            (difference - half_one + half_other, -1.0),
        ]
    };
    let scale = largest;
    let mut sum = 0.0;
    for (x, sign_x) in corners(dx / scale, one.half_x / scale, other.half_x / scale) {
        for (y, sign_y) in corners(dy / scale, one.half_y / scale, other.half_y / scale) {
            sum += sign_x * sign_y * fourfold_log(x, y);
        }
    }
    scale.ln() + sum * scale.powi(4) / (one.area() * other.area())
}

/// A function whose fourth derivative, twice to x and twice to y, is `ln sqrt(x^2 + y^2)`.
fn fourfold_log(x: f64, y: f64) -> f64 {
    let (xx, yy) = (x * x, y * y);
    let squared = xx + yy;
    if squared == 0.0 {
        return 0.0;
    }
    let angle = |above: f64, below: f64| if below == 0.0 { 0.0 } else { (above / below).atan() };
    (6.0 * xx * yy - xx * xx - yy * yy) * squared.ln() / 48.0
        + (xx * x * y * angle(y, x) + x * yy * y * angle(x, y)) / 6.0
        - 25.0 / 48.0 * xx * yy
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By adding up the logarithm over many points.
    #[test]
    fn the_mean_logarithm_of_two_rectangles_is_as_added_up() {
        let one = Filament { x: 0.3, y: -0.2, half_x: 0.5, half_y: 0.1 };
        for other in [
            Filament { x: 1.5, y: 0.4, half_x: 0.2, half_y: 0.6 },
            Filament { x: 1.1, y: -0.2, half_x: 0.1, half_y: 0.1 },
            Filament { x: 9.0, y: 3.0, half_x: 0.2, half_y: 0.5 },
        ] {
            let count = 24_usize;
            let place = |index: usize| (2.0 * index as f64 + 1.0) / count as f64 - 1.0;
            let mut sum = 0.0;
            for i in 0..count.pow(4) {
                let [a, b, c, d] = [0, 1, 2, 3].map(|k| place(i / count.pow(k) % count));
                let dx = one.x + a * one.half_x - other.x - c * other.half_x;
                let dy = one.y + b * one.half_y - other.y - d * other.half_y;
                sum += dx.hypot(dy).ln();
            }
            let expected = sum / count.pow(4) as f64;
            assert!((mean_log(one, other) - expected).abs() < 3e-4, "{} {expected}", mean_log(one, other));
        }
        // A square's geometric mean distance from itself is 0.44705 of its side (Rosa & Grover 1912, Bull. NBS 8:1, from
        // memory; it is also what the integral gives).
        let square = Filament { x: 0.0, y: 0.0, half_x: 0.5, half_y: 0.5 };
        assert!((mean_log(square, square).exp() - 0.447_05).abs() < 1e-5);
    }
}
