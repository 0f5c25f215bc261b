//! Sends a clip by, block after block, in bounded memory: while one block is filtered, the next is read and the last is
//! written.

use crate::clip::{ClipError, OpenClip};
use crate::filter::{Convolver, Filtered, Fir};

/// Frames of the shortest block, those of all its sides together: enough for a few cores, and all that a block becomes still
/// fits a cache.
const SHORTEST_BLOCK: usize = 1 << 17;

/// Filters a clip through several sides at once. `finish` gets every block with the frame it starts at and changes it in
/// place; `sink` then takes it. `progress` is told the frames of each block.
pub(super) fn stream(
    clip: &OpenClip,
    firs: &[&Fir],
    finish: &(dyn Fn(&mut Filtered, u64) + Sync),
    sink: &mut (dyn FnMut(&Filtered) -> Result<(), ClipError> + Send),
    progress: &mut dyn FnMut(u64),
) -> Result<(), ClipError> {
    let mut convolver = Convolver::new(firs, usize::from(clip.info().channels));
    let mut reader = clip.reader()?;
    let hop = convolver.block_frames();
    let block = hop * (SHORTEST_BLOCK / firs.len().max(2)).div_ceil(hop);
    let mut position = 0_u64;
    let mut input = reader.read(block)?;
    // Buffers take turns: what is written now is filled next.
    let (mut next, mut output, mut last) = (Vec::new(), Filtered::default(), Filtered::default());
    loop {
        let frames = input[0].len();
        let (mut read, mut written) = (Ok(()), Ok(()));
        rayon::scope(|scope| {
            scope.spawn(|_| {
                if frames > 0 {
                    read = reader.read_into(block, &mut next);
                }
            });
            scope.spawn(|_| {
                if last.frames() > 0 {
                    written = sink(&last);
                }
            });
            if frames == 0 {
                output = convolver.finish();
            } else {
                convolver.push_into(&input, &mut output);
            }
            finish(&mut output, position);
        });
        written?;
        position += output.frames() as u64;
        progress(frames as u64);
        if frames == 0 {
            return if output.frames() > 0 { sink(&output) } else { Ok(()) };
        }
        read?;
        std::mem::swap(&mut last, &mut output);
        std::mem::swap(&mut input, &mut next);
    }
}
