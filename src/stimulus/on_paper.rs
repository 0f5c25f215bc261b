//! What the sizes of a threshold are on paper: decibels on each clip, metres of cable, and what a published model expects.

use std::collections::BTreeMap;

use super::sizes::Sizes;
use crate::hearing::difference::logarithmic;
use crate::hearing::{Ears, Excitation, Expected, OnClip, Spectrum};
use crate::session::{Comparison, Levels, Scale, Session};

/// Frequencies on which the largest difference is looked for.
const POINTS: usize = 121;
/// Longest cable in metres that is looked at: beyond, nobody connects a loudspeaker.
const LONGEST_M: f64 = 10_000.0;

/// What sizes of one comparison are, over rising sizes; between them on the logarithm of both.
#[derive(Debug, Clone, PartialEq)]
pub struct SizesOnPaper {
    /// What a size is a size of.
    pub scale: Scale,
    /// Both cables by name, with their real lengths in metres where these are known.
    pub cables: [(String, Option<f64>); 2],
    /// Largest difference in dB, 20 Hz to 20 kHz, at each size.
    largest_db: Vec<(f64, f64)>,
    /// Largest difference in dB as a function of the length of both cables, in multiples of the real ones.
    by_length: Vec<(f64, f64)>,
    /// Of each clip that is not silent.
    pub clips: Vec<ClipOnPaper>,
}

/// The same on one clip.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipOnPaper {
    /// The clip's name.
    pub clip: String,
    /// Largest difference in one auditory band, in dB, at each size, at equal loudness where levels are matched.
    band_db: Vec<(f64, f64)>,
    /// Centre of that band at the largest of the sizes, in Hz.
    pub band_hz: f64,
    /// The size at which the model expects the difference to be just heard ([`Excitation`]).
    pub expected: Option<Expected>,
}

impl SizesOnPaper {
    /// Of a comparison, at rising sizes.
    ///
    /// # Errors
    /// A response that cannot be computed, a length that is not known, a clip that cannot be read.
    pub fn of(
        session: &Session,
        comparison: &Comparison,
        scale: Scale,
        sizes: &[f64],
        ears: &mut Ears,
    ) -> Result<Self, String> {
        let grid = logarithmic(20.0, 20_000.0, POINTS);
        let paper = Sizes::new(session, comparison, scale, &grid)?;
        let largest_db = sizes
            .iter()
            .map(|size| Ok((*size, paper.at(*size)?.largest_db())))
            .collect::<Result<Vec<_>, String>>()?;
        let most = largest_db.iter().fold(0.0_f64, |most, (_, decibels)| most.max(*decibels));
        let lengths = [comparison.a, comparison.b].map(|cable| session.cables[cable].cable.length_m());
        let by_length = match (scale, lengths) {
            (Scale::Multiple, [Some(a), Some(b)]) if a.max(b) > 0.0 => {
                let paper = Sizes::new(session, comparison, Scale::Length, &grid)?;
                ladder(&paper, most, LONGEST_M / a.max(b))?
            }
            _ => Vec::new(),
        };
        let name = |cable: usize| session.cables[cable].name.as_written().to_owned();
        Ok(Self {
            scale,
            cables: [(name(comparison.a), lengths[0]), (name(comparison.b), lengths[1])],
            largest_db,
            by_length,
            clips: clips(session, comparison, scale, sizes, ears)?,
        })
    }

    /// Largest difference in dB at a size.
    pub fn largest_db(&self, size: f64) -> Option<f64> {
        between(&self.largest_db, size)
    }

    /// Lengths in metres of both cables that differ as much as a size does; `None` where lengths are not known, or none up to
    /// 10 km does.
    pub fn lengths_m(&self, size: f64) -> Option<(f64, f64)> {
        let [(_, a), (_, b)] = self.cables;
        let (a, b) = (a?, b?);
        let factor = match self.scale {
            Scale::Length => size,
            Scale::Multiple if self.by_length.is_empty() => return None,
            Scale::Multiple => inverse(&self.by_length, self.largest_db(size)?)?,
            Scale::Level | Scale::Tilt => return None,
        };
        Some((a * factor, b * factor))
    }
}

impl ClipOnPaper {
    /// Largest difference in one auditory band, in dB, at a size.
    pub fn band_db(&self, size: f64) -> Option<f64> {
        between(&self.band_db, size)
    }
}

/// Largest differences over the length of both cables, until they reach a goal.
fn ladder(paper: &Sizes<'_>, goal: f64, longest: f64) -> Result<Vec<(f64, f64)>, String> {
    const STEP: f64 = 1.5;
    const SHORTEST: f64 = 0.1;
    let mut rungs = Vec::new();
    let mut factor = SHORTEST;
    loop {
        let decibels = paper.at(factor)?.largest_db();
        rungs.push((factor, decibels));
        if decibels >= goal || factor > longest {
            return Ok(rungs);
        }
        factor *= STEP;
    }
}

/// Each clip of a comparison that is not silent.
fn clips(
    session: &Session,
    comparison: &Comparison,
    scale: Scale,
    sizes: &[f64],
    ears: &mut Ears,
) -> Result<Vec<ClipOnPaper>, String> {
    let matched = session.levels == Levels::Matched;
    let mut found = Vec::new();
    // Clips of one rate share their frequencies, and so the solved cables.
    let mut by_rate: BTreeMap<u64, Vec<(String, Spectrum)>> = BTreeMap::new();
    for &index in &comparison.clips {
        let clip = &session.clips[index];
        let spectrum = ears.spectrum((index, &clip.source)).map_err(|error| error.to_string())?.coarser();
        let rate = spectrum.frequency_hz.last().copied().unwrap_or(0.0).to_bits();
        by_rate.entry(rate).or_default().push((clip.name.as_written().to_owned(), spectrum));
    }
    for spectra in by_rate.into_values() {
        let frequencies = spectra[0].1.frequency_hz.clone();
        let paper = Sizes::new(session, comparison, scale, &frequencies)?;
        let solved = sizes.iter().map(|size| paper.power(*size)).collect::<Result<Vec<_>, _>>()?;
        for (clip, spectrum) in spectra {
            let bands: Vec<(f64, f64, f64)> = sizes
                .iter()
                .zip(&solved)
                .filter_map(|(size, [a, b])| {
                    let on_clip = OnClip::of(a, b, &spectrum)?;
                    let (decibels, hz) = if matched {
                        (on_clip.matched_band_db, on_clip.matched_band_hz)
                    } else {
                        (on_clip.band_db, on_clip.band_hz)
                    };
                    Some((*size, decibels.abs(), hz))
                })
                .collect();
            let Some((_, _, band_hz)) = bands.last().copied() else { continue };
            let band_db = bands.into_iter().map(|(size, decibels, _)| (size, decibels)).collect();
            let expected = match Excitation::of(&spectrum) {
                Some(model) => Excitation::expected(|size| {
                    paper.power(size).map(|[a, b]| model.change(&a, &b, matched))
                })?,
                None => None,
            };
            found.push(ClipOnPaper { clip, band_db, band_hz, expected });
        }
    }
    Ok(found)
}

/// The value at `x` of a curve over rising, positive x: straight on both logarithms between its points and beyond them.
fn between(curve: &[(f64, f64)], x: f64) -> Option<f64> {
    let next = curve.partition_point(|(at, _)| *at < x).clamp(1, curve.len().saturating_sub(1).max(1));
    let ((x0, y0), (x1, y1)) = (*curve.get(next - 1)?, *curve.get(next).or(curve.last())?);
    if x0 == x1 || y0 <= 0.0 || y1 <= 0.0 {
        return Some(y0);
    }
    Some((y0.ln() + (y1 / y0).ln() * (x / x0).ln() / (x1 / x0).ln()).exp())
}

/// The first x at which a curve reaches a value; `None` if it does not.
fn inverse(curve: &[(f64, f64)], value: f64) -> Option<f64> {
    let next = curve.iter().position(|(_, y)| *y >= value)?;
    let (x1, y1) = curve[next];
    let Some(&(x0, y0)) = next.checked_sub(1).map(|before| &curve[before]) else {
        // Below the shortest it is taken to be in proportion.
        return (y1 > 0.0).then(|| x1 * value / y1);
    };
    if y0 <= 0.0 {
        return Some(x1);
    }
    Some((x0.ln() + (x1 / x0).ln() * (value / y0).ln() / (y1 / y0).ln()).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn curves_are_read_between_their_points_and_backwards() {
        let curve: Vec<(f64, f64)> = [0.5, 1.0, 2.0, 4.0].map(|x: f64| (x, 0.3 * x.powf(1.2))).to_vec();
        for x in [0.25, 0.7, 1.0, 3.0, 6.0] {
            let y = between(&curve, x).expect("a curve");
            assert!((y / (0.3 * x.powf(1.2)) - 1.0).abs() < 1e-12, "{x} {y}");
        }
        let y = 0.3 * 1.7_f64.powf(1.2);
        assert!((inverse(&curve, y).expect("reached") / 1.7 - 1.0).abs() < 1e-12);
        assert_eq!(inverse(&curve, 9.0), None);
        assert_eq!(between(&[], 1.0), None);
    }
}
