//! What controls add to side A, as responses and gains.

use num_complex::Complex64;

use super::StimulusError;
use crate::clip::limits::{CONTROL_DECIBELS, HEAD_MOVEMENT_METRES};
use crate::session::{Control, ControlKind};

/// Distance from the listener to each loudspeaker in metres, for the head movement.
pub const LISTENING_DISTANCE_METRES: f64 = 2.5;
/// Angle of each loudspeaker from straight ahead in degrees, for the head movement.
pub const LOUDSPEAKER_ANGLE_DEGREES: f64 = 30.0;
/// Speed of sound in air of 20 C in metres per second.
const SPEED_OF_SOUND: f64 = 343.2;
/// Where a tilt is 0 dB: the geometric mean of 20 Hz and 20 kHz.
const TILT_CENTRE_HZ: f64 = 632.455_532;

/// What a control does to side A.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Effect {
    /// A gain and nothing else.
    Gain(f64),
    /// A response.
    Filter(ControlKind),
    /// The largest size of the comparison's own difference.
    Size,
}

/// Checks a control's amount and says what it does.
pub(super) fn effect(control: &Control, number: usize) -> Result<Effect, StimulusError> {
    let wrong =
        |message: String| StimulusError::Control { number, kind: control.kind.name().to_string(), message };
    let bounded = |amount: f64, largest: f64, unit: &str| {
        if amount.is_finite() && amount.abs() <= largest {
            Ok(())
        } else {
            Err(wrong(format!(
                "an amount of {amount} {unit} is not allowed; {largest} {unit} is the largest"
            )))
        }
    };
    match control.kind {
        ControlKind::Identical => Ok(Effect::Gain(1.0)),
        ControlKind::Largest { .. } => Ok(Effect::Size),
        ControlKind::Level { decibels } => {
            bounded(decibels, CONTROL_DECIBELS, "dB")?;
            Ok(Effect::Gain(10.0_f64.powf(decibels / 20.0)))
        }
        ControlKind::Tilt { decibels } => {
            bounded(decibels, CONTROL_DECIBELS, "dB")?;
            Ok(Effect::Filter(control.kind))
        }
        ControlKind::HeadMovement { metres } => {
            bounded(metres, HEAD_MOVEMENT_METRES, "m")?;
            Ok(Effect::Filter(control.kind))
        }
    }
}

/// The response of a control at a frequency in Hz; 1 for those that have none.
pub fn response(kind: ControlKind, frequency_hz: f64) -> Complex64 {
    match kind {
        ControlKind::Tilt { decibels } => tilt(decibels, frequency_hz),
        ControlKind::HeadMovement { metres } => head_movement(metres, frequency_hz),
        ControlKind::Level { .. } | ControlKind::Identical | ControlKind::Largest { .. } => {
            Complex64::new(1.0, 0.0)
        }
    }
}

/// A straight line over the logarithm of frequency from -`decibels`/2 at 20 Hz to +`decibels`/2 at 20 kHz, levelling
/// off outside. The phase is left alone: only the balance changes.
fn tilt(decibels: f64, frequency_hz: f64) -> Complex64 {
    // Levels off like sqrt(f^2 + 5^2) at the bottom and its mirror image at the top, three octaves outside the band.
    let low = frequency_hz.hypot(5.0);
    let bent = low / (1.0 + (low / 80_000.0).powi(2)).sqrt();
    let decades = (bent / TILT_CENTRE_HZ).log10();
    Complex64::new(10.0_f64.powf(decibels * decades / 3.0 / 20.0), 0.0)
}

/// The sum of two loudspeakers' equal signals at a point that has moved sideways by `metres` from the middle, relative
/// to the middle: each arrives later or sooner and weaker or stronger (distance law) than before, and the two interfere.
/// Plain geometry in free space: loudspeakers 30 degrees left and right at 2.5 m, no head, no room.
fn head_movement(metres: f64, frequency_hz: f64) -> Complex64 {
    let angle = LOUDSPEAKER_ANGLE_DEGREES.to_radians();
    let (across, ahead) = (LISTENING_DISTANCE_METRES * angle.sin(), LISTENING_DISTANCE_METRES * angle.cos());
    [across + metres, across - metres]
        .into_iter()
        .map(|sideways| {
            let distance = sideways.hypot(ahead);
            let delay = (distance - LISTENING_DISTANCE_METRES) / SPEED_OF_SOUND;
            Complex64::from_polar(
                0.5 * LISTENING_DISTANCE_METRES / distance,
                -std::f64::consts::TAU * frequency_hz * delay,
            )
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tilt_has_its_amount_between_20_hz_and_20_khz() {
        let kind = ControlKind::Tilt { decibels: 3.0 };
        let decibels = |f: f64| 20.0 * response(kind, f).norm().log10();
        assert!((decibels(20_000.0) - decibels(20.0) - 3.0).abs() < 0.06);
        assert!(decibels(632.5).abs() < 0.001);
        assert!((decibels(6324.6) - 1.0).abs() < 0.02 && (decibels(63.246) + 1.0).abs() < 0.02);
    }

    #[test]
    fn a_head_movement_makes_a_comb() {
        // 10 cm sideways: path lengths by Pythagoras, the first dip where their difference is half a wavelength.
        let (x, d) = (0.1_f64, 2.5_f64);
        let ahead = d * 30_f64.to_radians().cos();
        let difference = (1.25 + x).hypot(ahead) - (1.25 - x).hypot(ahead);
        let dip = 343.2 / (2.0 * difference);
        let kind = ControlKind::HeadMovement { metres: x };
        assert!(response(kind, dip).norm() < 0.03, "{}", response(kind, dip).norm());
        assert!((response(kind, 2.0 * dip).norm() - 1.0).abs() < 0.01);
        assert!((response(kind, 0.0).norm() - 1.0).abs() < 0.01);
        assert!((response(ControlKind::HeadMovement { metres: 0.0 }, 7000.0) - 1.0).norm() < 1e-12);
    }

    #[test]
    fn amounts_are_bounded() {
        for kind in [
            ControlKind::Level { decibels: 6.5 },
            ControlKind::Tilt { decibels: f64::NAN },
            ControlKind::HeadMovement { metres: 0.6 },
        ] {
            let error = effect(&Control { kind, trials: 1, more: None }, 2).expect_err("too much");
            assert!(error.to_string().contains("control 2"), "{error}");
        }
    }
}
