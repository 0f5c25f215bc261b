//! A cable measured as a two-port, down to where nobody measured it.
//!
//! Network analysers of the laboratory begin at 100 kHz. Held there, a cable's reactance would be wrong by decades at 20 Hz,
//! while its R, L, C and G go on by physics: the resistance and inner inductance of a round wire (skin effect), the outer
//! inductance as it is, and a capacitance of constant loss.

use num_complex::Complex64;

use super::MU0;
use super::conductor::Wire;
use super::interpolation::ComplexOverFrequency;
use super::least_squares;
use super::limit::{Limit, Quantity};
use super::line::PerMetre;
use super::measured::Measured;
use super::twoport::Abcd;
use super::vector_fit::Shape;

/// A file that begins above this, in Hz, is continued downwards if its values let it.
const CONTINUED_ABOVE_HZ: f64 = 200.0;
/// Values up to this many times the lowest frequency are fitted.
const FITTED_SPAN: f64 = 30.0;
/// A cable is electrically short below this product of its series impedance and shunt admittance.
const ELECTRICALLY_SHORT: f64 = 0.1;
/// Both ends of a cable are alike within this share.
const ALIKE: f64 = 0.02;
/// Fewest points in an octave, ten in a decade: fewer say nothing of what is between them.
const FEWEST_AN_OCTAVE: f64 = 3.0;
/// Fewest points that a smooth function is sought through.
const FEWEST_SHORT: usize = 4;
/// What the fit may leave of resistance or inductance, relative.
const GOOD: f64 = 0.05;
/// How far the resistance at rest may be unknown, relative.
const KNOWN: f64 = 0.1;

/// What a file of a cable says that no passive cable does, relative or as a share.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Findings {
    /// Largest `|S12 - S21|` over the larger of both: 0 for anything without magnets that know a direction.
    pub not_reciprocal: f64,
    /// Largest power that comes out of both ports over the power that goes in, less 1: 0 or below for a passive two-port.
    pub active: f64,
    /// The polarity is reversed at the lowest frequency.
    pub reversed: bool,
    /// The capacitance in farad at the lowest frequency if it is below 0: an error of calibration or fixture.
    pub negative_capacitance_f: Option<f64>,
}

/// How a two-port goes on below its lowest frequency.
#[derive(Debug, Clone, PartialEq)]
struct Continuation {
    /// A wire of the same skin effect; only the ratio to its own resistance at rest is used.
    wire: Wire,
    resistance_ohm: f64,
    outer_inductance_h: f64,
    proximity_h: f64,
    capacitance_f: f64,
    loss_tangent: f64,
    left: f64,
}

impl Continuation {
    fn per_metre(&self, frequency_hz: f64) -> PerMetre {
        let omega = std::f64::consts::TAU * frequency_hz.max(1e-3);
        let ratio = self.wire.internal_impedance(frequency_hz.max(1e-3)) / self.wire.dc_resistance();
        let near = proximity(&self.wire, frequency_hz.max(1e-3)) * self.proximity_h;
        let inner = ratio * self.resistance_ohm + near;
        PerMetre {
            resistance: inner.re,
            inductance: inner.im / omega + self.outer_inductance_h,
            capacitance: self.capacitance_f,
            conductance: std::f64::consts::TAU * frequency_hz * self.capacitance_f * self.loss_tangent,
        }
    }
}

/// A two-port as long as it is electrically short: series impedance and shunt admittance of the whole as smooth functions,
/// which interpolated scattering parameters are not.
#[derive(Debug, Clone, PartialEq)]
struct Short {
    series: Measured,
    shunt: Measured,
    up_to_hz: f64,
}

impl Short {
    /// `None` if both ends differ, as no uniform cable's do, or too few points are short.
    fn of(all: &[(f64, Abcd)]) -> Option<Self> {
        let both = |(frequency, chain): &(f64, Abcd)| (*frequency, *chain, totals(*chain));
        let used: Vec<(f64, Abcd, [Complex64; 2])> = all
            .iter()
            .map(both)
            .take_while(|(_, _, [series, shunt])| (series * shunt).norm() < ELECTRICALLY_SHORT)
            .collect();
        let differs = |chain: &Abcd| (chain.a - chain.d).norm() / (chain.a + chain.d).norm() > ALIKE;
        let octaves = used.last().map_or(0.0, |last| (last.0 / used[0].0).log2());
        if (used.len() as f64) < FEWEST_AN_OCTAVE * octaves
            || used.len() < FEWEST_SHORT
            || used.iter().any(|(_, chain, _)| differs(chain))
        {
            return None;
        }
        let frequencies: Vec<f64> = used.iter().map(|(frequency, ..)| *frequency).collect();
        let of = |index: usize| {
            let values: Vec<Complex64> = used.iter().map(|(_, _, totals)| totals[index]).collect();
            (values.iter().all(|value| value.is_finite() && value.norm() > 0.0))
                .then(|| Measured::new(&frequencies, &values, Shape::Impedance))
        };
        Some(Self { series: of(0)?, shunt: of(1)?, up_to_hz: frequencies[frequencies.len() - 1] })
    }

    fn chain(&self, frequency_hz: f64) -> Abcd {
        let (series, shunt) = (self.series.at(frequency_hz), self.shunt.at(frequency_hz));
        let omega = std::f64::consts::TAU * frequency_hz.max(1e-9);
        PerMetre {
            resistance: series.re,
            inductance: series.im / omega,
            capacitance: shunt.im / omega,
            conductance: shunt.re,
        }
        .chain(1.0, frequency_hz)
    }
}

/// A measured two-port: scattering parameters over frequency at one reference resistance.
#[derive(Debug, Clone, PartialEq)]
pub struct TwoPortTable {
    scattering: [ComplexOverFrequency; 4],
    reference_ohm: f64,
    range_hz: (f64, f64),
    short: Option<Short>,
    below: Option<Continuation>,
    findings: Findings,
}

impl TwoPortTable {
    /// From scattering parameters (11, 12, 21, 22) at strictly increasing, positive frequencies in Hz.
    pub fn new(frequencies_hz: &[f64], scattering: &[[Complex64; 4]], reference_ohm: f64) -> Self {
        let of = |index: usize| {
            let values: Vec<Complex64> = scattering.iter().map(|values| values[index]).collect();
            ComplexOverFrequency::new(frequencies_hz, &values)
        };
        let chains: Vec<(f64, Abcd)> = frequencies_hz
            .iter()
            .zip(scattering)
            .map(|(frequency, values)| (*frequency, Abcd::from_scattering(*values, reference_ohm)))
            .collect();
        let totals: Vec<(f64, [Complex64; 2])> =
            chains.iter().map(|(frequency, chain)| (*frequency, totals(*chain))).collect();
        let below = if frequencies_hz[0] > CONTINUED_ABOVE_HZ { continued(&totals) } else { None };
        let capacitance = totals[0].1[1].im / (std::f64::consts::TAU * totals[0].0);
        Self {
            scattering: [of(0), of(1), of(2), of(3)],
            reference_ohm,
            range_hz: (frequencies_hz[0], frequencies_hz[frequencies_hz.len() - 1]),
            short: Short::of(&chains),
            below,
            findings: Findings {
                not_reciprocal: scattering
                    .iter()
                    .map(|[_, s12, s21, _]| (s12 - s21).norm() / s12.norm().max(s21.norm()))
                    .fold(0.0, f64::max),
                active: scattering.iter().map(|values| largest_gain(*values) - 1.0).fold(-1.0, f64::max),
                reversed: scattering[0][2].re < 0.0,
                negative_capacitance_f: Some(capacitance).filter(|farad| *farad < 0.0),
            },
        }
    }

    /// Chain matrix at a frequency in Hz.
    pub fn chain(&self, frequency_hz: f64) -> Abcd {
        match (&self.below, &self.short) {
            (Some(below), _) if frequency_hz < self.range_hz.0 => {
                below.per_metre(frequency_hz).chain(1.0, frequency_hz)
            }
            (_, Some(short)) if frequency_hz <= short.up_to_hz => short.chain(frequency_hz),
            _ => {
                let at = |index: usize| self.scattering[index].at(frequency_hz);
                Abcd::from_scattering([at(0), at(1), at(2), at(3)], self.reference_ohm)
            }
        }
    }

    /// Lowest and highest measured frequency in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }

    /// Lowest frequency in Hz that is known: 0 where the file is continued downwards.
    pub(super) fn known_from_hz(&self) -> f64 {
        if self.below.is_some() { 0.0 } else { self.range_hz.0 }
    }

    /// What the continuation below the lowest frequency leaves out of the values above it, relative; `None` if there is
    /// no continuation, because none is needed or none fits.
    pub fn continuation_left(&self) -> Option<f64> {
        self.below.as_ref().map(|below| below.left)
    }

    /// What was left out of its values, as far as they are the cable's in the audio band.
    pub fn scatter(&self) -> Option<Limit> {
        let part = self.short.as_ref()?.series.scatter()?;
        Some(Limit::new(Quantity::SeriesScatter, part))
    }

    /// The function that stands for its series impedance, where there is one.
    pub fn series(&self) -> Option<&Measured> {
        self.short.as_ref().map(|short| &short.series)
    }

    /// What the file says that no passive cable does.
    pub fn findings(&self) -> Findings {
        self.findings
    }
}

/// Series impedance in ohm and shunt admittance in siemens of the whole length, of a chain matrix of a uniform line.
fn totals(chain: Abcd) -> [Complex64; 2] {
    // cosh(g) = A: g = ln(A + sqrt(A^2 - 1)); both signs of g give the same sinh(g)/g.
    let a = (chain.a + chain.d) / 2.0;
    let g = (a + (a * a - 1.0).sqrt()).ln();
    let sinhc = if g.norm() < 1e-4 { 1.0 + g * g / 6.0 } else { g.sinh() / g };
    [chain.b / sinhc, chain.c / sinhc]
}

/// Largest singular value, squared, of a scattering matrix: power out over power in, at worst.
fn largest_gain([s11, s12, s21, s22]: [Complex64; 4]) -> f64 {
    let (a, d) = (s11.norm_sqr() + s21.norm_sqr(), s12.norm_sqr() + s22.norm_sqr());
    let b = s11.conj() * s12 + s21.conj() * s22;
    f64::midpoint(a, d) + (((a - d) / 2.0).powi(2) + b.norm_sqr()).sqrt()
}

/// The wire of 1 mm whose field penetrates like that of `time_s = radius^2 mu0/resistivity`, with a metre's resistance of 1.
fn unit_wire(time_s: f64) -> Wire {
    let radius_m = 1e-3;
    Wire {
        radius_m,
        resistivity_ohm_m: MU0 * radius_m * radius_m / time_s,
        metal_area_m2: std::f64::consts::PI * radius_m * radius_m,
        insulated: None,
    }
}

/// What a neighbour's field adds to the impedance of a wire, in ohm per henry: it is kept out of the metal, which costs
/// resistance and saves inductance. The first multipole, `-j w I2(ka)/I0(ka)` (after Carson 1921), has most of it.
fn proximity(wire: &Wire, frequency_hz: f64) -> Complex64 {
    let omega = std::f64::consts::TAU * frequency_hz;
    -Complex64::new(0.0, omega) * wire.multipole_ratios(frequency_hz, 1)[0]
}

/// Resistance at rest in ohm, outer inductance and that of the proximity effect in henry, for one speed of the skin effect;
/// and the largest relative error.
fn fitted(totals: &[(f64, [Complex64; 2])], time_s: f64) -> ([f64; 3], f64) {
    let both = fitted_with(totals, time_s, true);
    // Neighbours only ever keep a field out.
    if both.0[2] >= 0.0 { both } else { fitted_with(totals, time_s, false) }
}

fn fitted_with(totals: &[(f64, [Complex64; 2])], time_s: f64, with_proximity: bool) -> ([f64; 3], f64) {
    let wire = unit_wire(time_s);
    let (mut rows, mut right) = (vec![Vec::new(); if with_proximity { 3 } else { 2 }], Vec::new());
    for (frequency, [series, _]) in totals {
        let unit = wire.internal_impedance(*frequency) / wire.dc_resistance();
        let omega = std::f64::consts::TAU * frequency;
        let near = proximity(&wire, *frequency);
        for (scale, parts) in [(series.re, [unit.re, 0.0, near.re]), (series.im, [unit.im, omega, near.im])] {
            for (row, part) in rows.iter_mut().zip(parts) {
                row.push(part / scale);
            }
            right.push(1.0);
        }
    }
    let found = least_squares::solve(rows.clone(), right);
    let worst = (0..rows[0].len())
        .map(|index| {
            (rows.iter().zip(&found).map(|(row, factor)| factor * row[index]).sum::<f64>() - 1.0).abs()
        })
        .fold(0.0, f64::max);
    ([found[0], found[1], found.get(2).copied().unwrap_or(0.0)], worst)
}

/// R, L, C and G below the lowest frequency, if a round wire and a lossy dielectric explain what is above it, and pin the
/// resistance at rest down.
fn continued(all: &[(f64, [Complex64; 2])]) -> Option<Continuation> {
    let lowest = all[0].0;
    let totals: Vec<(f64, [Complex64; 2])> = all
        .iter()
        .take_while(|(frequency, [series, shunt])| {
            *frequency <= FITTED_SPAN * lowest && (series * shunt).norm() < 0.1
        })
        .copied()
        .collect();
    let passive =
        |(_, [series, shunt]): &(f64, [Complex64; 2])| series.re > 0.0 && series.im > 0.0 && shunt.im > 0.0;
    if totals.len() < 5 || !totals.iter().all(passive) {
        return None;
    }
    // The argument of the Bessel functions at the lowest frequency: 0.2 is a wire without skin effect, 40 a thick bar.
    let tried: Vec<(f64, [f64; 3], f64)> = (0..=240)
        .map(|step| {
            let argument = 0.2 * 200_f64.powf(f64::from(step) / 240.0);
            let time_s = argument * argument / (std::f64::consts::TAU * lowest);
            let (found, worst) = fitted(&totals, time_s);
            (time_s, found, worst)
        })
        .filter(|(_, found, worst)| found[0] > 0.0 && found[1] > 0.0 && worst.is_finite())
        .collect();
    let (time_s, [resistance_ohm, outer_inductance_h, proximity_h], left) =
        tried.iter().copied().min_by(|a, b| a.2.total_cmp(&b.2))?;
    // Whatever explains the values nearly as well is as likely.
    let likely =
        tried.iter().filter(|(_, _, worst)| *worst <= 1.5 * left + 3e-4).map(|(_, found, _)| found[0]);
    let (least, most) =
        likely.fold((f64::INFINITY, 0.0_f64), |(least, most), ohm| (least.min(ohm), most.max(ohm)));
    if left > GOOD || (most - least) / resistance_ohm > 2.0 * KNOWN {
        return None;
    }
    let (frequency, [_, shunt]) = totals[0];
    let loss_tangent = (shunt.re / shunt.im).max(0.0);
    Some(Continuation {
        wire: unit_wire(time_s),
        resistance_ohm,
        outer_inductance_h,
        proximity_h,
        capacitance_f: shunt.im / (std::f64::consts::TAU * frequency),
        loss_tangent,
        left,
    })
}
