//! How sure a difference is: what the limits of cables and loudspeaker leave unknown about it.
//!
//! First-order propagation (JCGM 100:2008, 5.1): each value that is known within limits is moved by its standard
//! uncertainty up and down, everything else held, and half the change of the difference counts; the contributions add as
//! squares. A limit of half-width `a` has the standard uncertainty `a/sqrt(3)` (4.3.7), what scatters has its standard
//! deviation (4.2); what is stated is 1.96 times the sum, an interval that holds the true difference in about 95 of 100 cases (6.2, G.1.3). Limits of both sides count as
//! independent, also where one meter read both: what the meter does to both alike would cancel, so this errs on the large
//! side. Tests hold it against drawing all values at random (JCGM 101:2008).

use num_complex::Complex64;

use super::difference::{BAND_HZ, Summary, gain_db, logarithmic};
use crate::circuit::limit::Quantity;
use crate::circuit::uncertain::{Input, Uncertain};
use crate::circuit::{Chain, CircuitError};
use crate::units::printed;

/// Coverage factor of a stated uncertainty: 95 % of a normal distribution.
pub const COVERAGE_FACTOR: f64 = 1.96;
/// Frequencies over which the mean difference is taken.
const POINTS: usize = 97;

/// What is unknown about a difference. Everything is an expanded uncertainty, 95 %, plus or minus.
#[derive(Debug, Clone, PartialEq)]
pub struct Uncertainty {
    /// Of the gain of A over B in dB, at the frequencies that were asked for.
    pub gain_db: Vec<f64>,
    /// Of the phase of A over B in degrees, at the same frequencies.
    pub phase_deg: Vec<f64>,
    /// Of [`Summary::max_abs_db`], where it is.
    pub max_abs_db: f64,
    /// Of [`Summary::shape_max_abs_db`], where it is.
    pub shape_max_abs_db: f64,
    /// Of [`Summary::level_db`].
    pub level_db: f64,
    /// Of [`Summary::at_1khz_db`].
    pub at_1khz_db: f64,
    /// Of [`Summary::at_20khz_db`].
    pub at_20khz_db: f64,
    /// What each value that is known within limits adds, the most important first.
    pub contributions: Vec<Contribution>,
}

/// What one value adds to the uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contribution {
    /// Of what.
    pub quantity: Quantity,
    /// 0 is side A, 1 side B; `None` is both.
    pub side: Option<usize>,
    /// Its limit where the largest difference is, or its standard deviation there: relative, dB, degrees or radians.
    pub half_width: f64,
    /// Its part of the uncertainty of the largest difference, in dB.
    pub max_abs_db: f64,
    /// Its part of the uncertainty of what a level match leaves, in dB.
    pub shape_max_abs_db: f64,
}

/// Change of the complex logarithm of A over B at each frequency for one value moved by its standard uncertainty.
struct Effect {
    change: Vec<Complex64>,
    input: Input,
}

impl Uncertainty {
    /// Of the difference of two chains that share a loudspeaker, at frequencies in Hz; `None` if no value has limits.
    pub fn between(
        a: &Chain,
        b: &Chain,
        summary: &Summary,
        frequencies_hz: &[f64],
    ) -> Result<Option<Self>, CircuitError> {
        let mut all = logarithmic(BAND_HZ.0, BAND_HZ.1, POINTS);
        let special = all.len();
        all.extend([summary.max_abs_at_hz, summary.shape_max_abs_at_hz, 1000.0, BAND_HZ.1]);
        let asked = all.len();
        all.extend(frequencies_hz);
        let uncertain = Uncertain::new(a, b, &all)?;
        if uncertain.inputs().is_empty() {
            return Ok(None);
        }
        let effects = effects(&uncertain, &all)?;
        let root = |of: &dyn Fn(&Effect) -> f64| {
            COVERAGE_FACTOR * effects.iter().map(|effect| of(effect).powi(2)).sum::<f64>().sqrt()
        };
        let at = |effect: &Effect, index: usize| decibels(effect.change[index]);
        // A match takes the mean away; errors that differ from frequency to frequency have none.
        let mean = |effect: &Effect| {
            if effect.input.limit.quantity.varies_over_frequency() {
                return 0.0;
            }
            let gains: Vec<f64> = effect.change[..POINTS].iter().map(|&change| decibels(change)).collect();
            (gains.iter().sum::<f64>() - 0.5 * (gains[0] + gains[POINTS - 1])) / (POINTS - 1) as f64
        };
        let shape = |effect: &Effect| at(effect, special + 1) - mean(effect);
        let mut contributions: Vec<Contribution> = effects
            .iter()
            .map(|effect| Contribution {
                quantity: effect.input.limit.quantity,
                side: effect.input.side,
                half_width: effect.input.limit.at(summary.max_abs_at_hz),
                max_abs_db: COVERAGE_FACTOR * at(effect, special).abs(),
                shape_max_abs_db: COVERAGE_FACTOR * shape(effect).abs(),
            })
            .collect();
        contributions.sort_by(|one, other| other.max_abs_db.total_cmp(&one.max_abs_db));
        Ok(Some(Self {
            gain_db: (asked..all.len()).map(|index| root(&|effect| at(effect, index))).collect(),
            phase_deg: (asked..all.len())
                .map(|index| root(&|effect| effect.change[index].im.to_degrees()))
                .collect(),
            max_abs_db: root(&|effect| at(effect, special)),
            shape_max_abs_db: root(&shape),
            level_db: root(&mean),
            at_1khz_db: root(&|effect| at(effect, special + 2)),
            at_20khz_db: root(&|effect| at(effect, special + 3)),
            contributions,
        }))
    }

    /// The difference that is played and what is unknown about it, in dB: as wired, or after the level match.
    pub fn played(&self, summary: &Summary, matched: bool) -> (f64, f64) {
        if matched {
            (summary.shape_max_abs_db, self.shape_max_abs_db)
        } else {
            (summary.max_abs_db, self.max_abs_db)
        }
    }

    /// Whether the difference that is played is larger than what is unknown about it.
    pub fn is_exceeded(&self, summary: &Summary, matched: bool) -> bool {
        let (size, unknown) = self.played(summary, matched);
        size > unknown
    }

    /// Whether it is, in a sentence.
    pub fn sentence(&self, summary: &Summary, matched: bool) -> String {
        let (size, unknown) = self.played(summary, matched);
        let left = if matched { ", after the level match," } else { "" };
        let stated = printed::plus_minus(size, unknown);
        if self.is_exceeded(summary, matched) {
            format!("The cables' difference{left} is larger than what is unknown about it: {stated}.")
        } else {
            format!(
                "The cables' difference{left} is not larger than what is unknown about it: {stated}. These cables could \
                 as well be alike, or differ twice as much."
            )
        }
    }
}

impl Contribution {
    /// What it is: "resistance of thin".
    pub fn name(&self, names: [&str; 2]) -> String {
        let of = self.side.map_or_else(String::new, |side| format!(" of {}", names[side]));
        format!("{}{of}", self.quantity.words())
    }

    /// What it is and how well it is known: "resistance of thin ± 2 %".
    pub fn words(&self, names: [&str; 2]) -> String {
        let limit = match self.quantity {
            Quantity::Gain | Quantity::GainScatter => format!("{} dB", short(self.half_width)),
            Quantity::PhaseScatter => format!("{}°", short(self.half_width)),
            Quantity::LoadAngleScatter | Quantity::OutputAngleScatter => {
                format!("{}°", short(self.half_width.to_degrees()))
            }
            _ => format!("{} %", short(100.0 * self.half_width)),
        };
        let known = if self.quantity.is_scatter() { ", standard deviation" } else { " ±" };
        format!("{}{known} {limit}", self.name(names))
    }
}

/// Three digits without trailing zeros.
fn short(value: f64) -> String {
    let places = (2.0 - value.abs().max(1e-9).log10().floor()).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.places$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// The expanded uncertainty (95 %) of the gain of one chain over another in dB, at frequencies in Hz; `None` if no value has
/// limits.
///
/// # Errors
/// The circuit has no answer.
pub fn unknown_at(a: &Chain, b: &Chain, frequencies_hz: &[f64]) -> Result<Option<Vec<f64>>, CircuitError> {
    let uncertain = Uncertain::new(a, b, frequencies_hz)?;
    if uncertain.inputs().is_empty() {
        return Ok(None);
    }
    let effects = effects(&uncertain, frequencies_hz)?;
    let at = |index: usize| {
        effects.iter().map(|effect| decibels(effect.change[index]).powi(2)).sum::<f64>().sqrt()
    };
    Ok(Some((0..frequencies_hz.len()).map(|index| COVERAGE_FACTOR * at(index)).collect()))
}

fn effects(uncertain: &Uncertain, frequencies_hz: &[f64]) -> Result<Vec<Effect>, CircuitError> {
    let count = uncertain.inputs().len();
    let moved = |index: usize, by: f64| -> Result<[Vec<Complex64>; 2], CircuitError> {
        let mut by_all = vec![0.0; count];
        by_all[index] = by;
        let [a, b] = uncertain.moved(&by_all);
        Ok([a.transfer(frequencies_hz)?, b.transfer(frequencies_hz)?])
    };
    uncertain
        .inputs()
        .iter()
        .enumerate()
        .map(|(index, input)| {
            let standard = input.limit.standard();
            let ([a_up, b_up], [a_down, b_down]) = (moved(index, standard)?, moved(index, -standard)?);
            let change = (0..frequencies_hz.len())
                .map(|k| (a_up[k] / a_down[k] * (b_down[k] / b_up[k])).ln() / 2.0)
                .map(|change| if change.is_finite() { change } else { Complex64::new(0.0, 0.0) })
                .collect();
            Ok(Effect { change, input: input.clone() })
        })
        .collect()
}

/// Decibels of a change of a complex logarithm.
fn decibels(change: Complex64) -> f64 {
    gain_db(Complex64::new(change.re.exp(), 0.0))
}
