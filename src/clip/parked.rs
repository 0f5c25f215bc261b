//! Samples that can be read from any place: in memory, or in a file without a name, so that memory does not grow with them.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

use super::ClipError;
use crate::files::{nameless, reason};

/// Samples that are read or written at a time.
pub const BLOCK: usize = 1 << 16;
/// A smaller stretch is read with the whole block that it lies in: the next one is most often in it too.
const SMALL: usize = BLOCK / 4;
const SAMPLE: usize = size_of::<f64>();

/// The samples of one channel, wherever they lie.
pub trait Samples {
    /// How many there are.
    fn frames(&self) -> usize;

    /// Copies samples from a place on; before the first and after the last is silence.
    ///
    /// # Errors
    /// They cannot be read.
    fn copy(&self, start: i64, out: &mut [f64]) -> Result<(), ClipError>;

    /// So many samples from a place on, as [`Samples::copy`] has them.
    ///
    /// # Errors
    /// They cannot be read.
    fn stretch(&self, start: i64, frames: usize) -> Result<Vec<f64>, ClipError> {
        let mut out = vec![0.0; frames];
        self.copy(start, &mut out)?;
        Ok(out)
    }

    /// Shows all samples from the first to the last in blocks, each with the place where it begins.
    ///
    /// # Errors
    /// They cannot be read.
    fn each_block(&self, mut show: impl FnMut(usize, &[f64])) -> Result<(), ClipError> {
        let mut block = vec![0.0; BLOCK.min(self.frames())];
        for start in (0..self.frames()).step_by(BLOCK) {
            let frames = BLOCK.min(self.frames() - start);
            self.copy(start as i64, &mut block[..frames])?;
            show(start, &block[..frames]);
        }
        Ok(())
    }
}

/// The part of a request that is there: where it begins in the samples and in the request, and how long it is.
fn inside(start: i64, wanted: usize, frames: usize) -> (usize, usize, usize) {
    let from = start.clamp(0, frames as i64);
    let to = (start + wanted as i64).clamp(from, frames as i64);
    // A request that lies wholly before or behind the samples gets none of them, at a place that it has.
    let at = (from - start).clamp(0, wanted as i64);
    (from as usize, at as usize, (to - from) as usize)
}

impl<S: Samples + ?Sized> Samples for &S {
    fn frames(&self) -> usize {
        (**self).frames()
    }

    fn copy(&self, start: i64, out: &mut [f64]) -> Result<(), ClipError> {
        (**self).copy(start, out)
    }
}

impl Samples for [f64] {
    fn frames(&self) -> usize {
        self.len()
    }

    fn copy(&self, start: i64, out: &mut [f64]) -> Result<(), ClipError> {
        out.fill(0.0);
        let (from, at, count) = inside(start, out.len(), self.len());
        if count > 0 {
            out[at..at + count].copy_from_slice(&self[from..from + count]);
        }
        Ok(())
    }
}

/// A stretch of other samples; before and after it is silence.
pub struct Part<'s, S: ?Sized> {
    samples: &'s S,
    from: usize,
    frames: usize,
}

impl<'s, S: Samples + ?Sized> Part<'s, S> {
    /// The samples of a range that they have.
    pub fn new(samples: &'s S, range: std::ops::Range<usize>) -> Self {
        Self { samples, from: range.start, frames: range.len() }
    }
}

impl<S: Samples + ?Sized> Samples for Part<'_, S> {
    fn frames(&self) -> usize {
        self.frames
    }

    fn copy(&self, start: i64, out: &mut [f64]) -> Result<(), ClipError> {
        out.fill(0.0);
        let (from, at, count) = inside(start, out.len(), self.frames);
        self.samples.copy((self.from + from) as i64, &mut out[at..at + count])
    }
}

/// Samples on the disk, in a file that no other program can open and that goes with the process.
#[derive(Debug)]
pub struct Parked {
    disk: Mutex<Disk>,
    folder: PathBuf,
    frames: usize,
}

/// A file of samples. Whoever reads moves the place in it first.
#[derive(Debug)]
struct Disk {
    file: File,
    /// The block that was read last, for what is read in small stretches, and its number.
    block: (usize, Vec<f64>),
}

impl Disk {
    /// Fills `out` with the samples from `from` on, all of which are there.
    fn read(&mut self, from: usize, out: &mut [f64]) -> std::io::Result<()> {
        let mut bytes = vec![0; size_of_val(out)];
        self.file.seek(SeekFrom::Start((from * SAMPLE) as u64))?;
        self.file.read_exact(&mut bytes)?;
        for (sample, bytes) in out.iter_mut().zip(bytes.as_chunks::<SAMPLE>().0) {
            *sample = f64::from_le_bytes(*bytes);
        }
        Ok(())
    }

    /// The same of small stretches, of a file of so many samples: their blocks are read as a whole.
    fn read_from_blocks(&mut self, frames: usize, from: usize, out: &mut [f64]) -> std::io::Result<()> {
        let mut done = 0;
        while done < out.len() {
            let (number, at) = ((from + done) / BLOCK, (from + done) % BLOCK);
            if self.block.0 != number || self.block.1.is_empty() {
                let mut block = std::mem::take(&mut self.block.1);
                block.resize(BLOCK.min(frames - number * BLOCK), 0.0);
                self.read(number * BLOCK, &mut block)?;
                self.block = (number, block);
            }
            let there = &self.block.1[at..];
            let count = there.len().min(out.len() - done);
            out[done..done + count].copy_from_slice(&there[..count]);
            done += count;
        }
        Ok(())
    }
}

impl Parked {
    /// None yet.
    ///
    /// # Errors
    /// There is no place for temporary files.
    pub fn new() -> Result<Self, ClipError> {
        let (file, folder) = nameless().map_err(|(folder, error)| no_room(&folder, &error))?;
        Ok(Self { disk: Mutex::new(Disk { file, block: (0, Vec::new()) }), folder, frames: 0 })
    }

    /// Adds samples at the end.
    ///
    /// # Errors
    /// There is no room for them.
    pub fn push(&mut self, samples: &[f64]) -> Result<(), ClipError> {
        let bytes: Vec<u8> = samples.iter().flat_map(|sample| sample.to_le_bytes()).collect();
        let disk = self.disk.get_mut().unwrap_or_else(PoisonError::into_inner);
        // The last block grows.
        disk.block.1.clear();
        disk.file
            .seek(SeekFrom::Start((self.frames * SAMPLE) as u64))
            .and_then(|_| disk.file.write_all(&bytes))
            .map_err(|error| no_room(&self.folder, &error))?;
        self.frames += samples.len();
        Ok(())
    }
}

impl Samples for Parked {
    fn frames(&self) -> usize {
        self.frames
    }

    fn copy(&self, start: i64, out: &mut [f64]) -> Result<(), ClipError> {
        out.fill(0.0);
        let (from, at, count) = inside(start, out.len(), self.frames);
        let mut disk = self.disk.lock().unwrap_or_else(PoisonError::into_inner);
        let out = &mut out[at..at + count];
        let read =
            if count < SMALL { disk.read_from_blocks(self.frames, from, out) } else { disk.read(from, out) };
        read.map_err(|error| {
            ClipError(format!(
                "what was put away in {} cannot be read back: {}",
                self.folder.display(),
                reason(&error)
            ))
        })
    }
}

fn no_room(folder: &std::path::Path, error: &std::io::Error) -> ClipError {
    ClipError(format!(
        "long recordings lie in {} while they are worked on, and cannot: {}; make room there, or cut them",
        folder.display(),
        reason(error)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_put_away_comes_back_from_any_place() {
        let samples: Vec<f64> = (0..BLOCK + 1000).map(|n| (n as f64 * 0.1).sin()).collect();
        let mut parked = Parked::new().expect("a temporary file");
        for piece in samples.chunks(777) {
            parked.push(piece).expect("room");
        }
        assert_eq!(parked.frames(), samples.len());
        for start in [-1500, -3, 0, 5, 60_000, samples.len() as i64 - 2, samples.len() as i64 + 9] {
            let one = parked.stretch(start, 1200).expect("readable");
            assert_eq!(one, samples.stretch(start, 1200).expect("memory"), "{start}");
            let part = Part::new(&parked, 100..samples.len() - 7).stretch(start, 1200).expect("readable");
            assert_eq!(
                part,
                samples[100..samples.len() - 7].stretch(start, 1200).expect("memory"),
                "{start}"
            );
        }
        // In small stretches, across the seam of two blocks, and after more was added to a block that is at hand.
        let small: Vec<f64> = (0..samples.len())
            .step_by(100)
            .flat_map(|at| parked.stretch(at as i64, 100).expect("readable"))
            .collect();
        assert_eq!(small[..samples.len()], samples);
        let mut longer = samples.clone();
        longer.extend([0.25; 300]);
        parked.push(&longer[samples.len()..]).expect("room");
        let (end, samples) = (samples.len() as i64, longer);
        assert_eq!(parked.stretch(end - 50, 350).expect("readable"), samples[samples.len() - 350..]);
        let mut all = Vec::new();
        parked
            .each_block(|start, block| {
                assert_eq!(start, all.len());
                all.extend_from_slice(block);
            })
            .expect("readable");
        assert_eq!(all, samples);
    }
}
