//! To another sample rate, only when a device cannot run at the clip's: the same for every stimulus.
//!
//! Measured with sines at half of full scale through [`resample`], in and out as 32-bit float, whose rounding is what is
//! left in the last columns (`cargo test --test main sound::resampling -- --nocapture` measures anew; the bounds are
//! held by that test):
//!
//! | rates in Hz | ripple, 20 Hz to 20 kHz | gain at 0.49 of the lower rate | rest beside the tone | aliases or images | delay in frames |
//! | --- | --- | --- | --- | --- | --- |
//! | 44100 to 48000 | below 0.000001 dB | 0.000 dB | -150 dB | -150 dB | 5e-8 |
//! | 48000 to 44100 | below 0.000001 dB | 0.000 dB | -150 dB | -154 dB | 5e-8 |
//! | 96000 to 48000 | below 0.000001 dB | 0.000 dB | -153 dB | -156 dB | 2e-8 |
//! | 48000 to 96000 | below 0.000001 dB | 0.000 dB | -151 dB | -151 dB | 7e-8 |
//! | 192000 to 44100 | below 0.000001 dB | 0.000 dB | -152 dB | -160 dB | 8e-8 |
//! | bound | 0.0001 dB | -1 dB | -140 dB | -120 dB | 0.0001 |
//!
//! Aliases are all that is left of tones between half the new rate and half the old one; images are all that stands
//! beside tones between 20 kHz and half the old rate.

use std::borrow::Cow;

use rubato::audioadapter_buffers::owned::InterleavedOwned;
use rubato::{Fft, FixedSync, Resampler, WindowFunction};

use super::{ClipError, Playable};

/// Input frames per transform, about: the longest anti-aliasing filter that still makes sense, for the steepest edge.
const CHUNK_FRAMES: usize = 8192;

/// Input frames per transform for a pair of rates: an even number of the shortest blocks that have a whole number of
/// frames at both rates. The resampler's delay is half a block, so an odd block would leave half a sample of it.
fn chunk_frames(from_hz: u32, to_hz: u32) -> usize {
    let (mut a, mut b) = (from_hz, to_hz);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    let shortest = (from_hz / a.max(1)) as usize;
    shortest * CHUNK_FRAMES.div_ceil(shortest).next_multiple_of(2)
}

/// Length in frames after resampling.
pub fn resampled_frames(frames: usize, from_hz: u32, to_hz: u32) -> usize {
    (frames as u128 * u128::from(to_hz)).div_ceil(u128::from(from_hz.max(1))) as usize
}

/// Resamples a stimulus in double precision (rubato's synchronous FFT resampler, squared Blackman-Harris window, delay
/// removed). A stimulus at the wanted rate already is returned as it is.
///
/// # Errors
/// Rates that have no ratio.
pub fn resample(playable: &Playable, rate_hz: u32) -> Result<Cow<'_, Playable>, ClipError> {
    if playable.rate_hz == rate_hz {
        return Ok(Cow::Borrowed(playable));
    }
    let failed = |error: String| {
        ClipError(format!("sound at {} Hz cannot be resampled to {rate_hz} Hz: {error}", playable.rate_hz))
    };
    let channels = usize::from(playable.channels);
    let frames = playable.frames();
    let mut resampler = Fft::<f64>::new_custom(
        playable.rate_hz as usize,
        rate_hz as usize,
        chunk_frames(playable.rate_hz, rate_hz),
        1,
        channels,
        WindowFunction::BlackmanHarris2,
        FixedSync::Both,
    )
    .map_err(|error| failed(error.to_string()))?;
    let samples = playable.samples.iter().copied().map(f64::from).collect();
    let input =
        InterleavedOwned::new_from(samples, channels, frames).map_err(|error| failed(error.to_string()))?;
    let needed = resampler.process_all_needed_output_len(frames);
    let mut output = InterleavedOwned::new(0.0, channels, needed);
    let (_, produced) = resampler
        .process_all_into_buffer(&input, &mut output, frames, None)
        .map_err(|error| failed(error.to_string()))?;
    let wanted = resampled_frames(frames, playable.rate_hz, rate_hz);
    let mut data = output.take_data();
    data.truncate(produced.min(wanted) * channels);
    data.resize(wanted * channels, 0.0);
    Ok(Cow::Owned(Playable {
        rate_hz,
        channels: playable.channels,
        samples: data.into_iter().map(|sample| sample as f32).collect(),
    }))
}
