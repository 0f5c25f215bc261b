//! Raised-cosine fades at both ends of a stimulus, the same for all.

/// Length of the fade at either end, in seconds.
pub const FADE_SECONDS: f64 = 0.020;

/// Gain of a raised-cosine fade: 0 at `position` 0, 1 from `length` on. Position and length in frames.
pub fn raised_cosine(position: f64, length: f64) -> f64 {
    if position >= length {
        return 1.0;
    }
    0.5 - 0.5 * (std::f64::consts::PI * position / length).cos()
}

/// The fades of a stimulus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fades {
    frames: u64,
    length: u64,
}

impl Fades {
    /// Fades of [`FADE_SECONDS`] for a stimulus of so many frames at a rate.
    pub fn new(frames: u64, rate_hz: u32) -> Self {
        Self { frames, length: (FADE_SECONDS * f64::from(rate_hz)).round() as u64 }
    }

    /// Shortest stimulus in frames that has room for both fades and something between them.
    pub fn shortest(rate_hz: u32) -> u64 {
        3 * Self::new(0, rate_hz).length
    }

    /// Gain at a frame: exactly 1.0 between the fades. Half a frame of offset keeps both ends alike.
    pub fn gain(&self, frame: u64) -> f64 {
        let from_end = self.frames.saturating_sub(frame + 1);
        let nearest = frame.min(from_end);
        if nearest >= self.length { 1.0 } else { raised_cosine(nearest as f64 + 0.5, self.length as f64) }
    }

    /// Applies the fades to a block that starts at a frame.
    pub fn apply(&self, samples: &mut [f64], start: u64) {
        let end = start + samples.len() as u64;
        let head = self.length.clamp(start, end) - start;
        let tail = self.frames.saturating_sub(self.length).clamp(start, end) - start;
        for (i, sample) in samples.iter_mut().enumerate().take(head as usize) {
            *sample *= self.gain(start + i as u64);
        }
        for (i, sample) in samples.iter_mut().enumerate().skip(tail.max(head) as usize) {
            *sample *= self.gain(start + i as u64);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fades_are_symmetrical_and_blocks_do_not_matter() {
        let fades = Fades::new(5000, 48_000);
        let mut whole = vec![1.0; 5000];
        fades.apply(&mut whole, 0);
        let mut parts = vec![1.0; 5000];
        for (i, block) in parts.chunks_mut(333).enumerate() {
            fades.apply(block, 333 * i as u64);
        }
        assert_eq!(whole, parts);
        for i in 0..5000 {
            assert_eq!(whole[i], whole[4999 - i]);
        }
        assert!(whole[0] < 1e-5 && whole[960] == 1.0 && whole[2500] == 1.0);
    }
}
