//! The proof that a switch switches: both positions are measured before the first and after the last trial.

use std::time::Duration;

use super::driver::{Driver, Machine};
use super::environment::Bench;
use super::stopped::Stopped;
use super::switched::Switched;
use crate::bench::apart::apart;
use crate::bench::approach::LOW_DBFS;
use crate::bench::capture::{Capture, capture};
use crate::bench::recording::Recording;
use crate::bench::response::{Options, Response, measured};
use crate::bench::sweep::{HIGHEST_SHARE, Sweep};
use crate::circuit::Amplifier;
use crate::clip::Playable;
use crate::player::OutputChoice;
use crate::session::Session;
use crate::switcher::Terminal;
use crate::trial::Event;
use crate::trial::positions::{Positions, When};
use crate::units::printed::rounded;

/// How often a switch is asked whether it has answered.
const LOOK: Duration = Duration::from_millis(10);
/// Frequencies at which positions are compared: thirds of an octave, as steps from 1 kHz.
const THIRDS: std::ops::RangeInclusive<i32> = -16..=12;

/// A bench on sound devices: the output, the input, and the two inputs to keep, from 0.
pub fn bench(output: Option<String>, input: Option<String>, channels: Vec<usize>) -> Bench {
    std::sync::Arc::new(move |sweep| {
        let said = |error: crate::bench::BenchError| error.to_string();
        let samples = sweep.samples().map_err(said)?;
        let sound = Playable {
            rate_hz: sweep.rate_hz,
            channels: 1,
            samples: samples.iter().map(|sample| *sample as f32).collect(),
        };
        let (output, input, channels) = (output.clone(), input.clone(), channels.clone());
        let found = capture(&Capture { sound, output, input, channels }, &mut |_| true).map_err(said)?;
        Recording::new("the position", sweep.rate_hz, found.channels).map_err(said)
    })
}

/// The sweep: as low as nobody has to be asked for.
fn sweep() -> Sweep {
    let rate_hz = 48_000;
    Sweep {
        from_hz: 15.0,
        to_hz: HIGHEST_SHARE * f64::from(rate_hz),
        seconds: 1.0,
        rate_hz,
        level_dbfs: LOW_DBFS,
        repeats: 4,
        ..Sweep::default()
    }
}

/// What the circuit predicts at the loudspeaker's terminals over the amplifier's, in dB, the cables at these indices.
fn predicted(session: &Session, cable: usize, frequencies_hz: &[f64]) -> Result<Vec<f64>, String> {
    // The reference is taken at the amplifier's terminals, so its output impedance is in both.
    let mut chain = session.chain(cable);
    chain.amplifier = Amplifier::lumped(0.0, 0.0);
    let transfer = chain.transfer(frequencies_hz).map_err(|error| error.to_string())?;
    Ok(transfer.iter().map(|value| 20.0 * value.norm().log10()).collect())
}

/// Two responses and the circuit as what the journal holds.
fn held(session: &Session, when: When, first: &Response, second: &Response) -> Result<Positions, String> {
    let Some(switcher) = &session.switcher else { return Err("the session has no switch".to_owned()) };
    let apart = apart(first, second).map_err(|error| error.to_string())?;
    let unknown = apart.uncertainty_db.ok_or("one sweep alone says nothing of how well it repeats")?;
    let nearest = |wanted: f64| {
        let far = |index: &usize| (apart.frequency_hz[*index] / wanted).ln().abs();
        (0..apart.frequency_hz.len()).min_by(|a, b| far(a).total_cmp(&far(b))).unwrap_or(0)
    };
    let places: Vec<usize> =
        THIRDS.map(|step| nearest(1000.0 * 10_f64.powf(f64::from(step) / 10.0))).collect();
    let at = |values: &[f64]| -> Vec<f64> {
        // Ten-thousandths of a decibel are more than was measured.
        places.iter().map(|place| rounded(values[*place], 4)).collect()
    };
    let frequency_hz: Vec<f64> = places.iter().map(|place| apart.frequency_hz[*place].round()).collect();
    let [one, two] = switcher.terminals;
    let sides = (predicted(session, one, &frequency_hz)?, predicted(session, two, &frequency_hz)?);
    let predicted_db: Vec<f64> = sides.0.iter().zip(&sides.1).map(|(a, b)| rounded(a - b, 4)).collect();
    Ok(Positions {
        when,
        measured_db: at(&apart.gain_db),
        uncertainty_db: at(&unknown),
        predicted_db,
        frequency_hz,
    })
}

impl Switched {
    /// Connects a cable by itself, and waits until that is confirmed; the cable that the session names first, or the second.
    fn connect_for_bench(&mut self, first: bool, now_ms: u64) -> Result<(), String> {
        let terminal = if first == self.is_turned() { Terminal::Two } else { Terminal::One };
        for order in [self.parked(now_ms), terminal] {
            self.wait_for(order, LOOK)?;
        }
        Ok(())
    }
}

impl<M: Machine> Driver<M> {
    /// Measures both positions and journals what was found; where that cannot be done, or nobody gave a bench, the journal says
    /// why, and so does what is returned.
    ///
    /// # Errors
    /// Nothing can go on.
    pub fn measure_positions(
        &mut self,
        session: &Session,
        bench: Option<&Bench>,
        when: When,
    ) -> Result<Option<String>, Stopped> {
        let Some(bench) = bench else {
            let text = "the positions were not measured".to_owned();
            return self.take_event(Event::Note { text: text.clone() }).map(|()| Some(text));
        };
        self.pause();
        let measured = self.positions(session, bench, when);
        let now_ms = self.now_ms();
        if let Some(switched) = &mut self.switched {
            switched.park(now_ms);
        }
        match measured {
            Ok(positions) => self.take_event(Event::Measured(positions)).map(|()| None),
            Err(why) => {
                let text = format!("the positions could not be measured: {why}");
                self.take_event(Event::Note { text: text.clone() }).map(|()| Some(text))
            }
        }
    }

    fn positions(&mut self, session: &Session, bench: &Bench, when: When) -> Result<Positions, String> {
        let terms = self.machine().conductor().view().terms;
        let turned = self.machine().conductor().labels_turned();
        // One sound device, one player: the sitting's own comes back with the next stimulus.
        self.output.let_go(&OutputChoice::Silent).map_err(|error| error.to_string())?;
        let sweep = sweep();
        let mut responses = Vec::new();
        for first in [true, false] {
            let now_ms = self.now_ms();
            let Some(switched) = &mut self.switched else { return Err("there is no switch".to_owned()) };
            switched.label(&terms, turned);
            switched.connect_for_bench(first, now_ms)?;
            let recording = bench(&sweep)?;
            responses.push(measured(&recording, &Options::default()).map_err(|error| error.to_string())?);
        }
        held(session, when, &responses[0], &responses[1])
    }
}
