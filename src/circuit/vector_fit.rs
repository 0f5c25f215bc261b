//! A rational function through measured values: vector fitting.
//!
//! After Gustavsen & Semlyen 1999 (IEEE Trans. Power Delivery 14(3):1052), relaxed after Gustavsen 2006 (21(3):1587): the
//! poles move to the zeros of a scaling function until they stay. How many poles the values support is decided by the
//! Bayesian information criterion (Schwarz 1978, Ann. Statist. 6:461), so that noise is not made a circuit.
//!
//! Interpolating between the points instead leaves a kink at each of them, and a kink rings for ever.

use nalgebra::{DMatrix, Schur};
use num_complex::Complex64;

use super::least_squares;
use super::rational::{Rational, Term};

/// What the values are values of, which says what a function through them may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// An impedance: passive, and free to grow with frequency.
    Impedance,
    /// A transfer function: bounded everywhere.
    Transfer,
}

/// A function and how far the values are from it.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The function.
    pub function: Rational,
    /// Root mean square of what is left, relative to each value's magnitude.
    pub rms: f64,
    /// Largest of what is left, relative to the value's magnitude.
    pub largest: f64,
}

/// Numbers of poles that are tried.
const ORDERS: [usize; 14] = [2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 28, 32];
/// Fewest values that a function is sought for.
const FEWEST: usize = 12;
/// Times that the poles are moved.
const ROUNDS: usize = 8;
/// What is left may be so large and no better fit is sought: 0.0004 dB.
const GOOD: f64 = 5e-5;
/// So many numbers of poles without a better score end the search.
const PATIENCE: usize = 3;
/// Largest gain of a transfer function outside of the values' range, relative to the largest inside.
const LARGEST_OUTSIDE: f64 = 1.5;

/// The function through values at strictly increasing, positive frequencies in Hz, or `None` if none was found that is
/// of the right shape and does not do between the values what they do not say.
pub fn fit(frequencies_hz: &[f64], values: &[Complex64], shape: Shape) -> Option<Fit> {
    if values.len() < FEWEST {
        return None;
    }
    let (lowest, highest) = (frequencies_hz[0], frequencies_hz[frequencies_hz.len() - 1]);
    let scale = std::f64::consts::TAU * (lowest * highest).sqrt();
    let points: Vec<Complex64> = frequencies_hz
        .iter()
        .map(|frequency| Complex64::new(0.0, std::f64::consts::TAU * frequency / scale))
        .collect();
    let rows = 2.0 * values.len() as f64;
    let mut best: Option<(f64, Fit)> = None;
    let mut lowest_score = f64::INFINITY;
    let mut worse = 0;
    for order in ORDERS.into_iter().take_while(|order| 2 * order + 2 <= values.len()) {
        let Some(function) = of_order(order, &points, values, shape, scale) else { continue };
        let left: Vec<f64> = frequencies_hz
            .iter()
            .zip(values)
            .map(|(frequency, value)| (function.at(*frequency) - value).norm() / value.norm())
            .collect();
        let mean_square = left.iter().map(|left| left * left).sum::<f64>() / left.len() as f64;
        let largest = left.iter().copied().fold(0.0, f64::max);
        let score = rows * mean_square.max(1e-30).ln() + (2 * order + 2) as f64 * rows.ln();
        if score < lowest_score {
            (lowest_score, worse) = (score, 0);
        } else {
            worse += 1;
        }
        let better = best.as_ref().is_none_or(|(best, _)| score < *best);
        if better && is_allowed(&function, frequencies_hz, values, shape) {
            best = Some((score, Fit { function, rms: mean_square.sqrt(), largest }));
            if largest < GOOD {
                break;
            }
        }
        if worse >= PATIENCE {
            break;
        }
    }
    best.map(|(_, fit)| fit)
}

/// A function that keeps to its shape outside of the values, and between two neighbours to what they allow.
fn is_allowed(function: &Rational, frequencies_hz: &[f64], values: &[Complex64], shape: Shape) -> bool {
    let last = frequencies_hz.len() - 1;
    let (lowest, highest) = (frequencies_hz[0], frequencies_hz[last]);
    let kept = match shape {
        Shape::Impedance => function.is_passive(lowest, highest),
        Shape::Transfer => {
            let bound = LARGEST_OUTSIDE * values.iter().map(|value| value.norm()).fold(0.0, f64::max);
            (0..=480).all(|step| {
                let frequency = lowest / 1e3 * (highest / lowest * 1e6).powf(f64::from(step) / 480.0);
                function.at(frequency).norm() <= bound
            })
        }
    };
    let quiet = |frequency: f64| {
        let right = frequencies_hz.partition_point(|other| *other <= frequency).clamp(1, last);
        let (a, b) = (values[right - 1], values[right]);
        let step = |left: usize| (values[left + 1] - values[left]).norm();
        let steps = step(right - 1)
            .max(if right >= 2 { step(right - 2) } else { 0.0 })
            .max(if right < last { step(right) } else { 0.0 });
        let share = (frequency / frequencies_hz[right - 1]).ln()
            / (frequencies_hz[right] / frequencies_hz[right - 1]).ln();
        let between = a + (b - a) * share;
        (function.at(frequency) - between).norm() <= steps + 0.02 * between.norm()
    };
    kept && frequencies_hz
        .windows(2)
        .flat_map(|pair| [0.25, 0.5, 0.75].map(|share| pair[0] * (pair[1] / pair[0]).powf(share)))
        .chain(function.natural_frequencies_hz().filter(|natural| (lowest..=highest).contains(natural)))
        .all(quiet)
}

/// Poles as they are moved; of a pair the one above the real axis.
type Poles = Vec<Complex64>;

/// Pairs of poles spread evenly over the logarithm of frequency, damped by a quarter.
fn starting(order: usize, points: &[Complex64]) -> Poles {
    let (first, last) = (points[0].im, points[points.len() - 1].im);
    let pairs = order / 2;
    (0..pairs)
        .map(|index| {
            let share = if pairs == 1 { 0.5 } else { index as f64 / (pairs - 1) as f64 };
            let natural = first * (last / first).powf(share);
            Complex64::new(-natural / 4.0, natural)
        })
        .collect()
}

/// What each unknown of the poles contributes at `s`: one number for a real pole, two for a pair.
fn basis(poles: &Poles, s: Complex64) -> Vec<Complex64> {
    let i = Complex64::new(0.0, 1.0);
    let mut values = Vec::with_capacity(2 * poles.len());
    for pole in poles {
        if pole.im == 0.0 {
            values.push((s - pole).inv());
        } else {
            let (above, below) = ((s - pole).inv(), (s - pole.conj()).inv());
            values.push(above + below);
            values.push(i * (above - below));
        }
    }
    values
}

fn of_order(
    order: usize,
    points: &[Complex64],
    values: &[Complex64],
    shape: Shape,
    scale: f64,
) -> Option<Rational> {
    let mut poles = starting(order, points);
    for _ in 0..ROUNDS {
        poles = moved(&poles, points, values, shape)?;
    }
    let columns = columns(&poles, points, values, shape);
    let right = parts(values.iter().map(|value| value / value.norm()));
    let found = least_squares::solve(columns, right);
    let mut unknowns = found.iter().copied();
    let mut next = || unknowns.next().unwrap_or(0.0);
    let terms = poles
        .iter()
        .map(|pole| {
            if pole.im == 0.0 {
                Term::Real { pole: pole.re, residue: next() }
            } else {
                Term::Pair { pole: *pole, residue: Complex64::new(next(), next()) }
            }
        })
        .collect();
    let (constant, slope) = (next(), next());
    found.iter().all(|value| value.is_finite()).then_some(Rational { terms, constant, slope, scale })
}

/// Real and imaginary parts, one after the other.
fn parts(values: impl Iterator<Item = Complex64>) -> Vec<f64> {
    values.flat_map(|value| [value.re, value.im]).collect()
}

/// The unknowns' columns: poles, constant, slope; every row relative to its value.
fn columns(poles: &Poles, points: &[Complex64], values: &[Complex64], shape: Shape) -> Vec<Vec<f64>> {
    let rows: Vec<Vec<Complex64>> = points
        .iter()
        .map(|&s| {
            let mut row = basis(poles, s);
            row.push(Complex64::new(1.0, 0.0));
            if shape == Shape::Impedance {
                row.push(s);
            }
            row
        })
        .collect();
    (0..rows[0].len())
        .map(|column| parts(rows.iter().zip(values).map(|(row, value)| row[column] / value.norm())))
        .collect()
}

/// The poles moved to the zeros of the scaling function.
fn moved(poles: &Poles, points: &[Complex64], values: &[Complex64], shape: Shape) -> Option<Poles> {
    let mut system = columns(poles, points, values, shape);
    let own = system.len();
    let direction: Vec<Complex64> = values.iter().map(|value| value / value.norm()).collect();
    let scaling: Vec<Vec<Complex64>> = points.iter().map(|&s| basis(poles, s)).collect();
    let count = scaling[0].len();
    for column in 0..count {
        system.push(parts(scaling.iter().zip(&direction).map(|(row, unit)| -row[column] * unit)));
    }
    system.push(parts(direction.iter().map(|unit| -unit)));
    // One more row keeps the scaling function from being 0: its real part is 1 on average.
    let size = points.len() as f64;
    for (index, column) in system.iter_mut().enumerate() {
        column.push(match index.checked_sub(own) {
            None => 0.0,
            Some(index) if index < count => {
                scaling.iter().map(|row| row[index].re).sum::<f64>() / size.sqrt()
            }
            Some(_) => size.sqrt(),
        });
    }
    let mut right = vec![0.0; 2 * points.len()];
    right.push(size.sqrt());
    let found = least_squares::solve(system, right);
    let (weights, constant) = (&found[own..own + count], found[own + count]);
    let constant = if constant.abs() < 1e-8 { 1e-8_f64.copysign(constant) } else { constant };

    let mut matrix = DMatrix::<f64>::zeros(count, count);
    let mut row = 0;
    for pole in poles {
        if pole.im == 0.0 {
            matrix[(row, row)] = pole.re;
            for column in 0..count {
                matrix[(row, column)] -= weights[column] / constant;
            }
            row += 1;
        } else {
            (matrix[(row, row)], matrix[(row, row + 1)]) = (pole.re, pole.im);
            (matrix[(row + 1, row)], matrix[(row + 1, row + 1)]) = (-pole.im, pole.re);
            for column in 0..count {
                matrix[(row, column)] -= 2.0 * weights[column] / constant;
            }
            row += 2;
        }
    }
    if matrix.iter().any(|value| !value.is_finite()) {
        return None;
    }
    let zeros = Schur::try_new(matrix, f64::EPSILON, 10_000)?.complex_eigenvalues();
    let mut next: Poles = zeros
        .iter()
        .filter(|zero| zero.im >= -1e-12 * zero.norm())
        .map(|zero| {
            // An unstable one is mirrored; one at rest or on the axis is moved off it.
            let damping = -zero.re.abs().max(1e-6 * zero.norm()).max(1e-12);
            let turning = if zero.im.abs() <= 1e-12 * zero.norm() { 0.0 } else { zero.im };
            Complex64::new(damping, turning)
        })
        .collect();
    next.sort_by(|a, b| a.norm().total_cmp(&b.norm()));
    Some(next)
}
