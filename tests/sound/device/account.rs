//! What a recording holds, frame by frame.

use std::path::Path;

/// A sample as a device takes it.
pub(super) trait Word: Copy + PartialEq + Default + std::fmt::Debug {
    /// As it stands in a recording.
    fn read(bytes: [u8; 4]) -> Self;
    /// What the player makes of a sample.
    fn of(sample: f32) -> Self;
}

impl Word for f32 {
    fn read(bytes: [u8; 4]) -> Self {
        Self::from_le_bytes(bytes)
    }

    fn of(sample: f32) -> Self {
        sample
    }
}

impl Word for i32 {
    fn read(bytes: [u8; 4]) -> Self {
        Self::from_le_bytes(bytes)
    }

    fn of(sample: f32) -> Self {
        (f64::from(sample) * 2_147_483_648.0).round_ties_even() as i32
    }
}

pub(super) type Frame<W> = [W; 2];

/// A stimulus, frame by frame.
pub(super) fn frames(samples: &[f32]) -> Vec<Frame<f32>> {
    samples.chunks_exact(2).map(|pair| [pair[0], pair[1]]).collect()
}

/// A recording of two channels.
pub(super) fn recorded<W: Word>(path: &Path) -> Vec<Frame<W>> {
    let bytes = std::fs::read(path).expect("a recording");
    let word = |bytes: &[u8]| W::read([bytes[0], bytes[1], bytes[2], bytes[3]]);
    bytes.chunks_exact(8).map(|frame| [word(&frame[..4]), word(&frame[4..])]).collect()
}

/// Stretches of sound between stretches of silence of at least 50 ms, with half of that kept around them.
pub(super) fn stretches<W: Word>(played: &[Frame<W>]) -> Vec<&[Frame<W>]> {
    const SILENCE: usize = 2_400;
    let silent = [W::default(); 2];
    let mut found = Vec::new();
    let mut from = None;
    let mut quiet = 0;
    for (at, frame) in played.iter().enumerate() {
        if *frame != silent {
            from.get_or_insert(at.saturating_sub(SILENCE / 2));
            quiet = 0;
            continue;
        }
        quiet += 1;
        if quiet == SILENCE
            && let Some(from) = from.take()
        {
            found.push(&played[from..=at]);
        }
    }
    found.extend(from.map(|from| &played[from..]));
    found
}

/// What a recording holds.
#[derive(Debug, Default)]
pub(super) struct Account {
    pub(super) steady: usize,
    pub(super) switches: usize,
    /// Frames from the first steady one to the fade of the pause.
    pub(super) explained: usize,
}

fn rising(step: usize, length: usize) -> f32 {
    (0.5 - 0.5 * (std::f64::consts::PI * (step as f64 + 0.5) / length as f64).cos()) as f32
}

/// Where a recording is itself again after a fault, in words.
fn goes_on<W: Word>(played: &[Frame<W>], stimuli: &[Vec<Frame<f32>>; 2]) -> String {
    let found = (0..played.len().saturating_sub(8)).find_map(|late| {
        let run = &played[late..late + 8];
        (0..2)
            .flat_map(|index| (0..stimuli[index].len() - 8).map(move |position| (index, position)))
            .find(|&(index, p)| (0..8).all(|i| run[i] == stimuli[index][p + i].map(W::of)))
            .map(|(index, position)| (late, index, position))
    });
    match found {
        Some((late, index, position)) => {
            format!("{late} frames later it goes on with stimulus {index} at {position}")
        }
        None => "it does not go on".to_owned(),
    }
}

/// Explains every frame of a recording from the end of the start ramp on: a stimulus at the one position that follows
/// the last, a crossfade, or the fade of the pause followed by silence. Nothing may be lost, doubled or changed by a bit.
pub(super) fn account_for<W: Word>(
    played: &[Frame<W>],
    stimuli: &[Vec<Frame<f32>>; 2],
    rate: usize,
) -> Account {
    let (switch, fade) = (rate / 200, rate / 100);
    let length = stimuli[0].len();
    let silent = [W::default(); 2];
    let as_played = |frame: Frame<f32>| frame.map(W::of);
    let begin = played.iter().position(|frame| *frame != silent).expect("something was played");
    // The start ramp is 0.3 s long.
    let first = begin + rate / 3;
    let run: Vec<Frame<W>> = played[first..first + 8].to_vec();
    let (mut current, mut position) = (0..2)
        .flat_map(|index| (0..length).map(move |position| (index, position)))
        .find(|&(index, p)| {
            run.iter().enumerate().all(|(i, frame)| *frame == as_played(stimuli[index][(p + i) % length]))
        })
        .expect("a stimulus is heard after the ramp");
    let mut account = Account::default();
    let mut at = first;
    while at < played.len() {
        if played[at] == as_played(stimuli[current][position]) {
            account.steady += 1;
            at += 1;
            position = (position + 1) % length;
            continue;
        }
        // The first weights may be too small to change a sample.
        let heard_at = |step: usize, late: usize, expected: &dyn Fn(Frame<f32>, Frame<f32>) -> Frame<f32>| {
            let place = (position + length + step - late) % length;
            let frame = expected(stimuli[current][place], stimuli[1 - current][place]);
            played.get(at + step - late).is_some_and(|heard| *heard == as_played(frame))
        };
        let crossfade = (0..3).find(|&late| {
            (late..switch).all(|step| {
                let weight = rising(step, switch);
                heard_at(step, late, &|from, to| {
                    [0, 1].map(|channel| from[channel] + weight * (to[channel] - from[channel]))
                })
            })
        });
        if let Some(late) = crossfade {
            account.switches += 1;
            current = 1 - current;
            at += switch - late;
            position = (position + switch - late) % length;
            continue;
        }
        let faded = (0..3).any(|late| {
            (late..fade).all(|step| {
                let gain = rising(fade - 1 - step, fade);
                heard_at(step, late, &|from, _| from.map(|sample| gain * sample))
            })
        });
        assert!(
            faded,
            "frame {at} ({} s) is neither stimulus nor fade: {:?}, where stimulus {current} is at {position}; {}",
            at as f64 / rate as f64,
            played[at],
            goes_on(&played[at..], stimuli)
        );
        assert!(
            played[(at + fade).min(played.len())..].iter().all(|frame| *frame == silent),
            "after the pause there is silence"
        );
        account.explained = at - first;
        return account;
    }
    panic!("the recording ends before the pause: {account:?}");
}
