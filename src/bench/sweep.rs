//! The synchronised exponential sweep: `x(t) = sin(2 pi f1 L e^(t/L))` with `L = round(f1 T / ln(f2/f1)) / f1`, so that the
//! n-th harmonic's response leads by `L ln n` with its phase intact (Novak, Simon & Lotton 2015, Journal of the Audio
//! Engineering Society 63(10):786; exponential sweeps: Farina 2000, AES 108th Convention).

use super::BenchError;
use crate::clip::limits::RATES_HZ;

/// What the fades at the ends of a sweep take of it, in octaves: what is measured stays clear of them.
pub const FADE_IN_OCTAVES: f64 = 0.25;
/// See [`FADE_IN_OCTAVES`].
pub const FADE_OUT_OCTAVES: f64 = 1.0 / 24.0;
/// Highest frequency as a share of the sample rate.
pub const HIGHEST_SHARE: f64 = 0.47;
/// Highest frequency that is measured, as a share of the sample rate.
pub const MEASURED_SHARE: f64 = 0.45;

/// A sweep to be played, several times over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sweep {
    /// Where it begins, in Hz.
    pub from_hz: f64,
    /// Where it ends, in Hz.
    pub to_hz: f64,
    /// How long it takes, in seconds, before it is synchronised.
    pub seconds: f64,
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Peak in dB relative to full scale, at most 0.
    pub level_dbfs: f64,
    /// How often it is played.
    pub repeats: u32,
    /// Silence before, between and after, in seconds.
    pub pause_s: f64,
    /// Length of both fades in seconds; by default a quarter of an octave and a twenty-fourth.
    pub fade_s: Option<f64>,
}

impl Default for Sweep {
    fn default() -> Self {
        Self {
            from_hz: 8.0,
            to_hz: HIGHEST_SHARE * 48_000.0,
            seconds: 10.0,
            rate_hz: 48_000,
            level_dbfs: -12.0,
            repeats: 4,
            pause_s: 0.5,
            fade_s: None,
        }
    }
}

impl Sweep {
    /// Refuses what cannot be played or measured.
    ///
    /// # Errors
    /// A value out of its bounds; the message names it and what is allowed.
    pub fn check(&self) -> Result<(), BenchError> {
        let highest = HIGHEST_SHARE * f64::from(self.rate_hz);
        let within = |what: &str, value: f64, low: f64, high: f64, unit: &str| {
            if value.is_finite() && (low..=high).contains(&value) {
                return Ok(());
            }
            Err(BenchError(format!(
                "the sweep's {what} is {value} {unit}; {low} to {high} {unit} are allowed"
            )))
        };
        within("rate", f64::from(self.rate_hz), f64::from(*RATES_HZ.start()), 192_000.0, "Hz")?;
        within("start", self.from_hz, 1.0, highest / 4.0, "Hz")?;
        within("end", self.to_hz, 4.0 * self.from_hz, highest, "Hz")?;
        within("length", self.seconds, (self.to_hz / self.from_hz).ln() / self.from_hz, 120.0, "s")?;
        within("length", self.seconds, 0.2, 120.0, "s")?;
        within("level", self.level_dbfs, -80.0, 0.0, "dB")?;
        within("number of repeats", f64::from(self.repeats), 1.0, 100.0, "sweeps")?;
        within("pause", self.pause_s, 0.25, 30.0, "s")?;
        self.fade_s.map_or(Ok(()), |fade| within("fade", fade, 0.001, self.seconds / 4.0, "s"))
    }

    /// The time constant L in seconds: a whole number of periods of the first frequency.
    pub fn time_constant_s(&self) -> f64 {
        (self.from_hz * self.seconds / (self.to_hz / self.from_hz).ln()).round() / self.from_hz
    }

    /// Length of one sweep in seconds, `L ln(f2/f1)`.
    pub fn length_s(&self) -> f64 {
        self.time_constant_s() * (self.to_hz / self.from_hz).ln()
    }

    /// Frames from the beginning of one sweep to the next.
    pub fn period_frames(&self) -> usize {
        ((self.length_s() + self.pause_s) * f64::from(self.rate_hz)).round() as usize
    }

    /// Frames of silence before the first sweep.
    pub fn lead_frames(&self) -> usize {
        (self.pause_s * f64::from(self.rate_hz)).round() as usize
    }

    /// One sweep, at its level.
    fn once(&self) -> Vec<f64> {
        let (constant, rate) = (self.time_constant_s(), f64::from(self.rate_hz));
        let length = self.length_s();
        let octave = constant * std::f64::consts::LN_2;
        let fades = (
            self.fade_s.unwrap_or(FADE_IN_OCTAVES * octave),
            self.fade_s.unwrap_or(FADE_OUT_OCTAVES * octave),
        );
        let rise = |share: f64| 0.5 - 0.5 * (std::f64::consts::PI * share.clamp(0.0, 1.0)).cos();
        let peak = 10_f64.powf(self.level_dbfs / 20.0);
        (0..(length * rate).ceil() as usize)
            .map(|frame| {
                let t = frame as f64 / rate;
                let turns = self.from_hz * constant * (t / constant).exp();
                peak * rise(t / fades.0)
                    * rise((length - t) / fades.1)
                    * (std::f64::consts::TAU * turns.fract()).sin()
            })
            .collect()
    }

    /// All of it: silence, then each sweep and the silence after it.
    ///
    /// # Errors
    /// As [`Sweep::check`].
    pub fn samples(&self) -> Result<Vec<f64>, BenchError> {
        self.check()?;
        let once = self.once();
        let mut samples = vec![0.0; self.lead_frames() + self.repeats as usize * self.period_frames()];
        for repeat in 0..self.repeats as usize {
            let start = self.lead_frames() + repeat * self.period_frames();
            samples[start..start + once.len()].copy_from_slice(&once);
        }
        Ok(samples)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sweep_is_synchronised() {
        // Novak, Simon & Lotton 2015: f1 L is whole, so the phase begins and the harmonics lead in whole turns.
        let sweep = Sweep { from_hz: 20.0, to_hz: 20_000.0, ..Sweep::default() };
        let turns = sweep.from_hz * sweep.time_constant_s();
        assert!((turns - turns.round()).abs() < 1e-9, "{turns}");
        // Farina's leads for 20 Hz to 20 kHz in 10 s, within the rounding of L: T ln 2 / ln 1000 = 1.00343 s.
        let lead = sweep.time_constant_s() * std::f64::consts::LN_2;
        assert!((lead / 1.003_43 - 1.0).abs() < 0.02, "{lead}");
        let samples = sweep.samples().expect("allowed");
        assert_eq!(samples.len(), sweep.lead_frames() + 4 * sweep.period_frames());
        let peak = samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
        assert!((peak - 10_f64.powf(-0.6)).abs() < 1e-5, "{peak}");
    }

    #[test]
    fn what_cannot_be_played_is_named() {
        for (sweep, word) in [
            (Sweep { to_hz: 30_000.0, ..Sweep::default() }, "end is 30000"),
            (Sweep { level_dbfs: 1.0, ..Sweep::default() }, "level is 1"),
            (Sweep { seconds: f64::NAN, ..Sweep::default() }, "length is NaN"),
            (Sweep { repeats: 0, ..Sweep::default() }, "repeats is 0"),
        ] {
            let message = sweep.samples().expect_err("refused").0;
            assert!(message.contains(word), "{message}");
        }
    }
}
