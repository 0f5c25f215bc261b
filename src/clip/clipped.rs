//! What a recording's peaks tell: clipping, and nothing at all.

/// A channel whose largest sample is below this has nothing on it (-90 dB).
pub const SILENT: f64 = 3.2e-5;
/// Share of samples within a thousandth of the peak that no sine has (its own: 2.8 %).
const FLAT_SHARE: f64 = 0.12;

/// Where clipping begins, in samples, if there is any: a run at full scale, or a share of samples at the peak that no sine
/// has.
pub fn clipped(samples: &[f64]) -> Option<usize> {
    let peak = samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    if (0.9999..=1.0).contains(&peak) {
        let full = |sample: &f64| sample.abs() >= 0.9999;
        if let Some(at) = samples.windows(3).position(|three| three.iter().all(full)) {
            return Some(at);
        }
    }
    let loud = samples.iter().filter(|sample| sample.abs() > 0.1 * peak).count();
    let near = |sample: &f64| sample.abs() >= 0.999 * peak;
    let flat = samples.iter().filter(|sample| near(sample)).count();
    (loud > 1000 && flat as f64 > FLAT_SHARE * loud as f64)
        .then(|| samples.windows(3).position(|three| three.iter().all(near)))
        .flatten()
}
