//! A response evaluated where it needs to be, and interpolated in between.
//!
//! A filter needs the response at tens of thousands of frequencies, while a cross-section solved with skin and
//! proximity effect takes long at each. The axis is warped to `f = sinh(u)` Hz (linear near zero, logarithmic above),
//! cut into panels, and each panel is halved until the polynomial through 9 Chebyshev points agrees with the response
//! at 8 more (barycentric interpolation: Berrut & Trefethen 2004, SIAM Review 46:501). Then all 17 are used, as a sum of
//! Chebyshev polynomials: a filter asks for a hundred thousand values (Clenshaw 1955, Math. Tables Aids Comput. 9:118).

use std::sync::LazyLock;

use num_complex::Complex64;

use super::{FilterError, Response};

/// Points of a panel: Chebyshev points of the second kind.
const POINTS: usize = 17;
/// Largest difference between the coarse polynomial and the response, relative to the largest magnitude in the panel.
/// The finished polynomial has twice as many points and is better by orders of magnitude where the response is smooth.
const TOLERANCE: f64 = 3e-7;
/// A panel narrower than this in Hz is not halved again: a kink in a measured table is pinned down well enough.
const NARROWEST_HZ: f64 = 0.02;
/// More panels than this are not made.
const MOST_PANELS: usize = 40_000;

#[derive(Debug, Clone)]
struct Panel {
    start: f64,
    end: f64,
    values: [Complex64; POINTS],
    /// Of the Chebyshev polynomials, once the panel is finished.
    weights: [Complex64; POINTS],
}

/// A response known everywhere between 0 Hz and a highest frequency.
#[derive(Debug, Clone)]
pub struct Sampled {
    panels: Vec<Panel>,
    highest_hz: f64,
}

fn warp(frequency_hz: f64) -> f64 {
    frequency_hz.asinh()
}

/// Cosines of the Chebyshev points.
static COSINES: LazyLock<[f64; POINTS]> =
    LazyLock::new(|| std::array::from_fn(|i| (std::f64::consts::PI * i as f64 / (POINTS - 1) as f64).cos()));

/// The `i`-th Chebyshev point of a panel, ascending.
fn point(start: f64, end: f64, i: usize) -> f64 {
    if i == 0 {
        return start;
    }
    if i == POINTS - 1 {
        return end;
    }
    f64::midpoint(start, end) - (end - start) / 2.0 * COSINES[i]
}

/// Barycentric interpolation at `u` through every `step`-th point.
fn interpolate(panel: &Panel, step: usize, u: f64) -> Complex64 {
    let mut numerator = Complex64::ZERO;
    let mut denominator = 0.0;
    let last = (POINTS - 1) / step;
    for i in 0..=last {
        let distance = u - point(panel.start, panel.end, i * step);
        if distance == 0.0 {
            return panel.values[i * step];
        }
        let end = if i == 0 || i == last { 0.5 } else { 1.0 };
        let sign = if i % 2 == 0 { 1.0 } else { -1.0 };
        let weight = sign * end / distance;
        numerator += panel.values[i * step] * weight;
        denominator += weight;
    }
    numerator / denominator
}

impl Panel {
    fn new(start: f64, end: f64, values: &[Complex64]) -> Self {
        let mut panel =
            Self { start, end, values: [Complex64::ZERO; POINTS], weights: [Complex64::ZERO; POINTS] };
        panel.values.copy_from_slice(values);
        panel
    }

    /// The polynomial through all points as a sum of Chebyshev polynomials: a cosine transform of the values.
    fn finish(mut self) -> Self {
        const LAST: usize = POINTS - 1;
        let half_at_ends = |i: usize| if i == 0 || i == LAST { 0.5 } else { 1.0 };
        for (degree, weight) in self.weights.iter_mut().enumerate() {
            let sum: Complex64 = (0..POINTS)
                .map(|i| {
                    // The cosine of pi i degree / 16, from those of the first half turn.
                    let turn = i * degree % (2 * LAST);
                    let cosine = COSINES[turn.min(2 * LAST - turn)];
                    // Points ascend, and cosines descend.
                    self.values[LAST - i] * (half_at_ends(i) * cosine)
                })
                .sum();
            *weight = sum * (2.0 / LAST as f64 * half_at_ends(degree));
        }
        self
    }

    /// The response at `u`; at both ends exactly what it was found to be there.
    fn at(&self, u: f64) -> Complex64 {
        if u <= self.start {
            return self.values[0];
        }
        if u >= self.end {
            return self.values[POINTS - 1];
        }
        let x = (2.0 * u - self.start - self.end) / (self.end - self.start);
        let (mut next, mut after) = (Complex64::ZERO, Complex64::ZERO);
        for weight in self.weights[1..].iter().rev() {
            (next, after) = (weight + next * (2.0 * x) - after, next);
        }
        self.weights[0] + next * x - after
    }
}

impl Sampled {
    /// Samples a response from 0 Hz to `highest_hz`.
    ///
    /// # Errors
    /// The response has no answer, or one that is not finite.
    pub fn new(response: &Response<'_>, highest_hz: f64) -> Result<Self, FilterError> {
        let top = warp(highest_hz);
        let first = 24;
        let mut waiting: Vec<(f64, f64)> = (0..first)
            .map(|i| (top * i as f64 / first as f64, top * (i + 1) as f64 / first as f64))
            .collect();
        let mut panels = Vec::new();
        while !waiting.is_empty() {
            let mut frequencies: Vec<f64> = waiting
                .iter()
                .flat_map(|&(start, end)| (0..POINTS).map(move |i| point(start, end, i).sinh()))
                .collect();
            for frequency in &mut frequencies {
                *frequency = frequency.clamp(0.0, highest_hz);
            }
            let values = response(&frequencies).map_err(FilterError::Response)?;
            if values.len() != frequencies.len() {
                return Err(FilterError::Response(format!(
                    "{} values were given for {} frequencies",
                    values.len(),
                    frequencies.len()
                )));
            }
            if let Some(at) = values.iter().position(|value| !value.is_finite()) {
                return Err(FilterError::NotFinite { frequency_hz: frequencies[at] });
            }
            let mut next = Vec::new();
            for (&(start, end), block) in waiting.iter().zip(values.chunks_exact(POINTS)) {
                let panel = Panel::new(start, end, block);
                let largest = panel.values.iter().map(|value| value.norm()).fold(0.0, f64::max);
                let smooth = (1..POINTS).step_by(2).all(|i| {
                    (interpolate(&panel, 2, point(start, end, i)) - panel.values[i]).norm()
                        <= TOLERANCE * largest
                });
                let narrow = end.sinh() - start.sinh() < NARROWEST_HZ;
                if smooth || narrow || panels.len() + next.len() >= MOST_PANELS {
                    panels.push(panel.finish());
                } else {
                    let middle = f64::midpoint(start, end);
                    next.push((start, middle));
                    next.push((middle, end));
                }
            }
            waiting = next;
        }
        panels.sort_by(|a, b| a.start.total_cmp(&b.start));
        Ok(Self { panels, highest_hz })
    }

    /// Every value that the response gave.
    pub fn values(&self) -> impl Iterator<Item = (f64, Complex64)> + '_ {
        self.panels
            .iter()
            .flat_map(|panel| (0..POINTS).map(|i| (point(panel.start, panel.end, i).sinh(), panel.values[i])))
    }

    /// The response at a frequency in Hz, from 0 to the highest.
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        let u = warp(frequency_hz.clamp(0.0, self.highest_hz));
        let index = self.panels.partition_point(|panel| panel.start <= u).saturating_sub(1);
        self.panels[index].at(u)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_resonance_is_followed() {
        // Parallel RLC: quality 30 at 40 Hz behind a resistance.
        let exact = |f: f64| {
            let x = Complex64::new(0.0, f / 40.0);
            let tank = 50.0 * (x / 30.0) / (1.0 + x / 30.0 + x * x);
            (6.0 + tank) / (6.2 + tank)
        };
        let sampled = Sampled::new(&|f: &[f64]| Ok(f.iter().map(|&f| exact(f)).collect()), 24_000.0)
            .expect("the response is finite");
        for i in 0..20_000 {
            let f = 24_000.0 * (f64::from(i) / 20_000.0).powi(3);
            assert!((sampled.at(f) - exact(f)).norm() < 1e-8, "{f}");
        }
        assert!(sampled.values().count() < 3000, "{}", sampled.values().count());
    }

    #[test]
    fn both_ways_through_the_points_are_the_same_and_ends_are_exact() {
        let values: Vec<Complex64> = (0..POINTS)
            .map(|i| Complex64::new((i as f64 * 1.7).sin(), (i as f64 * 0.9).cos() * 3.0))
            .collect();
        let panel = Panel::new(2.0, 5.0, &values).finish();
        for step in 0..=3_000 {
            let u = 2.0 + f64::from(step) / 1_000.0;
            assert!((panel.at(u) - interpolate(&panel, 1, u)).norm() < 1e-13, "{u}");
        }
        assert_eq!((panel.at(2.0), panel.at(5.0)), (values[0], values[POINTS - 1]));
    }

    #[test]
    fn what_is_not_finite_is_named() {
        let error = Sampled::new(
            &|f: &[f64]| {
                Ok(f.iter().map(|&f| Complex64::new(if f > 1e4 { f64::NAN } else { 1.0 }, 0.0)).collect())
            },
            24_000.0,
        )
        .map(|_| ())
        .expect_err("NaN is refused");
        assert!(matches!(error, FilterError::NotFinite { frequency_hz } if frequency_hz > 1e4));
    }
}
