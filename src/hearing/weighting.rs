//! K-weighting and auditory bands over frequency.

use num_complex::Complex64;

/// The two stages of K-weighting at 48 kHz: `(b0, b1, b2, a1, a2)` each.
///
/// Source: ITU-R BS.1770, Tables 1 and 2.
const STAGES: [(f64, f64, f64, f64, f64); 2] = [
    (1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585),
    (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621),
];

/// Power gain of K-weighting at a frequency in Hz; above 24 kHz, where the filter is not defined, its value there.
pub fn k_weighting_power(frequency_hz: f64) -> f64 {
    let turn = std::f64::consts::TAU * frequency_hz.min(24_000.0) / 48_000.0;
    let delay = Complex64::from_polar(1.0, -turn);
    STAGES
        .iter()
        .map(|(b0, b1, b2, a1, a2)| {
            let above = b0 + delay * (*b1 + delay * *b2);
            let below = 1.0 + delay * (*a1 + delay * *a2);
            above.norm_sqr() / below.norm_sqr()
        })
        .product()
}

/// Equivalent rectangular bandwidth in Hz of the auditory filter at a frequency in Hz: `24.7(4.37 f/kHz + 1)`
/// (Glasberg & Moore 1990, Hearing Research 47:103).
pub fn erb_hz(frequency_hz: f64) -> f64 {
    24.7 * (4.37e-3 * frequency_hz + 1.0)
}

/// ERB-rate (number of ERBs below) at a frequency in Hz: `21.4 log10(4.37 f/kHz + 1)` (same source).
pub fn erb_number(frequency_hz: f64) -> f64 {
    21.4 * (4.37e-3 * frequency_hz + 1.0).log10()
}

/// Frequency in Hz of an ERB-rate.
pub fn erb_frequency_hz(number: f64) -> f64 {
    (10_f64.powf(number / 21.4) - 1.0) / 4.37e-3
}

/// Edges in Hz of bands as wide as the ear's, from one frequency to another: of one ERB each from 50 Hz on, where the bins of
/// a spectrum are finer than they.
pub fn erb_edges(from_hz: f64, to_hz: f64) -> Vec<f64> {
    let within = (0..100)
        .map(|step| erb_frequency_hz(erb_number(50.0) + f64::from(step)))
        .take_while(|edge| *edge < to_hz);
    std::iter::once(from_hz).chain(within).chain(std::iter::once(to_hz)).collect()
}

/// Just-noticeable level step in dB of a pure tone so many dB above its threshold: `dI/I = .463 (I/I0)^-.072`
/// (Jesteadt, Wier & Green 1977, JASA 61:169; tones of half a second from 200 Hz to 8 kHz in the quiet, two-interval
/// forced choice, 71 % right).
pub fn just_noticeable_db(sensation_level_db: f64) -> f64 {
    10.0 * (1.0 + 0.463 * 10_f64.powf(-0.0072 * sensation_level_db)).log10()
}
