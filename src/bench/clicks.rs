//! What a switch sounds like: whether a microphone at the listener's place can tell from the sound of a relay what it connected.
//!
//! Comes in: recordings of equal length, each of connecting and disconnecting one position. Goes out: whether those of the
//! two positions differ by more than those of one do. Their levels in third-octave bands are compared, and every way in
//! which the recordings could have been named is looked at (a permutation test), so nothing is assumed of noise.

use std::time::Duration;

use super::BenchError;
use crate::clip::spectrum::Spectrum;
use crate::player::record::{Recorder, record};

/// Most recordings of both positions: all ways to call some of them the first position's are looked at.
const MOST_RECORDINGS: usize = 16;
/// What a level is trusted with at best, in dB: no few recordings that happen to agree make a difference of less.
const TRUSTED_DB: f64 = 0.1;
/// Softest level in a band, in dB: digital silence.
const SILENCE_DB: f64 = -160.0;
const RATE_HZ: u32 = 48_000;
/// How often a microphone is asked for what it has heard, and how often in vain at most.
const LOOK: Duration = Duration::from_millis(20);
const MOST_LOOKS: u32 = 500;

/// How far the sounds of two positions are apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clicks {
    /// Recordings of each position.
    pub recordings: (usize, usize),
    /// Level of the first position less that of the second, in dB, in the band that tells them apart best.
    pub apart_db: f64,
    /// Centre of that band in Hz.
    pub at_hz: f64,
    /// Share of all ways to name the recordings that set them apart at least as far.
    pub p_value: f64,
}

/// Compares recordings of two positions.
///
/// # Errors
/// Fewer than two recordings of either, or more than can be named in all ways.
pub fn clicks(one: &[Vec<f64>], two: &[Vec<f64>], rate_hz: u32) -> Result<Clicks, BenchError> {
    let count = one.len() + two.len();
    if one.len() < 2 || two.len() < 2 || count > MOST_RECORDINGS {
        return Err(BenchError(format!(
            "two recordings or more of each position are compared, {MOST_RECORDINGS} in all at most; there are {} and {}",
            one.len(),
            two.len()
        )));
    }
    let spectrum = |sound: &Vec<f64>| {
        let mut spectrum = Spectrum::new(1, rate_hz);
        spectrum.push(&[sound]);
        spectrum.finish()
    };
    let levels: Vec<Vec<(f64, f64)>> = one.iter().chain(two).map(spectrum).collect();
    // Of a way to name them: in the band that tells them apart best, how far in units of what repeats differ, and where.
    let apart = |is_one: &dyn Fn(usize) -> bool| -> (f64, f64, f64) {
        let of_band = |band: usize| {
            let group = |wanted: bool| {
                let own = (0..count).filter(|index| is_one(*index) == wanted);
                let own: Vec<f64> = own.map(|index| levels[index][band].1.max(SILENCE_DB)).collect();
                let mean = own.iter().sum::<f64>() / own.len() as f64;
                (mean, own.iter().map(|level| (level - mean).powi(2)).sum::<f64>())
            };
            let ((first, spread), (second, other)) = (group(true), group(false));
            let unknown = ((spread + other) / (count - 2) as f64).sqrt().hypot(TRUSTED_DB);
            ((first - second).abs() / unknown, first - second, levels[0][band].0)
        };
        (0..levels[0].len()).map(of_band).max_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or_default()
    };
    let (found, apart_db, at_hz) = apart(&|index| index < one.len());
    let ways: Vec<u32> = (0..1_u32 << count).filter(|way| way.count_ones() as usize == one.len()).collect();
    let as_far =
        ways.iter().filter(|way| apart(&|index| **way >> index & 1 == 1).0 >= found * (1.0 - 1e-9)).count();
    Ok(Clicks {
        recordings: (one.len(), two.len()),
        apart_db,
        at_hz,
        p_value: as_far as f64 / ways.len() as f64,
    })
}

/// What is done while a microphone listens.
pub type Act<'a, E> = &'a mut dyn FnMut() -> Result<(), E>;

/// A microphone that listens while something is done.
#[derive(Debug)]
pub struct Microphone(Recorder);

impl Microphone {
    /// Opens an input, or the system's default one.
    ///
    /// # Errors
    /// There is none, or it does not record at 48 kHz.
    pub fn open(name: Option<&str>) -> Result<Self, BenchError> {
        record(name, RATE_HZ, 1).map(Self).map_err(|error| BenchError(error.to_string()))
    }

    /// Its rate in Hz.
    pub fn rate_hz(&self) -> u32 {
        RATE_HZ
    }

    /// What it hears in so many seconds; each act is begun at its time, in seconds, in their order.
    ///
    /// # Errors
    /// The input gives nothing more, or an act fails.
    pub fn during<E: From<BenchError>>(
        &mut self,
        seconds: f64,
        acts: &mut [(f64, Act<'_, E>)],
    ) -> Result<Vec<f64>, E> {
        let mut planes = vec![Vec::new(); self.0.channels()];
        // What it heard before is of no interest.
        self.0.take(&mut planes);
        planes.iter_mut().for_each(Vec::clear);
        let frames = |seconds: f64| (seconds * f64::from(RATE_HZ)) as usize;
        let mut done = 0;
        let mut looks = 0;
        while planes[0].len() < frames(seconds) {
            if let Some((at, act)) = acts.get_mut(done)
                && planes[0].len() >= frames(*at)
            {
                act()?;
                done += 1;
            }
            std::thread::sleep(LOOK);
            let before = planes[0].len();
            self.0.take(&mut planes);
            looks = if planes[0].len() > before { 0 } else { looks + 1 };
            if self.0.gone() || looks > MOST_LOOKS {
                return Err(BenchError(format!("the microphone \"{}\" gives no sound", self.0.name())).into());
            }
        }
        let mut heard = planes.swap_remove(0);
        heard.truncate(frames(seconds));
        Ok(heard)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt as _, SeedableRng as _};

    /// A relay's click: noise that dies away, of a different pitch by `ring_hz`, in the noise of a room.
    fn recorded(random: &mut StdRng, ring_hz: f64) -> Vec<f64> {
        let loud = 0.1 * 10_f64.powf(random.random_range(-1.0..1.0) / 20.0);
        (0..60_000_u32)
            .map(|frame| {
                let since = f64::from(frame) - 20_000.0;
                let ring =
                    (std::f64::consts::TAU * ring_hz * since / 48_000.0).sin() * (-since / 500.0).exp();
                let room = random.random_range(-1e-3..1e-3);
                room + if since > 0.0 {
                    loud * (ring + random.random_range(-0.2..0.2) * (-since / 300.0).exp())
                } else {
                    0.0
                }
            })
            .collect()
    }

    #[test]
    fn relays_that_sound_alike_are_not_told_apart_and_others_are() {
        let mut random = StdRng::seed_from_u64(4);
        let mut six =
            |ring_hz: f64| -> Vec<Vec<f64>> { (0..6).map(|_| recorded(&mut random, ring_hz)).collect() };
        let other = clicks(&six(2000.0), &six(2600.0), RATE_HZ).expect("twelve recordings");
        // The names exchanged set them apart as far: 2 of 924 ways are the fewest.
        assert!((other.p_value - 2.0 / 924.0).abs() < 1e-12, "{other:?}");
        assert!((1500.0..3300.0).contains(&other.at_hz) && other.apart_db.abs() > 3.0, "{other:?}");
        // Under the hypothesis p is spread evenly: of 12 such comparisons, 0.05 is undercut in five with probability 0.0002.
        let low = (0..12)
            .filter(|_| {
                clicks(&six(2000.0), &six(2000.0), RATE_HZ).expect("twelve recordings").p_value <= 0.05
            })
            .count();
        assert!(low < 5, "{low} of 12");
        assert!(clicks(&six(2000.0)[..1], &six(2000.0), RATE_HZ).is_err());
    }
}
