//! The key table. Keys, help line, overlay and the words of the plain line mode all come from [`TABLE`].

mod table;

pub use table::{TABLE, action, answer_key, answer_of, bindings};

/// A key, free of any terminal library.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Key {
    /// A character.
    Character(char),
    /// Enter.
    Enter,
    /// Escape.
    Escape,
    /// Backspace.
    Backspace,
    /// Arrow up.
    Up,
    /// Arrow down.
    Down,
    /// Arrow left.
    Left,
    /// Arrow right.
    Right,
    /// Page up.
    PageUp,
    /// Page down.
    PageDown,
    /// Home.
    Home,
    /// End.
    End,
    /// Tabulator.
    Tab,
    /// Control and C together, or a request to end from outside.
    Interrupt,
}

/// What comes in from a terminal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Input {
    /// A key was pressed.
    Key(Key),
    /// The main mouse button was pressed at this cell.
    Click {
        /// Column from 0.
        column: u16,
        /// Row from 0.
        row: u16,
    },
    /// The wheel turned: negative is up.
    Wheel(i16),
    /// Text was pasted.
    Paste(String),
    /// The terminal has another size.
    Resize,
}

/// Kinds of stage, by the keys that apply.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StageKind {
    /// Text to read.
    Page,
    /// What is agreed, to be accepted; more waits behind keys.
    Terms,
    /// A page with a line to type: letters are text there.
    Typing,
    /// The level check.
    Level,
    /// A trial.
    Trial,
    /// A trial whose answer is told at once: training.
    Training,
    /// How sure the listener is of an answer.
    Confidence,
    /// Sighted listening.
    Sighted,
    /// A question that Enter answers with yes and Escape with no.
    Question,
    /// A sitting was cut off: go on with it, or a new one.
    Resume,
    /// Nothing more to be done but to leave.
    Result,
    /// What a sitting came to.
    Verdict,
    /// A trial again, when the seal is open.
    Replay,
}

/// What a key does. Slots have keys of their own, their labels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Action {
    /// Switch to a slot (the keys are the slots' labels).
    Listen,
    /// Pause or play on.
    TogglePause,
    /// Half a second back.
    SeekBack,
    /// Half a second on.
    SeekOn,
    /// Two seconds back.
    LeapBack,
    /// Two seconds on.
    LeapOn,
    /// Back to the start of the loop.
    Restart,
    /// The loop starts here.
    LoopStart,
    /// The loop ends here.
    LoopEnd,
    /// The whole clip again.
    LoopOff,
    /// The answer above.
    ChooseAbove,
    /// The answer below.
    ChooseBelow,
    /// An answer by its own key.
    Answer,
    /// Record the chosen answer.
    Confirm,
    /// Confidence 1 to 5.
    Confidence,
    /// Take the last step back.
    Back,
    /// Louder.
    Louder,
    /// Softer.
    Softer,
    /// Show or hide the running receipt.
    Receipt,
    /// The next pair.
    Next,
    /// The pair before.
    Previous,
    /// Training with feedback.
    Train,
    /// Write the report.
    Report,
    /// Go on.
    Proceed,
    /// Every caution in full.
    Cautions,
    /// Everything that is agreed on.
    Details,
    /// Trial by trial.
    Trials,
    /// Somebody else types.
    Others,
    /// Scroll up.
    ScrollUp,
    /// Scroll down.
    ScrollDown,
    /// Show every key.
    Help,
    /// A new sitting in place of the one that was cut off.
    Anew,
    /// A rest now.
    Rest,
    /// Leave.
    Leave,
}

/// One line of the table.
#[derive(Debug, Clone, Copy)]
pub struct Binding {
    /// What it does.
    pub action: Action,
    /// The keys that do it.
    pub keys: &'static [Key],
    /// How the keys are written.
    pub shown: &'static str,
    /// The word that does it in plain line mode; empty where there is none.
    pub word: &'static str,
    /// One word for the help line; empty keeps it to the overlay.
    pub hint: &'static str,
    /// What it does, for the overlay.
    pub says: &'static str,
    /// Where it applies.
    pub stages: &'static [StageKind],
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_key_means_two_things_in_one_stage() {
        for kind in [
            StageKind::Page,
            StageKind::Terms,
            StageKind::Verdict,
            StageKind::Replay,
            StageKind::Typing,
            StageKind::Level,
            StageKind::Trial,
            StageKind::Training,
            StageKind::Confidence,
            StageKind::Sighted,
            StageKind::Question,
            StageKind::Resume,
            StageKind::Result,
        ] {
            let mut seen = std::collections::HashSet::new();
            for binding in bindings(kind) {
                for key in binding.keys {
                    assert!(seen.insert(*key), "{key:?} is bound twice in {kind:?}");
                }
            }
        }
    }

    #[test]
    fn no_slot_label_is_a_key_of_the_table() {
        for label in ['a', 'b', 'x', 'r', '1', '2', '3', '4'] {
            for kind in [StageKind::Trial, StageKind::Training, StageKind::Sighted, StageKind::Replay] {
                assert_eq!(action(kind, Key::Character(label)), None, "{label} in {kind:?}");
            }
        }
    }

    #[test]
    fn every_protocol_has_a_key_for_each_answer() {
        for protocol in crate::stats::Protocol::ALL {
            let answers = crate::stats::protocol::Definition::of(protocol).alternatives.len();
            let keys: Vec<char> = (0..answers).map_while(answer_key).collect();
            assert_eq!(keys.len(), answers, "{protocol}");
            assert!(keys.iter().enumerate().all(|(at, key)| answer_of(Key::Character(*key)) == Some(at)));
        }
    }

    #[test]
    fn words_of_the_plain_mode_are_unique_in_a_stage() {
        for kind in [
            StageKind::Trial,
            StageKind::Training,
            StageKind::Sighted,
            StageKind::Replay,
            StageKind::Level,
            StageKind::Page,
            StageKind::Terms,
            StageKind::Verdict,
        ] {
            let words: Vec<_> = bindings(kind).map(|b| b.word).filter(|word| !word.is_empty()).collect();
            let unique: std::collections::HashSet<_> = words.iter().collect();
            assert_eq!(words.len(), unique.len(), "{words:?}");
        }
    }
}
