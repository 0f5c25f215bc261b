//! What a recording's peaks tell: clipping, and nothing at all.

use super::ClipError;
use super::parked::Samples;

/// A channel whose largest sample is below this has nothing on it (-90 dB).
pub const SILENT: f64 = 3.2e-5;
/// Share of samples within a thousandth of the peak that no sine has (its own: 2.8 %).
const FLAT_SHARE: f64 = 0.12;

/// The largest sample, without its sign.
///
/// # Errors
/// The samples cannot be read.
pub fn peak<S: Samples + ?Sized>(samples: &S) -> Result<f64, ClipError> {
    let mut peak = 0.0_f64;
    samples.each_block(|_, block| peak = block.iter().fold(peak, |peak, sample| peak.max(sample.abs())))?;
    Ok(peak)
}

/// Where clipping begins, in samples, if there is any: a run at full scale, or a share of samples at the peak that no sine
/// has.
///
/// # Errors
/// The samples cannot be read.
pub fn clipped<S: Samples + ?Sized>(samples: &S) -> Result<Option<usize>, ClipError> {
    let peak = peak(samples)?;
    // Where three samples in a row first stand at full scale, and where at the peak; how many are loud, and at the peak.
    let (mut at_full, mut at_peak, mut loud, mut flat) = (Run::default(), Run::default(), 0_usize, 0_usize);
    samples.each_block(|start, block| {
        for (index, sample) in block.iter().enumerate() {
            let size = sample.abs();
            at_full.next(start + index, size >= 0.9999);
            at_peak.next(start + index, size >= 0.999 * peak);
            loud += usize::from(size > 0.1 * peak);
            flat += usize::from(size >= 0.999 * peak);
        }
    })?;
    let full = at_full.found.filter(|_| (0.9999..=1.0).contains(&peak));
    let piled_up = loud > 1000 && flat as f64 > FLAT_SHARE * loud as f64;
    Ok(full.or(at_peak.found.filter(|_| piled_up)))
}

/// The first three in a row.
#[derive(Default)]
struct Run {
    length: usize,
    found: Option<usize>,
}

impl Run {
    fn next(&mut self, at: usize, holds: bool) {
        self.length = if holds { self.length + 1 } else { 0 };
        if self.length == 3 && self.found.is_none() {
            self.found = Some(at - 2);
        }
    }
}
