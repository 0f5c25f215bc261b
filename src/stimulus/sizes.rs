//! A difference made smaller or larger: the responses from which a threshold's stimuli are filtered.

use num_complex::Complex64;

use super::controls;
use crate::circuit::Chain;
use crate::session::{Comparison, ControlKind, Scale, Session};
use crate::units::printed;

/// Most that a size may add to or take from side B's sound at any frequency, in dB: what is played stays bounded, for ears
/// and for tweeters.
pub const MOST_DECIBELS: f64 = 20.0;

/// What a stimulus's filter is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Recipe {
    /// A cable's chain, and what a control adds to it.
    Cable { cable: usize, control: Option<ControlKind> },
    /// Side B with the ratio of A to B to the power of `size`: decibels and degrees of the difference, so many times.
    Multiple { a: usize, b: usize, size: f64 },
    /// A cable so many times as long.
    Length { cable: usize, size: f64 },
    /// What a control adds to a recording, in which the cable is already.
    Recorded { cable: usize, control: Option<ControlKind> },
}

impl Recipe {
    /// The plain cable.
    pub(super) fn cable(cable: usize) -> Self {
        Self::Cable { cable, control: None }
    }

    /// The same for a sound that is a recording through the cable.
    pub(super) fn of_a_recording(self) -> Self {
        match self {
            Self::Cable { cable, control } => Self::Recorded { cable, control },
            other => other,
        }
    }

    /// The cable that an error is about.
    pub(super) fn about(self) -> usize {
        match self {
            Self::Cable { cable, .. } | Self::Length { cable, .. } | Self::Recorded { cable, .. } => cable,
            Self::Multiple { a, .. } => a,
        }
    }

    /// The response at frequencies in Hz.
    pub(super) fn response(self, session: &Session, frequencies: &[f64]) -> Result<Vec<Complex64>, String> {
        let of = |chain: &Chain| chain.transfer(frequencies).map_err(|error| error.to_string());
        match self {
            Self::Cable { cable, control } => {
                // Where real cables are switched, nothing stands in for them.
                let mut values = match session.switcher {
                    Some(_) => vec![Complex64::new(1.0, 0.0); frequencies.len()],
                    None => of(&session.chain(cable))?,
                };
                if let Some(kind) = control {
                    for (value, frequency) in values.iter_mut().zip(frequencies) {
                        *value *= controls::response(kind, *frequency);
                    }
                }
                Ok(values)
            }
            Self::Multiple { a, b, size } => {
                let (a, b) = (of(&session.chain(a))?, of(&session.chain(b))?);
                Ok(powers(&a, &b, size).iter().zip(&b).map(|(factor, b)| factor * b).collect())
            }
            Self::Length { cable, size } => of(&stretched(session, cable, size)?),
            Self::Recorded { control, .. } => Ok(frequencies
                .iter()
                .map(|frequency| control.map_or(Complex64::ONE, |kind| controls::response(kind, *frequency)))
                .collect()),
        }
    }
}

/// The chain with its cable so many times as long; no cable stays none.
fn stretched(session: &Session, cable: usize, size: f64) -> Result<Chain, String> {
    let mut chain = session.chain(cable);
    if chain.cable.length_m() != Some(0.0) {
        chain.cable = chain.cable.stretched(size).ok_or(
            "its length is not known, since its response was measured as a whole: use scale = \"multiple\"",
        )?;
    }
    Ok(chain)
}

/// (A/B)^size on the logarithm of the complex ratio. The phase is followed from frequency to frequency, which must come in
/// order, so that it does not jump where it passes half a turn.
fn powers(a: &[Complex64], b: &[Complex64], size: f64) -> Vec<Complex64> {
    let mut before = 0.0_f64;
    a.iter()
        .zip(b)
        .map(|(a, b)| {
            let (magnitude, angle) = (a / b).to_polar();
            let turns = ((before - angle) / std::f64::consts::TAU).round();
            before = angle + turns * std::f64::consts::TAU;
            Complex64::from_polar(magnitude.powf(size), before * size)
        })
        .collect()
}

/// Both sides of a comparison at a size: their recipes, and the gain of the second. Size 1 of the first two scales is the
/// real pair itself, to the last bit.
pub(super) fn sides(comparison: &Comparison, scale: Scale, size: f64) -> [(Recipe, f64); 2] {
    let (a, b) = (comparison.a, comparison.b);
    let real = (size - 1.0).abs() < 1e-9;
    let plain = |cable| (Recipe::cable(cable), 1.0);
    match scale {
        Scale::Multiple | Scale::Length if real => [plain(a), plain(b)],
        Scale::Multiple => [(Recipe::Multiple { a, b, size }, 1.0), plain(b)],
        Scale::Length => [a, b].map(|cable| (Recipe::Length { cable, size }, 1.0)),
        Scale::Level => [plain(a), (Recipe::cable(a), 10.0_f64.powf(size / 20.0))],
        Scale::Tilt => {
            let control = Some(ControlKind::Tilt { decibels: size });
            [plain(a), (Recipe::Cable { cable: a, control }, 1.0)]
        }
    }
}

/// A size of a comparison on paper.
#[derive(Debug, Clone, PartialEq)]
pub struct Sized {
    /// The size.
    pub size: f64,
    /// Level of A over B in dB at each frequency that was asked for.
    pub difference_db: Vec<f64>,
}

impl Sized {
    /// The largest difference in dB, without its sign.
    pub fn largest_db(&self) -> f64 {
        self.difference_db.iter().fold(0.0, |most, decibels| most.max(decibels.abs()))
    }

    /// The largest that is left after the best single level match, where the frequencies lie evenly on a logarithmic axis.
    pub fn shape_db(&self) -> f64 {
        let mean = self.difference_db.iter().sum::<f64>() / self.difference_db.len().max(1) as f64;
        self.difference_db.iter().fold(0.0, |most, decibels| most.max((decibels - mean).abs()))
    }
}

/// A comparison's sizes at frequencies in Hz, rising: cables whose length stays are solved once, whatever the size.
#[derive(Debug)]
pub struct Sizes<'s> {
    session: &'s Session,
    comparison: &'s Comparison,
    scale: Scale,
    frequencies: &'s [f64],
    /// Power gains of both sides as they really are; nothing where the length changes.
    real: Option<[Vec<f64>; 2]>,
}

impl<'s> Sizes<'s> {
    /// Of a comparison.
    ///
    /// # Errors
    /// A response that cannot be computed.
    pub fn new(
        session: &'s Session,
        comparison: &'s Comparison,
        scale: Scale,
        frequencies: &'s [f64],
    ) -> Result<Self, String> {
        let real = match scale {
            Scale::Length => None,
            Scale::Multiple | Scale::Level | Scale::Tilt => Some([
                on_paper(session, comparison.a, frequencies)?,
                on_paper(session, comparison.b, frequencies)?,
            ]),
        };
        Ok(Self { session, comparison, scale, frequencies, real })
    }

    /// Power gains of both sides at a size.
    ///
    /// # Errors
    /// A response that cannot be computed, a length that is not known.
    pub fn power(&self, size: f64) -> Result<[Vec<f64>; 2], String> {
        let Some([a, b]) = &self.real else {
            let [a, b] = [self.comparison.a, self.comparison.b]
                .map(|cable| power(self.session, Recipe::Length { cable, size }, self.frequencies));
            return Ok([a?, b?]);
        };
        Ok(match self.scale {
            Scale::Multiple | Scale::Length => {
                [a.iter().zip(b).map(|(a, b)| b * (a / b).powf(size)).collect(), b.clone()]
            }
            Scale::Level => {
                let gain = 10.0_f64.powf(size / 10.0);
                [a.clone(), a.iter().map(|a| a * gain).collect()]
            }
            Scale::Tilt => {
                let tilt = |frequency: &f64| {
                    controls::response(ControlKind::Tilt { decibels: size }, *frequency).norm_sqr()
                };
                [a.clone(), a.iter().zip(self.frequencies).map(|(a, f)| a * tilt(f)).collect()]
            }
        })
    }

    /// A size on paper.
    ///
    /// # Errors
    /// As [`Self::power`].
    pub fn at(&self, size: f64) -> Result<Sized, String> {
        let [a, b] = self.power(size)?;
        let difference_db = a.iter().zip(&b).map(|(a, b)| 10.0 * (a / b).log10()).collect();
        Ok(Sized { size, difference_db })
    }
}

/// Power gains of a cable's chain, also where the cable itself is switched and no filter stands in for it.
fn on_paper(session: &Session, cable: usize, frequencies: &[f64]) -> Result<Vec<f64>, String> {
    let values = session.chain(cable).transfer(frequencies).map_err(|error| error.to_string())?;
    Ok(values.iter().map(Complex64::norm_sqr).collect())
}

fn power(session: &Session, recipe: Recipe, frequencies: &[f64]) -> Result<Vec<f64>, String> {
    Ok(recipe.response(session, frequencies)?.iter().map(Complex64::norm_sqr).collect())
}

/// Frequencies in Hz at which sizes are held against [`MOST_DECIBELS`], up to half of a sample rate.
fn bounded_at(rate_hz: u32) -> Vec<f64> {
    const POINTS: usize = 400;
    let (lowest, highest) = (10.0_f64, f64::from(rate_hz) / 2.0);
    (0..POINTS).map(|point| lowest * (highest / lowest).powf(point as f64 / (POINTS - 1) as f64)).collect()
}

/// Refuses a range whose largest size would change the sound by more than [`MOST_DECIBELS`]; the message says how far it
/// may reach.
///
/// # Errors
/// As it says; a response that cannot be computed.
pub(super) fn check_range(session: &Session, comparison: &Comparison, rate_hz: u32) -> Result<(), String> {
    let Some(threshold) = session.threshold.filter(|threshold| threshold.scale.is_about_the_cables()) else {
        return Ok(());
    };
    let frequencies = bounded_at(rate_hz);
    let sizes = Sizes::new(session, comparison, threshold.scale, &frequencies)?;
    let largest = |size: f64| -> Result<f64, String> { Ok(sizes.at(size)?.largest_db()) };
    let at_top = largest(threshold.range.largest)?;
    if at_top <= MOST_DECIBELS {
        return Ok(());
    }
    // Halving, on the logarithm: the difference grows with the size.
    let (mut inside, mut outside) = (1e-3, threshold.range.largest);
    for _ in 0..40 {
        let middle = (inside * outside).sqrt();
        if largest(middle)? <= MOST_DECIBELS {
            inside = middle;
        } else {
            outside = middle;
        }
    }
    // Rounded down to two digits, so that what is typed is allowed.
    let step = 10.0_f64.powf(inside.log10().floor() - 1.0);
    let allowed = (inside / step).floor() * step;
    Err(format!(
        "[threshold] largest = {} changes the sound by up to {at_top}, and at most {MOST_DECIBELS} dB are allowed, for ears \
         and tweeters: the range can reach {allowed:.4}, so write largest = {allowed:.4} or less",
        threshold.range.largest,
        at_top = printed::fixed(at_top, 0, "dB")
    )
    .replace(".0000", ""))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn powers_scale_decibels_and_degrees_and_follow_the_phase_over_half_a_turn() {
        // A line of constant level difference and a phase that turns several times.
        let angle = |index: usize| 0.1 * index as f64;
        let a: Vec<Complex64> = (0..120).map(|index| Complex64::from_polar(1.1, angle(index))).collect();
        let b = vec![Complex64::new(1.0, 0.0); 120];
        for size in [0.0, 0.5, 1.0, 3.0] {
            for (index, value) in powers(&a, &b, size).into_iter().enumerate() {
                let expected = Complex64::from_polar(1.1_f64.powf(size), size * angle(index));
                assert!((value - expected).norm() < 1e-12, "{size} {index}: {value} {expected}");
            }
        }
    }
}
