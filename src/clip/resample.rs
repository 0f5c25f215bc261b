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

use rubato::audioadapter_buffers::direct::InterleavedSlice;
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

/// Fills a block with the frames from a place on.
type Reading<'r, E> = dyn FnMut(u64, &mut [f32]) -> Result<(), E> + 'r;

/// Resamples sound of any length from any place on (rubato's synchronous FFT resampler in double precision, squared
/// Blackman-Harris window, delay removed). A transform reaches no farther than the chunk after its own: so every stretch of
/// a sound has the samples that the whole has, to the last bit.
pub struct Resampling {
    resampler: Fft<f64>,
    channels: usize,
}

impl std::fmt::Debug for Resampling {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("Resampling").field("channels", &self.channels).finish_non_exhaustive()
    }
}

impl Resampling {
    /// From a rate to another, both in Hz.
    ///
    /// # Errors
    /// Rates that have no ratio.
    pub fn new(from_hz: u32, to_hz: u32, channels: u16) -> Result<Self, ClipError> {
        let channels = usize::from(channels);
        let resampler = Fft::<f64>::new_custom(
            from_hz as usize,
            to_hz as usize,
            chunk_frames(from_hz, to_hz),
            1,
            channels,
            WindowFunction::BlackmanHarris2,
            FixedSync::Both,
        )
        .map_err(|error| {
            ClipError(format!("sound at {from_hz} Hz cannot be resampled to {to_hz} Hz: {error}"))
        })?;
        Ok(Self { resampler, channels })
    }

    /// So many frames from `start` on, both at the new rate, interleaved. `read` is given the first of the frames that are
    /// needed of the sound and silence, and puts the sound there, interleaved, as far as it goes.
    ///
    /// # Errors
    /// Those of `read`.
    pub fn frames<E>(&mut self, start: u64, count: usize, read: &mut Reading<'_, E>) -> Result<Vec<f32>, E> {
        const FITS: &str = "buffers are as long as a chunk";
        let Self { resampler, channels } = self;
        let (channels, taken, given) =
            (*channels, resampler.input_frames_next(), resampler.output_frames_next());
        let from = start + resampler.output_delay() as u64;
        let chunk = from / given as u64;
        // The chunk before it rings on in the first one.
        let before = chunk.saturating_sub(1);
        let chunks = ((from + count as u64).div_ceil(given as u64) - before) as usize;
        let mut input = vec![0.0; chunks * taken * channels];
        read(before * taken as u64, &mut input)?;
        resampler.reset();
        let mut skipped = ((from - before * given as u64) as usize) * channels;
        let mut samples = Vec::with_capacity(count * channels);
        let (mut wide, mut output) = (Vec::new(), vec![0.0; given * channels]);
        for chunk in input.chunks(taken * channels) {
            wide.clear();
            wide.extend(chunk.iter().copied().map(f64::from));
            let input = InterleavedSlice::new(&wide, channels, taken).expect(FITS);
            let mut place = InterleavedSlice::new_mut(&mut output, channels, given).expect(FITS);
            resampler.process_into_buffer(&input, &mut place, None).expect(FITS);
            let wanted = count * channels - samples.len();
            samples.extend(output.iter().skip(skipped).take(wanted).map(|sample| *sample as f32));
            skipped = skipped.saturating_sub(given * channels);
        }
        Ok(samples)
    }
}

/// Resamples a whole stimulus as [`Resampling`] does. One at the wanted rate already is returned as it is.
///
/// # Errors
/// Rates that have no ratio.
pub fn resample(playable: &Playable, rate_hz: u32) -> Result<Cow<'_, Playable>, ClipError> {
    if playable.rate_hz == rate_hz {
        return Ok(Cow::Borrowed(playable));
    }
    let mut resampling = Resampling::new(playable.rate_hz, rate_hz, playable.channels)?;
    let frames = resampled_frames(playable.frames(), playable.rate_hz, rate_hz);
    let samples = resampling.frames(0, frames, &mut |_, places| {
        let count = places.len().min(playable.samples.len());
        places[..count].copy_from_slice(&playable.samples[..count]);
        Ok(())
    })?;
    Ok(Cow::Owned(Playable { rate_hz, channels: playable.channels, samples: samples.into() }))
}

#[cfg(test)]
mod tests {
    use rubato::audioadapter_buffers::owned::InterleavedOwned;

    use super::*;

    #[test]
    fn whole_or_in_parts_the_samples_are_those_of_the_library() {
        let mut state = 7_u64;
        for (from, to, channels, frames) in [
            (44_100, 48_000, 2, 41_003),
            (192_000, 44_100, 1, 100_001),
            (48_000, 96_000, 2, 8_192),
            (48_000, 44_100, 1, 3),
        ] {
            let samples: Vec<f32> = (0..frames * usize::from(channels))
                .map(|_| {
                    state =
                        state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    (state >> 40) as f32 / 2.0_f32.powi(24) - 0.5
                })
                .collect();
            let mut resampling = Resampling::new(from, to, channels).expect("a ratio");
            let wide = samples.iter().copied().map(f64::from).collect();
            let wide = InterleavedOwned::new_from(wide, usize::from(channels), frames).expect("that long");
            let theirs = resampling.resampler.process_all(&wide, frames, None).expect("room").take_data();
            let theirs: Vec<f32> = theirs.into_iter().map(|sample| sample as f32).collect();
            let playable = Playable { rate_hz: from, channels, samples: samples.clone().into() };
            let whole = resample(&playable, to).expect("a ratio").into_owned();
            assert!(whole.samples[..] == theirs[..], "{from} to {to}");
            let (length, channels) = (whole.frames(), usize::from(channels));
            for (start, count) in
                [(0, 1), (length / 3, length / 5), (length - 1, 1), (0, length), (length / 2, 1)]
            {
                let part = resampling.frames(start as u64, count, &mut |first, places: &mut [f32]| {
                    let sound = samples.get(first as usize * channels..).unwrap_or_default();
                    let count = sound.len().min(places.len());
                    places[..count].copy_from_slice(&sound[..count]);
                    Ok::<(), ()>(())
                });
                let expected = &whole.samples[start * channels..(start + count) * channels];
                assert!(part.as_deref() == Ok(expected), "{from} to {to}: {count} frames from {start}");
            }
        }
    }
}
