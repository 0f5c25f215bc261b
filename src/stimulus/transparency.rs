//! The proof that the sound path adds nothing of its own: renders, measures what was rendered, compares.
//!
//! Three proofs. *Direct*: each clip through a direct cable on an amplifier without output resistance comes out with
//! every bit it went in with, but for the stated fades, gain and dither. *Sides*: a sweep through each side's filter,
//! deconvolved, against H itself. *Pairs*: the finished stimuli of each comparison: how far apart in time, how far apart
//! in level, and what word lengths resolve of that.

use num_complex::Complex64;

use serde::Serialize;

use super::plan::{Count, render_direct};
use super::resolution::{Resolved, resolve};
use super::sides::cable_filter;
use super::{PairKind, Progress, StimulusError, survey};
use crate::circuit::{Amplifier, Cable, Chain};
use crate::clip::OpenClip;
use crate::clip::dither::{Dither, WordLength};
use crate::clip::fade::Fades;
use crate::clip::fourier::spectrum;
use crate::filter::{Convolver, Fir, PASS_BAND_FRACTION, design};
use crate::session::Session;
use crate::units::printed;

/// Largest error of magnitude that is let pass, in dB.
pub const ALLOWED_DB: f64 = 0.001;
/// Largest error of phase that is let pass, in degrees.
pub const ALLOWED_DEGREES: f64 = 0.01;
/// Length of the measuring sweep in seconds.
const SWEEP_SECONDS: f64 = 3.0;
/// Level of the sweep.
const SWEEP_LEVEL: f64 = 0.5;

/// A clip through a direct cable.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DirectProof {
    /// The clip's name.
    pub clip: String,
    /// Samples compared.
    pub samples: u64,
    /// Of these, samples that are not the clip's sample times the stated fade, to the last bit of a 32-bit float.
    #[serde(rename = "different_samples")]
    pub different: u64,
    /// Of these, samples that are not the clip's sample plus the stated dither, rounded, in 16 bits.
    #[serde(skip)]
    pub different_16: u64,
    /// The same in 24 bits.
    #[serde(skip)]
    pub different_24: u64,
}

/// A side's filter, measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SideProof {
    /// The cable's name.
    pub cable: String,
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Taps of the filter.
    #[serde(rename = "filter_taps")]
    pub taps: usize,
    /// Largest error of magnitude in dB, 10 Hz to 20 kHz (or 0.45 of the rate).
    pub error_db: f64,
    /// Where it is, in Hz.
    pub error_at_hz: f64,
    /// Largest error of phase in degrees in the same band.
    #[serde(rename = "error_deg")]
    pub error_degrees: f64,
    /// Largest magnitude between 0.45 of the rate and half of it, in dB.
    pub above_band_db: f64,
    /// Level of what rounding to 32-bit float added to the sweep, in dB relative to a full-scale sine.
    pub noise_floor_db: f64,
}

/// The finished stimuli of a comparison on a clip.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PairProof {
    /// The comparison's name.
    pub comparison: String,
    /// The clip's name.
    pub clip: String,
    /// Side B minus side A, in samples: where their cross-correlation is largest.
    #[serde(rename = "latency_difference_samples")]
    pub latency_difference: i64,
    /// What the two responses themselves say that it is: the delay that a session keeps on purpose.
    #[serde(skip)]
    pub expected_latency: i64,
    /// The cables whose measured response keeps a delay or a reversed polarity, and which.
    #[serde(skip)]
    pub causes: Vec<String>,
    /// Level of A minus B, sample by sample, in dB relative to a full-scale sine; `None` where they are equal.
    pub difference_db: Option<f64>,
    /// Largest difference of the two responses in dB, 20 Hz to 20 kHz.
    pub response_difference_db: f64,
    /// Both sides have the same bytes.
    pub identical: bool,
    /// What 16 bits, 24 bits and 32-bit float resolve of the difference.
    #[serde(skip)]
    pub resolved: Vec<Resolved>,
}

/// The whole proof.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct TransparencyReport {
    /// Each clip through a direct cable.
    pub direct: Vec<DirectProof>,
    /// Each cable that is used, at each rate.
    pub sides: Vec<SideProof>,
    /// Each comparison on each clip.
    pub pairs: Vec<PairProof>,
    /// What the user should know.
    pub notes: Vec<String>,
}

impl PairProof {
    /// The sides are together, or apart by the delay that a response keeps on purpose, to the next sample.
    fn is_in_time(&self) -> bool {
        let off = self.latency_difference - self.expected_latency;
        off == 0 || self.expected_latency != 0 && off.abs() == 1
    }
}

impl TransparencyReport {
    /// Nothing was found that the sound path would have to be blamed for.
    pub fn passed(&self) -> bool {
        let direct =
            self.direct.iter().all(|proof| proof.different + proof.different_16 + proof.different_24 == 0);
        let sides = self
            .sides
            .iter()
            .all(|proof| proof.error_db <= ALLOWED_DB && proof.error_degrees <= ALLOWED_DEGREES);
        direct && sides && self.pairs.iter().all(PairProof::is_in_time)
    }

    /// The proof in lines for people: three parts and a result. Levels are in dBFS: a full-scale sine is 0 dBFS (AES17).
    pub fn lines(&self) -> Vec<String> {
        let mut lines =
            vec!["Direct cable: what comes out is what went in, but for the fades at both ends".to_owned()];
        for proof in &self.direct {
            lines.push(format!(
                "  {}: of {} samples {} differ as 32-bit float; {} as 24 bit and {} as 16 bit, their dither apart",
                proof.clip, proof.samples, proof.different, proof.different_24, proof.different_16
            ));
        }
        lines.push("Filters: a sweep sent through each, against the response it is made from".to_owned());
        for proof in &self.sides {
            let edge = highest(proof.rate_hz) / 1000.0;
            lines.push(format!(
                "  {} at {} Hz: off by at most {} (at {}) and {} from 10 Hz to {edge}",
                proof.cable,
                proof.rate_hz,
                printed::fixed(proof.error_db, 6, "dB"),
                printed::hertz(proof.error_at_hz),
                printed::fixed(proof.error_degrees, 5, "degree"),
                edge = printed::fixed(edge, 1, "kHz")
            ));
            lines.push(format!(
                "    {} taps; gain above {} at most {}; noise of 32-bit float {}",
                proof.taps,
                printed::fixed(PASS_BAND_FRACTION * f64::from(proof.rate_hz) / 1000.0, 1, "kHz"),
                printed::decibels(proof.above_band_db),
                printed::fixed(proof.noise_floor_db, 0, "dBFS")
            ));
        }
        lines.push("Stimuli: side A against side B, as they are played".to_owned());
        for proof in &self.pairs {
            let difference = proof.difference_db.map_or_else(
                || "A minus B is silence".into(),
                |level| format!("A minus B is a signal of {level}", level = printed::fixed(level, 1, "dBFS")),
            );
            lines.push(format!(
                "  {} on {}: latency difference {} samples; responses up to {} apart; {difference}",
                proof.comparison,
                proof.clip,
                proof.latency_difference,
                printed::fixed(proof.response_difference_db, 3, "dB")
            ));
            for cause in &proof.causes {
                lines.push(format!("    {cause}"));
            }
            for resolved in &proof.resolved {
                if resolved.could_hide {
                    lines.push(format!(
                        "    caution: {} samples could hide it: the difference stands at most {} out of the noise, and \
                         below it in {} of {} bands",
                        resolved.word,
                        printed::fixed(resolved.best_margin_db, 1, "dB"),
                        resolved.bands_below,
                        resolved.bands
                    ));
                }
            }
        }
        let result = if self.passed() { "Passed" } else { "FAILED" };
        lines.push(format!(
            "{result}: allowed are 0 different samples, {ALLOWED_DB} dB, {ALLOWED_DEGREES} degree and no latency difference but \
             what the responses keep on purpose"
        ));
        lines
    }
}

fn highest(rate_hz: u32) -> f64 {
    20_000_f64.min(PASS_BAND_FRACTION * f64::from(rate_hz))
}

/// Proves the sound path of a session.
///
/// # Errors
/// As [`prepare`](super::prepare).
pub fn prove(session: &Session, progress: &dyn Progress) -> Result<TransparencyReport, StimulusError> {
    let mut report = TransparencyReport::default();
    let used: Vec<usize> = {
        let mut clips: Vec<usize> =
            session.comparisons.iter().flat_map(|comparison| comparison.clips.clone()).collect();
        clips.sort_unstable();
        clips.dedup();
        clips
    };
    let mut rates = Vec::new();
    for clip in used {
        let proof = direct(session, clip, progress, &mut rates)?;
        report.direct.push(proof);
    }
    rates.sort_unstable();
    rates.dedup();
    let mut cables: Vec<usize> =
        // Of a comparison that plays nothing but recordings, no filter is heard.
        session.comparisons.iter().filter(|own| is_filtered(session, own)).flat_map(|own| [own.a, own.b]).collect();
    cables.sort_unstable();
    cables.dedup();
    let total = (cables.len() * rates.len()) as u64;
    for (index, (&cable, &rate)) in
        cables.iter().flat_map(|cable| rates.iter().map(move |rate| (cable, rate))).enumerate()
    {
        progress.step(index as u64, total, "measuring filters");
        report.sides.push(side(session, cable, rate)?);
    }
    let survey = survey(session, progress)?;
    for pair in survey.differences(true, progress)? {
        let PairKind::Comparison { comparison, clip } = pair.kind else { continue };
        let (response_difference_db, mut delay_s) = response_difference(session, comparison)?;
        let recorded = session.recordings(&session.comparisons[comparison], clip).is_some();
        if recorded {
            delay_s = 0.0;
        }
        report.pairs.push(PairProof {
            expected_latency: -(delay_s * f64::from(pair.rate_hz)).round() as i64,
            causes: if recorded { Vec::new() } else { causes(session, comparison) },
            comparison: session.comparisons[comparison].name.as_written().to_owned(),
            clip: session.clips[clip].name.as_written().to_owned(),
            latency_difference: pair.latency.unwrap_or(0),
            difference_db: pair.difference_db,
            response_difference_db,
            identical: pair.identical,
            resolved: [WordLength::Bits16, WordLength::Bits24, WordLength::Float32]
                .into_iter()
                .map(|word| resolve(&pair.bands, word, pair.rate_hz))
                .collect(),
        });
    }
    report.notes = survey.notes().to_vec();
    Ok(report)
}

/// Whether some clip of a comparison is filtered, and not recorded.
fn is_filtered(session: &Session, comparison: &crate::session::Comparison) -> bool {
    comparison.clips.iter().any(|clip| session.recordings(comparison, *clip).is_none())
}

/// Renders a clip through a direct cable by the path that renders everything, and compares every sample.
fn direct(
    session: &Session,
    clip: usize,
    progress: &dyn Progress,
    rates: &mut Vec<u32>,
) -> Result<DirectProof, StimulusError> {
    let name = session.clips[clip].name.as_written();
    let wrong = |message: String| StimulusError::Clip { clip: name.to_owned(), message };
    let opened = OpenClip::open(&session.clips[clip].source).map_err(|error| wrong(error.0))?;
    let info = opened.info().clone();
    rates.push(info.rate_hz);
    let chain = Chain {
        amplifier: Amplifier::lumped(0.0, 0.0),
        cable: Cable::Direct,
        loudspeaker: session.loudspeaker.clone(),
    };
    let response = |frequencies: &[f64]| chain.transfer(frequencies).map_err(|error| error.to_string());
    let fir = design(&response, info.rate_hz).map_err(|error| wrong(error.to_string()))?;
    let mut reader = opened.reader().map_err(|error| wrong(error.0))?;
    let fades = Fades::new(info.frames, info.rate_hz);
    let dither = Dither::new(clip as u64);
    let mut proof =
        DirectProof { clip: name.to_owned(), samples: 0, different: 0, different_16: 0, different_24: 0 };
    let mut position = 0_u64;
    render_direct(
        &opened,
        fir,
        &Count::new(progress, info.frames),
        &format!("rendering {name} direct"),
        &mut |block| {
            let originals = reader.read(block.frames())?;
            for (channel, (rendered, original)) in block.sides[0].iter().zip(&originals).enumerate() {
                for (i, (rendered, original)) in rendered.iter().zip(original).enumerate() {
                    let frame = position + i as u64;
                    let expected = original * fades.gain(frame);
                    proof.samples += 1;
                    proof.different += u64::from(*rendered as f32 != expected as f32);
                    for (bits, count) in [(16, &mut proof.different_16), (24, &mut proof.different_24)] {
                        let scale = f64::from(1_u32 << (bits - 1));
                        let written = f64::from(dither.quantise(*rendered, bits, channel, frame));
                        let stated =
                            (expected * scale + dither.at(channel, frame)).clamp(-scale, scale - 1.0);
                        *count += u64::from((written - stated).abs() > 0.5 + 1e-6);
                    }
                }
            }
            position += block.frames() as u64;
            Ok(())
        },
    )
    .map_err(|error| wrong(error.0))?;
    Ok(proof)
}

/// A sweep over all frequencies below half the rate (Farina 2000, AES 108th Convention), in double precision.
fn sweep(rate: f64, frames: usize) -> Vec<f64> {
    let (low, high) = (4.0, rate / 2.0);
    let seconds = frames as f64 / rate;
    let ratio = (high / low).ln();
    let scale = std::f64::consts::TAU * low * seconds / ratio;
    (0..frames).map(|i| SWEEP_LEVEL * (scale * (i as f64 / rate * ratio / seconds).exp_m1()).sin()).collect()
}

/// Measures a side's filter with a sweep that goes the way of every stimulus, to 32-bit float and back.
fn side(session: &Session, cable: usize, rate_hz: u32) -> Result<SideProof, StimulusError> {
    let fir = cable_filter(session, cable, rate_hz)?;
    let rate = f64::from(rate_hz);
    let frames = (SWEEP_SECONDS * rate) as usize;
    // Silence on both sides holds everything that the filter does ahead of and after the sweep.
    let lead = (-fir.start).max(0) as usize;
    let length = lead + frames + fir.taps.len() + fir.start.unsigned_abs() as usize;
    let mut input = vec![0.0; length];
    input[lead..lead + frames].copy_from_slice(&sweep(rate, frames));
    let output = {
        let mut convolver = Convolver::new(&[&fir], 1);
        let mut output = convolver.push(std::slice::from_ref(&input));
        output.extend(&convolver.finish());
        output.sides.remove(0).remove(0)
    };
    let rounded: Vec<f64> = output.iter().map(|sample| f64::from(*sample as f32)).collect();
    let noise = output.iter().zip(&rounded).map(|(a, b)| (a - b).powi(2)).sum::<f64>() / length as f64;
    let period = length.next_power_of_two();
    let (before, after) = (spectrum(&input, period), spectrum(&rounded, period));
    let bin = rate / period as f64;
    let (first, last) = ((10.0 / bin).ceil() as usize, (highest(rate_hz) / bin) as usize);
    let frequencies: Vec<f64> = (first..=last).map(|k| k as f64 * bin).collect();
    let exact = exact_response(session, cable, &frequencies)?;
    let mut proof = SideProof {
        cable: session.cables[cable].name.as_written().to_owned(),
        rate_hz,
        taps: fir.taps.len(),
        error_db: 0.0,
        error_at_hz: 0.0,
        error_degrees: 0.0,
        above_band_db: above_band(&fir),
        noise_floor_db: 10.0 * (2.0 * noise).log10(),
    };
    for ((k, frequency), exact) in (first..=last).zip(&frequencies).zip(&exact) {
        let ratio = after[k] / before[k] / exact;
        let error = (20.0 * ratio.norm().log10()).abs();
        if error > proof.error_db {
            (proof.error_db, proof.error_at_hz) = (error, *frequency);
        }
        proof.error_degrees = proof.error_degrees.max(ratio.arg().to_degrees().abs());
    }
    Ok(proof)
}

/// H at many frequencies: evaluated where it bends, interpolated in between, as for the filters but on its own grid.
fn exact_response(
    session: &Session,
    cable: usize,
    frequencies: &[f64],
) -> Result<Vec<Complex64>, StimulusError> {
    let wrong = |message: String| StimulusError::Cable {
        cable: session.cables[cable].name.as_written().to_owned(),
        message,
    };
    let chain = session.chain(cable);
    // A few thousand frequencies straight from the circuit are measure enough; in between H is as smooth as its errors.
    let most = 4_000;
    if frequencies.len() <= most {
        return chain.transfer(frequencies).map_err(|error| wrong(error.to_string()));
    }
    let highest_hz = frequencies.last().copied().unwrap_or(1.0) * 1.01;
    let sampled = crate::filter::Sampled::new(
        &|some: &[f64]| chain.transfer(some).map_err(|error| error.to_string()),
        highest_hz,
    )
    .map_err(|error| wrong(error.to_string()))?;
    let step = frequencies.len() / most + 1;
    let checked: Vec<f64> = frequencies.iter().copied().step_by(step).collect();
    let straight = chain.transfer(&checked).map_err(|error| wrong(error.to_string()))?;
    let mut values: Vec<Complex64> = frequencies.iter().map(|frequency| sampled.at(*frequency)).collect();
    for (value, exact) in values.iter_mut().step_by(step).zip(straight) {
        *value = exact;
    }
    Ok(values)
}

/// Largest magnitude of a filter between 0.45 of the rate and half of it, in dB.
fn above_band(fir: &Fir) -> f64 {
    let period = (2 * fir.taps.len()).next_power_of_two().max(4096);
    let bins = spectrum(&fir.taps, period);
    let first = (PASS_BAND_FRACTION * period as f64) as usize;
    let largest = bins[first..].iter().map(|bin| bin.norm()).fold(0.0, f64::max);
    20.0 * largest.log10()
}

/// Why the two sides of a comparison are apart in time or reversed: what their responses keep on purpose.
fn causes(session: &Session, comparison: usize) -> Vec<String> {
    let comparison = &session.comparisons[comparison];
    let mut causes = Vec::new();
    for cable in [comparison.a, comparison.b] {
        let known = &session.cables[cable].cable;
        let bare = if let Cable::Toleranced(toleranced) = known { &toleranced.cable } else { known };
        let Cable::Response(response) = bare else { continue };
        let (name, excess) = (session.cables[cable].name.as_written(), response.excess());
        if response.delay_kept && excess.delay_s != 0.0 {
            causes.push(format!(
                "{name} keeps its delay of {}: delay = \"kept\"",
                printed::fixed(1e3 * excess.delay_s, 3, "ms")
            ));
        }
        if response.polarity_kept && excess.inverted {
            causes.push(format!("{name} keeps its reversed polarity: polarity = \"inverted\""));
        }
    }
    causes
}

/// Largest difference of the responses in dB, and the delay of A against B in seconds.
fn response_difference(session: &Session, comparison: usize) -> Result<(f64, f64), StimulusError> {
    let comparison = &session.comparisons[comparison];
    let wrong = |error: crate::circuit::CircuitError| StimulusError::Comparison {
        comparison: comparison.name.as_written().to_owned(),
        message: error.to_string(),
    };
    crate::hearing::Summary::between(&session.chain(comparison.a), &session.chain(comparison.b))
        .map(|summary| (summary.max_abs_db, summary.delay_s))
        .map_err(wrong)
}
