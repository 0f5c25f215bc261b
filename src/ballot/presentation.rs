//! How a trial is presented to a room: one stimulus after the other in the stated order, with a silence between them.
//!
//! Comes in: the number of slots, the length of the clip, the pauses, and the time since the presentation started. Goes
//! out: what plays at that time. All in milliseconds. Nothing in here can depend on a draw: both sides of a clip have
//! the same length.

/// The pace of the automatic presentation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Silence between two stimuli.
    pub gap_ms: u64,
    /// How long votes are taken after the last stimulus.
    pub vote_ms: u64,
    /// Pause before the next trial starts by itself; `None` waits for the host.
    pub pause_ms: Option<u64>,
    /// How often the whole order is presented before votes close.
    pub rounds: u32,
}

impl Default for Timing {
    fn default() -> Self {
        Self { gap_ms: 1000, vote_ms: 20_000, pause_ms: None, rounds: 1 }
    }
}

/// What is heard at a moment of a presentation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moment {
    /// A stimulus plays.
    Playing {
        /// Index of the slot.
        slot: usize,
        /// Milliseconds until it ends.
        left_ms: u64,
    },
    /// Silence before a stimulus.
    Gap {
        /// Index of the slot that comes next.
        next: usize,
        /// Milliseconds until it starts.
        left_ms: u64,
    },
    /// Everything has been presented.
    Over,
}

/// What is heard `since_ms` after the start of a presentation of `slots` stimuli of `clip_ms` each, `rounds` times. A
/// silence comes first, so that the room is quiet when the first stimulus starts.
pub fn moment(since_ms: u64, slots: usize, clip_ms: u64, gap_ms: u64, rounds: u32) -> Moment {
    // A clip of no length would end before it is heard.
    let clip_ms = clip_ms.max(1);
    let each = gap_ms + clip_ms;
    let place = since_ms / each;
    if place >= slots as u64 * u64::from(rounds.max(1)) {
        return Moment::Over;
    }
    let slot = (place % slots as u64) as usize;
    let within = since_ms % each;
    if within < gap_ms {
        Moment::Gap { next: slot, left_ms: gap_ms - within }
    } else {
        Moment::Playing { slot, left_ms: each - within }
    }
}

impl Moment {
    /// The same, where the places come in another order than their numbers.
    #[must_use]
    pub fn in_order(self, order: &[usize]) -> Self {
        let place = |at: usize| order.get(at).copied().unwrap_or(at);
        match self {
            Self::Playing { slot, left_ms } => Self::Playing { slot: place(slot), left_ms },
            Self::Gap { next, left_ms } => Self::Gap { next: place(next), left_ms },
            Self::Over => Self::Over,
        }
    }
}

/// The order in words, such as `A, B, X`.
pub fn order(labels: &[&str], rounds: u32) -> String {
    let once = labels.join(", ");
    if rounds > 1 { format!("{once}; {rounds} times") } else { once }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stimuli_come_in_order_with_a_silence_before_each() {
        let at = |since| moment(since, 3, 1000, 200, 1);
        assert_eq!(at(0), Moment::Gap { next: 0, left_ms: 200 });
        assert_eq!(at(199), Moment::Gap { next: 0, left_ms: 1 });
        assert_eq!(at(200), Moment::Playing { slot: 0, left_ms: 1000 });
        assert_eq!(at(1199), Moment::Playing { slot: 0, left_ms: 1 });
        assert_eq!(at(1200), Moment::Gap { next: 1, left_ms: 200 });
        assert_eq!(at(2600), Moment::Playing { slot: 2, left_ms: 1000 });
        assert_eq!(at(3600), Moment::Over);
    }

    #[test]
    fn rounds_repeat_the_order() {
        assert_eq!(moment(2400, 2, 1000, 200, 2), Moment::Gap { next: 0, left_ms: 200 });
        assert_eq!(moment(4800, 2, 1000, 200, 2), Moment::Over);
        assert_eq!(order(&["A", "B", "X"], 1), "A, B, X");
        assert_eq!(order(&["A", "B", "X"], 2), "A, B, X; 2 times");
    }

    #[test]
    fn no_length_is_endless() {
        assert_eq!(moment(10, 2, 0, 0, 1), Moment::Over);
    }
}
