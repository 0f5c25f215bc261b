//! Any set of parallel round conductors, solved with skin and proximity effect.
//!
//! Outside, conductor `p` makes the vector potential of its current and of multipoles about its axis; the field of all
//! the others, re-expanded about that axis, meets it; inside, modified Bessel functions. Matching potential and slope at
//! the surface turns an incoming multipole `c_n r^n` into an outgoing `-c_n a^2n I_(n+1)(ka)/I_(n-1)(ka) r^-n` (method
//! after Carson 1921 and Manneback 1922). Conductors of one polarity are joined at both ends: they share a voltage, or,
//! if transposed, the current equally.
//!
//! Multipoles are scaled to their conductor's radius. Positions are complex numbers, so a multipole is a pair of series,
//! one in `1/z` and one in `1/conj(z)`; translation keeps each in its kind, reflection exchanges them.

use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

use super::conductor::Wire;
use super::iteration::{Basis, minimise_residual};
use super::smooth::{self, Pair};
use super::{CircuitError, EPSILON0, MU0, check_at_least};

const ZERO: Complex64 = Complex64::new(0.0, 0.0);
/// Vector potential of a line current of one ampere is `-SCALE ln r`.
const SCALE: f64 = MU0 / std::f64::consts::TAU;
/// Relative residual at which the linear system counts as solved.
const RESIDUAL: f64 = 1e-10;
/// Relative change of impedance with more multipoles at which there are enough.
const CONVERGED: f64 = 2e-7;
/// Terms of a translation below this size are left out.
const NEGLIGIBLE: f64 = 1e-10;
/// More multipoles than this are not tried.
const MOST_MULTIPOLES: usize = 400;
/// More numbers than this are not kept for translations: 16 bytes each.
const MOST_ENTRIES: usize = 30_000_000;
/// More conductors than this are refused: the work grows with their square, and nobody would wait for it.
pub const MOST_CONDUCTORS: usize = 128;

/// A round conductor at its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoundConductor {
    /// What it is made of.
    pub wire: Wire,
    /// Centre in metres.
    pub x_m: f64,
    /// Centre in metres.
    pub y_m: f64,
    /// Whether it belongs to the outgoing side.
    pub positive: bool,
}

/// A set of round conductors in a homogeneous dielectric.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossSection {
    /// The conductors, at least one of each polarity.
    pub conductors: Vec<RoundConductor>,
    /// Effective relative permittivity.
    pub permittivity: f64,
    /// Whether conductors of one polarity change places so that each carries the same current.
    pub transposed: bool,
}

impl CrossSection {
    /// Whether the shape exists: both polarities, and conductors that neither touch nor overlap.
    pub fn check(&self) -> Result<(), CircuitError> {
        check_at_least("the permittivity", self.permittivity, 1.0, "(relative)", "at least 1 is needed")?;
        if self.conductors.len() > MOST_CONDUCTORS {
            return Err(CircuitError::Geometry(format!(
                "{} conductors are more than can be solved; at most {MOST_CONDUCTORS} are allowed",
                self.conductors.len()
            )));
        }
        for positive in [true, false] {
            if !self.conductors.iter().any(|conductor| conductor.positive == positive) {
                let sign = if positive { "+" } else { "-" };
                return Err(CircuitError::Geometry(format!(
                    "no conductor has the polarity \"{sign}\"; a cable needs at least one of each"
                )));
            }
        }
        for (index, conductor) in self.conductors.iter().enumerate() {
            conductor.wire.check()?;
            if !(conductor.x_m.is_finite() && conductor.y_m.is_finite()) {
                return Err(CircuitError::Geometry(format!("conductor {} has no finite place", index + 1)));
            }
            for (other_index, other) in self.conductors.iter().enumerate().take(index) {
                let distance = (conductor.x_m - other.x_m).hypot(conductor.y_m - other.y_m);
                let radii = conductor.wire.radius_m + other.wire.radius_m;
                if distance < radii * 1.001 {
                    return Err(CircuitError::Geometry(format!(
                        "conductors {} and {} touch or overlap: their centres are {:.4} mm apart and their radii add up \
                         to {:.4} mm; at least 0.1 % more is needed",
                        other_index + 1,
                        index + 1,
                        distance * 1e3,
                        radii * 1e3
                    )));
                }
            }
        }
        Ok(())
    }

    /// Capacitance in farad per metre between the polarities, from `L C = mu eps` of perfect conductors.
    pub fn capacitance(&self) -> Result<f64, CircuitError> {
        self.check()?;
        Ok(MU0 * EPSILON0 * self.permittivity / self.external_inductance()?)
    }

    /// Inductance in henry per metre that is left when no field enters the conductors, equal voltages assumed.
    pub fn external_inductance(&self) -> Result<f64, CircuitError> {
        let mut growth = 0;
        let mut last = f64::NAN;
        loop {
            let system = System::new(self, growth)?;
            let found = system.solve(None, false, &mut Basis::default())?.re;
            if (found - last).abs() <= CONVERGED * found.abs() {
                return Ok(found);
            }
            last = found;
            growth = more(&system, growth)?;
        }
    }

    /// Loop resistance in ohm per metre and loop inductance in henry per metre at each frequency in Hz.
    ///
    /// The number of multipoles is raised until resistance and inductance at the lowest, the middle and the highest
    /// frequency no longer change.
    pub fn series(&self, frequencies_hz: &[f64]) -> Result<Vec<Pair>, CircuitError> {
        self.check()?;
        let first = self.conductors[0].wire;
        let extent = self
            .conductors
            .iter()
            .map(|conductor| {
                (conductor.x_m - self.conductors[0].x_m).hypot(conductor.y_m - self.conductors[0].y_m)
                    + conductor.wire.radius_m
            })
            .fold(first.radius_m, f64::max);
        let conductivity = self
            .conductors
            .iter()
            .map(|conductor| 1.0 / conductor.wire.resistivity_ohm_m)
            .fold(0.0, f64::max);
        // There the whole bundle is a fiftieth of a skin depth wide.
        let floor = 1.0 / (std::f64::consts::PI * MU0 * conductivity * (50.0 * extent).powi(2));
        let mut growth = 0;
        if let (Some(lowest), Some(highest)) =
            (frequencies_hz.iter().copied().reduce(f64::min), frequencies_hz.iter().copied().reduce(f64::max))
        {
            let (lowest, highest) = (lowest.max(floor), highest.max(floor));
            growth = self.converged(&[lowest, (lowest * highest).sqrt(), highest])?;
        }
        let system = System::new(self, growth)?;
        let mut basis = Basis::default();
        smooth::over_frequency(frequencies_hz, floor, |frequencies| {
            let mut values = vec![[0.0; 2]; frequencies.len()];
            for index in coarse_to_fine(frequencies.len()) {
                let impedance = system.solve(Some(frequencies[index]), self.transposed, &mut basis)?;
                values[index] = [impedance.re, impedance.im / (std::f64::consts::TAU * frequencies[index])];
            }
            Ok(values)
        })
    }

    fn converged(&self, frequencies_hz: &[f64]) -> Result<usize, CircuitError> {
        let mut growth = 0;
        let mut last: Vec<Complex64> = Vec::new();
        loop {
            let system = System::new(self, growth)?;
            let found = frequencies_hz
                .iter()
                .map(|&frequency| system.solve(Some(frequency), self.transposed, &mut Basis::default()))
                .collect::<Result<Vec<_>, _>>()?;
            let settled = found.iter().zip(&last).all(|(now, before)| {
                (now.re - before.re).abs() <= CONVERGED * now.re.abs()
                    && (now.im - before.im).abs() <= CONVERGED * now.im.abs()
            });
            if settled && !last.is_empty() {
                // The smaller of the two numbers already does.
                return Ok(growth - 1);
            }
            last = found;
            growth = more(&system, growth)?;
        }
    }

    /// Area of metal in square metres of the smaller side.
    pub fn metal_area_m2(&self) -> f64 {
        let side = |positive: bool| {
            self.conductors
                .iter()
                .filter(|c| c.positive == positive)
                .map(|c| c.wire.metal_area_m2)
                .sum::<f64>()
        };
        side(true).min(side(false))
    }
}

/// One step more of multipoles, as long as that is allowed.
fn more(system: &System, growth: usize) -> Result<usize, CircuitError> {
    if system.orders.iter().any(|order| *order >= MOST_MULTIPOLES) {
        return Err(CircuitError::Geometry(format!(
            "the conductors are too close to each other to solve with {MOST_MULTIPOLES} multipoles each; increase \
                 the gaps"
        )));
    }
    Ok(growth + 1)
}

/// Indices so that each new one falls into the widest gap: first the ends, then middles.
fn coarse_to_fine(count: usize) -> Vec<usize> {
    let mut seen = vec![false; count];
    let mut order = Vec::with_capacity(count);
    let mut step = count.max(1);
    loop {
        for index in (0..count).step_by(step).chain(count.checked_sub(1)) {
            if !std::mem::replace(&mut seen[index], true) {
                order.push(index);
            }
        }
        if step == 1 {
            return order;
        }
        step = step.div_ceil(2);
    }
}

/// Translation of the multipoles of one conductor to another: `rows x columns`, row-major.
struct Translation {
    from: usize,
    to: usize,
    rows: usize,
    columns: usize,
    entries: Vec<Complex64>,
    /// `ln` of the distance in metres.
    log: f64,
    /// What a current becomes: `(-1)^m/(2m) (a_p/d)^m` for `m = 1..`.
    current: Vec<Complex64>,
    /// What multipoles make of the mean potential: `(a_q/d)^n` for `n = 1..`.
    mean: Vec<Complex64>,
}

/// The geometry, ready for any frequency.
struct System<'c> {
    section: &'c CrossSection,
    orders: Vec<usize>,
    starts: Vec<usize>,
    size: usize,
    translations: Vec<Translation>,
}

impl<'c> System<'c> {
    fn new(section: &'c CrossSection, growth: usize) -> Result<Self, CircuitError> {
        let conductors = &section.conductors;
        let place = |index: usize| Complex64::new(conductors[index].x_m, conductors[index].y_m);
        let radius = |index: usize| conductors[index].wire.radius_m;
        let count = conductors.len();
        let orders: Vec<usize> = (0..count)
            .map(|p| {
                (0..count)
                    .filter(|q| *q != p)
                    .map(|q| {
                        let (a, b, d) = (radius(p), radius(q), (place(p) - place(q)).norm());
                        // Half the bipolar distance of two circles: multipoles fall off at least that fast.
                        let decay = 0.5 * ((d * d - a * a - b * b) / (2.0 * a * b)).acosh();
                        (7.0 * 1.3_f64.powi(growth as i32) / decay).ceil() as usize + 3
                    })
                    .max()
                    .unwrap_or(3)
                    .min(MOST_MULTIPOLES)
            })
            .collect();
        let mut starts = Vec::with_capacity(count);
        let mut size = 0;
        for order in &orders {
            starts.push(size);
            size += 2 * order;
        }
        let mut translations = Vec::with_capacity(count * count);
        let mut kept = 0;
        for to in 0..count {
            for from in (0..count).filter(|from| *from != to) {
                let distance = place(to) - place(from);
                let (source, target) = (radius(from) / distance, radius(to) / distance);
                let needed = |ratio: f64, order: usize| {
                    ((NEGLIGIBLE.ln() / ratio.ln()).ceil().max(1.0) as usize).min(order)
                };
                let columns = needed(radius(from) / (distance.norm() - radius(to)), orders[from]);
                let rows = needed(radius(to) / (distance.norm() - radius(from)), orders[to]);
                kept += rows * columns;
                if kept > MOST_ENTRIES {
                    return Err(CircuitError::Geometry(format!(
                        "{count} conductors so close to each other are more than can be solved; increase the gaps or take \
                         fewer conductors"
                    )));
                }
                let mut entries = vec![ZERO; rows * columns];
                let mut first = source;
                for n in 1..=columns {
                    // (-1)^m binom(n+m-1, m) source^n target^m, from m = 0 on.
                    let mut term = first;
                    for m in 1..=rows {
                        term *= -target * (n + m - 1) as f64 / m as f64;
                        entries[(m - 1) * columns + n - 1] = term;
                    }
                    first *= source;
                }
                let mut power = Complex64::new(1.0, 0.0);
                let current = (1..=orders[to])
                    .map(|m| {
                        power *= -target;
                        power / (2.0 * m as f64)
                    })
                    .collect();
                let mut power = Complex64::new(1.0, 0.0);
                let mean = (1..=orders[from])
                    .map(|_| {
                        power *= source;
                        power
                    })
                    .collect();
                translations.push(Translation {
                    from,
                    to,
                    rows,
                    columns,
                    entries,
                    log: distance.norm().ln(),
                    current,
                    mean,
                });
            }
        }
        Ok(Self { section, orders, starts, size, translations })
    }

    /// Incoming multipoles (order as the unknowns: series in `z`, then in `conj(z)`) of outgoing ones.
    fn incoming(&self, outgoing: &[Complex64]) -> Vec<Complex64> {
        let mut result = vec![ZERO; self.size];
        for t in &self.translations {
            let (from, to) = (self.starts[t.from], self.starts[t.to]);
            let (from_order, to_order) = (self.orders[t.from], self.orders[t.to]);
            let plain = &outgoing[from..from + t.columns];
            let conjugate = &outgoing[from + from_order..from + from_order + t.columns];
            for (m, row) in t.entries.chunks_exact(t.columns).enumerate().take(t.rows) {
                let (mut above, mut below) = (ZERO, ZERO);
                for ((entry, value), other) in row.iter().zip(plain).zip(conjugate) {
                    above += entry * value;
                    below += entry.conj() * other;
                }
                result[to + m] += above;
                result[to + to_order + m] += below;
            }
        }
        result
    }

    /// Adds the incoming multipoles of currents.
    fn add_currents(&self, currents: &[Complex64], incoming: &mut [Complex64]) {
        for t in &self.translations {
            let current = currents[t.from];
            if current == ZERO {
                continue;
            }
            let (to, order) = (self.starts[t.to], self.orders[t.to]);
            for (m, value) in t.current.iter().enumerate() {
                incoming[to + m] += value * current;
                incoming[to + order + m] += value.conj() * current;
            }
        }
    }

    /// Mean potential at each conductor of the multipoles of all others.
    fn means(&self, outgoing: &[Complex64]) -> Vec<Complex64> {
        let mut result = vec![ZERO; self.orders.len()];
        for t in &self.translations {
            let (from, order) = (self.starts[t.from], self.orders[t.from]);
            let mut sum = ZERO;
            for (n, value) in t.mean.iter().enumerate() {
                sum += value * outgoing[from + n] + value.conj() * outgoing[from + order + n];
            }
            result[t.to] += sum;
        }
        result
    }

    /// Loop impedance in ohm per metre at a frequency in Hz; `None` is perfect conductors, and the result is then the
    /// loop inductance in henry per metre.
    fn solve(
        &self,
        frequency_hz: Option<f64>,
        transposed: bool,
        basis: &mut Basis,
    ) -> Result<Complex64, CircuitError> {
        let conductors = &self.section.conductors;
        let count = conductors.len();
        // Voltage per ampere of vector potential: j w mu0/2pi; of perfect conductors the bare potential.
        let per_potential = frequency_hz
            .map_or(Complex64::new(SCALE, 0.0), |f| Complex64::new(0.0, std::f64::consts::TAU * f * SCALE));
        // Answers of conductors, in the unknowns' order: reflection turns the series in z into the one in conj(z).
        let mut answers = vec![Complex64::new(1.0, 0.0); self.size];
        if let Some(frequency) = frequency_hz {
            for (p, conductor) in conductors.iter().enumerate() {
                let ratios = conductor.wire.multipole_ratios(frequency, self.orders[p]);
                let start = self.starts[p];
                answers[start..start + self.orders[p]].copy_from_slice(&ratios);
                answers[start + self.orders[p]..start + 2 * self.orders[p]].copy_from_slice(&ratios);
            }
        }
        let reflect = |incoming: &[Complex64]| {
            let mut outgoing = vec![ZERO; self.size];
            for (p, &order) in self.orders.iter().enumerate() {
                let start = self.starts[p];
                for n in start..start + order {
                    outgoing[n] = -answers[n] * incoming[n + order];
                    outgoing[n + order] = -answers[n] * incoming[n];
                }
            }
            outgoing
        };
        // Impedance of the bare currents, per polarity bordered by "same voltage" and "one ampere".
        let mut matrix = DMatrix::<Complex64>::zeros(count + 2, count + 2);
        for (p, conductor) in conductors.iter().enumerate() {
            let internal = frequency_hz.map_or(ZERO, |f| conductor.wire.internal_impedance(f));
            matrix[(p, p)] = internal - per_potential * conductor.wire.radius_m.ln();
            let side = count + usize::from(!conductor.positive);
            matrix[(p, side)] = Complex64::new(-1.0, 0.0);
            matrix[(side, p)] = Complex64::new(1.0, 0.0);
        }
        for t in &self.translations {
            matrix[(t.to, t.from)] = -per_potential * t.log;
        }
        let shares: Vec<Complex64> = {
            let of = |positive: bool| conductors.iter().filter(|c| c.positive == positive).count() as f64;
            let (plus, minus) = (of(true), of(false));
            conductors
                .iter()
                .map(|c| Complex64::new(if c.positive { 1.0 / plus } else { -1.0 / minus }, 0.0))
                .collect()
        };
        let unsolvable =
            || CircuitError::Geometry("the conductors' currents cannot be solved for".to_owned());
        let factors = (!transposed).then(|| matrix.clone().lu());
        // Currents and the two voltages for given mean potentials of multipoles and a given loop current.
        let currents = |means: &[Complex64], ampere: f64| -> Result<Vec<Complex64>, CircuitError> {
            let Some(factors) = &factors else {
                return Ok(shares.iter().map(|share| share * ampere).collect());
            };
            let mut right = DVector::<Complex64>::zeros(count + 2);
            for (p, mean) in means.iter().enumerate() {
                right[p] = -per_potential * mean;
            }
            right[count] = Complex64::new(ampere, 0.0);
            right[count + 1] = Complex64::new(-ampere, 0.0);
            factors.solve(&right).map(|found| found.iter().copied().collect()).ok_or_else(unsolvable)
        };
        let at_rest = currents(&vec![ZERO; count], 1.0)?;
        let mut incoming = vec![ZERO; self.size];
        self.add_currents(&at_rest[..count], &mut incoming);
        let right = reflect(&incoming);
        // What is left of outgoing multipoles once the conductors' answer to them is taken away.
        let operator =
            |outgoing: &[Complex64], translated: &[Complex64]| -> Result<Vec<Complex64>, CircuitError> {
                let mut incoming = translated.to_vec();
                if !transposed {
                    let driven = currents(&self.means(outgoing), 0.0)?;
                    self.add_currents(&driven[..count], &mut incoming);
                }
                let mut result = reflect(&incoming);
                for (value, outgoing) in result.iter_mut().zip(outgoing) {
                    *value = outgoing - *value;
                }
                Ok(result)
            };
        let translate = |outgoing: &[Complex64]| self.incoming(outgoing);
        let solution = minimise_residual(&right, basis, translate, operator, RESIDUAL)?;
        let means = self.means(&solution);
        let found = currents(&means, 1.0)?;
        if !transposed {
            return Ok(found[count] - found[count + 1]);
        }
        // Equal currents: the voltages of one polarity are averaged along the cable.
        let mut loop_voltage = ZERO;
        for p in 0..count {
            let mut voltage = per_potential * means[p];
            for (q, current) in found.iter().enumerate() {
                voltage += matrix[(p, q)] * current;
            }
            loop_voltage += voltage * shares[p];
        }
        Ok(loop_voltage)
    }
}
