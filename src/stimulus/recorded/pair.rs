//! Both recordings of a comparison held against each other, against what the circuit predicts, and against the same cable
//! recorded again.

use super::super::StimulusError;
use super::super::marks::{self, Expected, Mark, NOISE_BELOW_DB, Stretches, Usual};
use super::super::work::clip_error;
use super::{NOISE_WINDOW, Take};
use crate::clip::ClipError;
use crate::clip::parked::{Parked, Samples};
use crate::clip::welch::Welch;
use crate::hearing::difference::{gain_db, logarithmic};
use crate::hearing::weighting::erb_edges;
use crate::session::Session;
use crate::units::printed;

/// Window in samples of a sound's spectrum.
const WINDOW: usize = 8192;
/// A band counts where it stands so many dB out of the noise ...
const OUT_OF_NOISE_DB: f64 = 30.0;
/// ... and is within so many dB of the strongest one.
const WORTH_DB: f64 = 70.0;
/// Recorded and predicted differences that are farther apart than this in dB are worth a warning (common practice, no source).
pub const APART_DB: f64 = 0.1;
/// Noise so much louder on one side could betray it (common practice, no source).
pub(super) const NOISE_APART_DB: f64 = 1.0;
/// DC offsets that are farther apart than this share of full scale (-60 dB) could be heard when the sound is switched (common
/// practice, no source).
const OFFSETS_APART: f64 = 1e-3;
/// Blocks in which a dropout is looked for, in seconds; what it leaves of a block, and of the usual block.
const DROPOUT_BLOCK_S: f64 = 0.01;
const DROPOUT_SHARE: f64 = 0.3;
const DROPOUT_TIMES: f64 = 8.0;

/// A band of a recorded pair, as wide as the ear's.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct RecordedBand {
    /// Lower edge in Hz.
    pub from_hz: f64,
    /// Upper edge in Hz.
    pub to_hz: f64,
    /// Level of the recording of A over that of B in dB.
    pub recorded_db: f64,
    /// The same as the circuit predicts it.
    pub predicted_db: f64,
}

/// The recordings of a comparison on a clip, held against each other.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedPair {
    /// Index of the comparison.
    pub comparison: usize,
    /// Index of the clip.
    pub clip: usize,
    /// Bands that stand out of the noise.
    pub bands: Vec<RecordedBand>,
    /// Noise of A and of B in dBFS, where either could be measured.
    pub noise_dbfs: [Option<f64>; 2],
    /// By how much A is noisier than B in the band in which they differ most, in dB, and that band's middle in Hz, where the
    /// noise is loud enough to mind.
    pub noise_apart: Option<(f64, f64)>,
    /// What one of them holds and neither a filter nor repeating explains.
    pub mark: Option<Mark>,
    /// What marks were looked for against; `None` where nothing was there to hold them against.
    pub marks_against: Option<Usual>,
    /// The same between side A and side A recorded again, held against the noise in silence: what only one of those two holds
    /// would pass for usual.
    pub mark_of_repeat: Option<Mark>,
    /// Bits of the coarsest steps of A and of B, where they are not the same.
    pub grains: Option<[Option<u32>; 2]>,
    /// DC offset of A over that of B, full scale 1, where it could be heard.
    pub offset: Option<f64>,
}

/// Level in dB of the bins of a spectrum between two frequencies; the nearest bin of a narrow band.
fn level(power: &[f64], window: usize, rate: f64, from_hz: f64, to_hz: f64) -> f64 {
    let step = rate / window as f64;
    let first = ((from_hz / step).round() as usize).min(power.len() - 1);
    let last = ((to_hz / step).round() as usize).clamp(first + 1, power.len());
    10.0 * power[first..last].iter().sum::<f64>().max(1e-30).log10()
}

impl RecordedPair {
    /// Of two recordings on a clip, and side A recorded again, if it was.
    ///
    /// # Errors
    /// A reversed polarity on one side that nobody said anything of, a dropout, a circuit without an answer.
    pub(in crate::stimulus) fn of(
        session: &Session,
        (comparison, clip): (usize, usize),
        [a, b]: [&Take; 2],
        again: Option<&Take>,
    ) -> Result<Self, StimulusError> {
        let name = session.comparisons[comparison].name.as_written();
        let wrong = |message: String| StimulusError::Comparison { comparison: name.to_owned(), message };
        let unreadable = |error| clip_error(session, clip)(error);
        let (rate, one, other) = (f64::from(a.rate_hz), &*a.sound, &*b.sound);
        // The same cable twice is one pair more: a reversed polarity or a dropout is found in it.
        for second in again.into_iter().chain([b]) {
            alike(session, clip, a, second, &wrong)?;
        }
        let power = |samples: &Parked| {
            let mut welch = Welch::new(1, WINDOW);
            samples.each_block(|_, block| welch.push(&[block])).map_err(unreadable)?;
            Ok(welch.finish())
        };
        let (power_a, power_b) = (power(one)?, power(other)?);
        let edges = erb_edges(20.0, 20_000_f64.min(0.45 * rate));
        let strongest = edges
            .windows(2)
            .map(|edge| level(&power_a, WINDOW, rate, edge[0], edge[1]))
            .fold(f64::NEG_INFINITY, f64::max);
        let of_noise = |take: &Take, edge: &[f64]| {
            take.noise
                .as_ref()
                .map_or(-200.0, |noise| level(&noise.power, NOISE_WINDOW, rate, edge[0], edge[1]))
        };
        let (mut bands, mut noise_apart) = (Vec::new(), None::<(f64, f64)>);
        let chains = [session.chain(a.cable), session.chain(b.cable)];
        for edge in edges.windows(2) {
            let levels = [&power_a, &power_b].map(|power| level(power, WINDOW, rate, edge[0], edge[1]));
            let noises = [of_noise(a, edge), of_noise(b, edge)];
            let apart = noises[0] - noises[1];
            // Against the whole sound: noise is heard where the music is not.
            if a.noise.is_some()
                && b.noise.is_some()
                && noises[0].max(noises[1]) > strongest - NOISE_BELOW_DB
                && noise_apart.is_none_or(|(most, _)| apart.abs() > most.abs())
            {
                noise_apart = Some((apart, (edge[0] * edge[1]).sqrt()));
            }
            if levels[0] < strongest - WORTH_DB
                || levels[0].min(levels[1]) < noises[0].max(noises[1]) + OUT_OF_NOISE_DB
            {
                continue;
            }
            let within = logarithmic(edge[0], edge[1], 5);
            let gains = |chain: &crate::circuit::Chain| -> Result<f64, StimulusError> {
                let values = chain.transfer(&within).map_err(|error| wrong(error.to_string()))?;
                Ok(values.iter().map(|value| gain_db(*value)).sum::<f64>() / values.len() as f64)
            };
            bands.push(RecordedBand {
                from_hz: edge[0],
                to_hz: edge[1],
                recorded_db: levels[0] - levels[1],
                predicted_db: gains(&chains[0])? - gains(&chains[1])?,
            });
        }
        let noise_dbfs = [a, b].map(|take| take.noise.as_ref().map(|noise| noise.dbfs));
        let stretches = |samples: &Parked| Stretches::of(samples, rate, &edges).map_err(unreadable);
        let rest = |to: &Parked| stretches(&marks::rest(one, to).map_err(unreadable)?);
        // What noise alone leaves of the same sound twice, where both were recorded in silence too.
        let silence = |second: &Take| -> Option<Vec<f64>> {
            let linear = |take: &Take, edge: &[f64]| 10_f64.powf(of_noise(take, edge) / 10.0);
            let both = a.noise.is_some() && second.noise.is_some();
            both.then(|| edges.windows(2).map(|edge| linear(a, edge) + linear(second, edge)).collect())
        };
        let found =
            |second: &Parked, rest: &Stretches, expected: &Expected<'_>| -> Result<_, StimulusError> {
                Ok(marks::find(rest, &stretches(second)?, expected, rate, &edges))
            };
        let (mut mark, mut mark_of_repeat, mut marks_against) = (None, None, None);
        if let Some(again) = again {
            let repeats = rest(&again.sound)?;
            if let Some(noise) = silence(again) {
                mark_of_repeat = found(&again.sound, &repeats, &Expected::Silence(&noise))?;
            }
            mark = found(other, &rest(other)?, &Expected::Repeats(&repeats))?;
            marks_against = Some(Usual::Repeats);
        } else if let Some(noise) = silence(b) {
            mark = found(other, &rest(other)?, &Expected::Silence(&noise))?;
            marks_against = Some(Usual::Silence);
        }
        let offset = match (&a.noise, &b.noise) {
            (Some(a), Some(b)) if (a.offset - b.offset).abs() > OFFSETS_APART => Some(a.offset - b.offset),
            _ => None,
        };
        let grains = (a.grain != b.grain).then_some([a.grain, b.grain]);
        Ok(Self {
            comparison,
            clip,
            bands,
            noise_dbfs,
            noise_apart,
            mark,
            marks_against,
            mark_of_repeat,
            grains,
            offset,
        })
    }

    /// By how much recorded and predicted difference are apart on the average in dB, and the most that is left beside that,
    /// with the middle of its band in Hz; `None` where no band counts.
    pub fn apart(&self) -> Option<(f64, f64, f64)> {
        let errors = || self.bands.iter().map(|band| band.recorded_db - band.predicted_db);
        let mean = errors().sum::<f64>() / self.bands.len() as f64;
        let (band, most) = self
            .bands
            .iter()
            .zip(errors())
            .max_by(|a, b| (a.1 - mean).abs().total_cmp(&(b.1 - mean).abs()))?;
        Some((mean, most - mean, (band.from_hz * band.to_hz).sqrt()))
    }

    /// Recorded and predicted difference are this far apart in dB: worth a warning.
    pub(super) fn is_apart(by_db: f64) -> bool {
        by_db.abs() > APART_DB
    }

    /// Smallest and largest recorded difference in dB.
    pub fn range_db(&self) -> Option<(f64, f64)> {
        let values = || self.bands.iter().map(|band| band.recorded_db);
        (!self.bands.is_empty())
            .then(|| (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max)))
    }

    /// What the user should know, in sentences.
    pub(in crate::stimulus) fn notes(&self, session: &Session) -> Vec<String> {
        let (name, clip) = (
            session.comparisons[self.comparison].name.as_written(),
            session.clips[self.clip].name.as_written(),
        );
        let mut notes = Vec::new();
        if let (Some((least, most)), Some((mean, shape, at_hz))) = (self.range_db(), self.apart()) {
            let mut text = format!(
                "comparison \"{name}\" on clip \"{clip}\" plays recordings: A minus B is {least} to {most} in {} bands \
                 as wide as the ear's; what the circuit predicts is {mean} off on the average, and up to {} beside that \
                 (around {at_hz})",
                self.bands.len(),
                printed::decibels(shape.abs()),
                least = printed::signed_decibels(least),
                most = printed::signed_decibels(most),
                mean = printed::signed_decibels(mean),
                at_hz = printed::hertz(at_hz)
            );
            if Self::is_apart(mean) {
                text.push_str(
                    ". A volume or gain that was touched between the recordings makes such an offset",
                );
            }
            if Self::is_apart(shape) {
                text.push_str(". Either the circuit is described wrongly or the recordings differ by more than the cables");
            }
            notes.push(text);
        }
        if let Some((apart, at_hz)) = self.noise_apart.filter(|(apart, _)| apart.abs() > NOISE_APART_DB) {
            notes.push(format!(
                "comparison \"{name}\" on clip \"{clip}\": the recording of {} is noisier, by up to {} around {at_hz}, and \
                 noise alone could betray a side: record again with the same leads and gains, and with recording_again and \
                 identical controls, which test just that",
                if apart > 0.0 { "A" } else { "B" },
                printed::fixed(apart.abs(), 1, "dB"), at_hz = printed::hertz(at_hz)));
        }
        if let Some(mark) = &self.mark {
            notes.push(format!("comparison \"{name}\" on clip \"{clip}\": {}", mark.said()));
        }
        if let Some(mark) = &self.mark_of_repeat {
            notes.push(format!(
                "comparison \"{name}\" on clip \"{clip}\", cable A and cable A recorded again: {}",
                mark.said()
            ));
        }
        if self.marks_against.is_none() {
            notes.push(format!(
                "comparison \"{name}\" on clip \"{clip}\": nothing is there to hold marks in the recordings against, so nobody \
                 looked for them. Record half a second of silence before the clip, or cable A once more (recording_again)"
            ));
        }
        if let Some(grains) = self.grains {
            let [a, b] = grains.map(|bits| bits.map_or("more than 24".to_owned(), |bits| bits.to_string()));
            notes.push(format!(
                "comparison \"{name}\" on clip \"{clip}\": the recording of A has steps of {a} bits and that of B of {b}: rounding \
                 alone could betray a side. Record both in the same format"
            ));
        }
        if let Some(offset) = self.offset {
            notes.push(format!(
                "comparison \"{name}\" on clip \"{clip}\": the DC offsets of the two recordings are {} of full scale apart, and a \
                 switch between them could click. Record both again through the same input",
                printed::fixed(100.0 * offset.abs(), 2, "%")
            ));
        }
        notes
    }
}

/// Refuses a second recording on a clip that is not the same sound as the first.
fn alike(
    session: &Session,
    clip: usize,
    a: &Take,
    b: &Take,
    wrong: &dyn Fn(String) -> StimulusError,
) -> Result<(), StimulusError> {
    if a.turned != b.turned {
        let (reversed, other) = if a.turned { (a, b) } else { (b, a) };
        return Err(wrong(format!(
            "the polarity of {} is reversed against {}, as if + and - were swapped at one end or at the probe; record it again, or \
             write recording_polarity = \"corrected\" in [cables.{}] to turn it round, or \"inverted\" to play it so",
            reversed.name,
            other.name,
            session.cables[reversed.cable].name.as_written()
        )));
    }
    let rate = f64::from(a.rate_hz);
    let Some(at) = dropout(&*a.sound, &*b.sound, rate).map_err(clip_error(session, clip))? else {
        return Ok(());
    };
    Err(wrong(format!(
        "{} and {} differ by more than cables do, first {} into clip \"{}\": a dropout in one of them, another volume, or \
         another sound. Close other programs, touch no control, and record both again",
        a.name,
        b.name,
        printed::fixed(at as f64 / rate, 2, "s"),
        session.clips[clip].name.as_written()
    )))
}

/// Where two recordings, of either polarity, begin to differ by more than cables do, in samples.
fn dropout<S: Samples + ?Sized>(one: &S, other: &S, rate: f64) -> Result<Option<usize>, ClipError> {
    let block = ((DROPOUT_BLOCK_S * rate) as usize).max(1);
    let frames = one.frames().min(other.frames());
    // Sums of a block: one by itself, the other by itself, one by the other.
    let mut sums = Vec::with_capacity(frames / block + 1);
    let (mut own, mut its) = (vec![0.0; block], vec![0.0; block]);
    for start in (0..frames).step_by(block) {
        one.copy(start as i64, &mut own)?;
        other.copy(start as i64, &mut its)?;
        let add = |sum: [f64; 3], (a, b): (&f64, &f64)| [sum[0] + a * a, sum[1] + b * b, sum[2] + a * b];
        sums.push(own.iter().zip(&its).fold([0.0; 3], add));
    }
    let sign = sums.iter().map(|sum| sum[2]).sum::<f64>().signum();
    let of = |[a, b, both]: &[f64; 3]| ((a + b - 2.0 * sign * both).max(0.0).sqrt(), a.max(*b).sqrt());
    let blocks: Vec<(f64, f64)> = sums.iter().map(of).collect();
    let mut loud: Vec<f64> = blocks.iter().map(|(_, own)| *own).collect();
    loud.sort_by(f64::total_cmp);
    // Quiet blocks hold noise, which is never the same twice.
    let enough = 0.03 * loud[(loud.len() - 1) * 95 / 100];
    let mut shares: Vec<f64> =
        blocks.iter().filter(|(_, own)| *own > enough).map(|(minus, own)| minus / own).collect();
    shares.sort_by(f64::total_cmp);
    let usual = shares.get(shares.len() / 2).copied().unwrap_or(0.0);
    let limit = if usual > DROPOUT_SHARE { 0.0 } else { DROPOUT_SHARE.max(DROPOUT_TIMES * usual) };
    Ok(blocks.iter().position(|(minus, own)| *own > enough && minus / own > limit).map(|at| at * block))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dropout_is_told_where_it_is_at_a_rate_of_no_whole_blocks() {
        // A hundredth of a second is 110.25 samples, and after a minute the quarters are 136 ms.
        const RATE: f64 = 11_025.0;
        let sound: Vec<f64> = (0..670_000).map(|n| (0.1 * f64::from(n)).sin()).collect();
        let mut lost = sound.clone();
        lost[660_000..660_400].fill(0.0);
        let at = dropout(&sound[..], &lost[..], RATE).expect("memory").expect("a dropout");
        assert!((659_890..=660_000).contains(&at), "{at}");
        assert_eq!(dropout(&sound[..], &sound[..], RATE).expect("memory"), None);
    }
}
