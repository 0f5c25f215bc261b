//! What of a sound can be heard at all: the absolute threshold, and what loud neighbours hide.

/// Level in dB SPL that a clip's long-term average is taken to be played at: loud at home. A softer one hides more.
pub const ASSUMED_LEVEL_DB: f64 = 80.0;

/// Threshold of hearing of pure tones in a free field: Hz, dB SPL (ISO 226:2003 Table 1 and ISO 389-7; from memory).
const THRESHOLD: [(f64, f64); 31] = [
    (20.0, 78.5),
    (25.0, 68.7),
    (31.5, 59.5),
    (40.0, 51.1),
    (50.0, 44.0),
    (63.0, 37.5),
    (80.0, 31.5),
    (100.0, 26.5),
    (125.0, 22.1),
    (160.0, 17.9),
    (200.0, 14.4),
    (250.0, 11.4),
    (315.0, 8.6),
    (400.0, 6.2),
    (500.0, 4.4),
    (630.0, 3.0),
    (800.0, 2.2),
    (1000.0, 2.4),
    (1250.0, 3.5),
    (1600.0, 1.7),
    (2000.0, -1.3),
    (2500.0, -4.2),
    (3150.0, -6.0),
    (4000.0, -5.4),
    (5000.0, -1.5),
    (6300.0, 6.0),
    (8000.0, 12.6),
    (10_000.0, 13.9),
    (12_500.0, 12.3),
    (16_000.0, 40.2),
    (18_000.0, 70.4),
];

/// The threshold of hearing in dB SPL at a frequency in Hz, a straight line over its logarithm between the standard's points.
pub fn threshold_db(frequency_hz: f64) -> f64 {
    let right = THRESHOLD.partition_point(|(f, _)| *f <= frequency_hz).clamp(1, THRESHOLD.len() - 1);
    let ((f1, l1), (f2, l2)) = (THRESHOLD[right - 1], THRESHOLD[right]);
    let share = ((frequency_hz / f1).ln() / (f2 / f1).ln()).clamp(0.0, 1.0);
    l1 + (l2 - l1) * share
}

/// Critical-band rate in Bark at a frequency in Hz (Traunmueller 1990, JASA 88:97; from memory).
pub fn bark(frequency_hz: f64) -> f64 {
    26.81 * frequency_hz / (1960.0 + frequency_hz) - 0.53
}

/// How far below a masker its excitation is, in dB, so many Bark above it (Schroeder, Atal & Hall 1979, JASA 66:1647; from
/// memory).
pub fn spread_db(above_bark: f64) -> f64 {
    let x = above_bark + 0.474;
    15.81 + 7.5 * x - 17.5 * (1.0 + x * x).sqrt()
}

/// How far each band of a sound stands out of what hides it, in dB: out of the threshold of hearing at
/// [`ASSUMED_LEVEL_DB`], or out of the excitation by all bands at least one Bark away, whichever is more. `bands` are centre
/// in Hz and power, in any one unit; `total` is the power of the whole sound in that unit.
pub fn sensation_levels_db(bands: &[(f64, f64)], total: f64) -> Vec<f64> {
    let level = |power: f64| ASSUMED_LEVEL_DB + 10.0 * (power / total).log10();
    let places: Vec<f64> = bands.iter().map(|(frequency, _)| bark(*frequency)).collect();
    bands
        .iter()
        .zip(&places)
        .map(|((frequency, power), own)| {
            let hidden: f64 = bands
                .iter()
                .zip(&places)
                .filter(|(_, place)| (own - *place).abs() >= 1.0)
                // Bands overlap by half: each power would count twice.
                .map(|((_, power), place)| 0.5 * power * 10_f64.powf(spread_db(own - place) / 10.0))
                .sum();
            level(*power) - threshold_db(*frequency).max(level(hidden))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_soft_band_beside_a_loud_one_is_hidden_and_far_from_it_is_not() {
        // 1 kHz at 80 dB; 45 dB below it one band stands at 1.25 kHz, one at 8 kHz.
        let bands = [(1000.0, 1.0), (1250.0, 10_f64.powf(-4.5)), (8000.0, 10_f64.powf(-4.5))];
        let found = sensation_levels_db(&bands, 1.0);
        // By hand: 1.25 kHz excites the place of 1 kHz 14.6 dB below its own 35 dB, halved: 80 - 17.4 = 62.6 dB.
        assert!((found[0] - 62.6).abs() < 0.2 && found[1] < 0.0 && found[2] > 15.0, "{found:?}");
        // 16 kHz, 45 dB below, is under the threshold of hearing.
        assert!(sensation_levels_db(&[(1000.0, 1.0), (16_000.0, 10_f64.powf(-4.5))], 1.0)[1] < 0.0);
    }

    #[test]
    fn the_spread_peaks_at_the_masker_and_falls_faster_below() {
        // Schroeder, Atal & Hall 1979: slopes of +25 and -10 dB per Bark far away.
        assert!(spread_db(0.0).abs() < 0.1);
        assert!((spread_db(-6.0) - spread_db(-5.0) + 25.0).abs() < 0.5);
        assert!((spread_db(8.0) - spread_db(7.0) + 10.0).abs() < 0.5);
    }
}
