//! The key table. Keys, help line, overlay and the words of the plain line mode all come from [`TABLE`].

use super::scene::{Slot, Stage};

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

const LISTENING: &[StageKind] =
    &[StageKind::Trial, StageKind::Confidence, StageKind::Sighted, StageKind::Replay];
/// Keys of the answers, in their order; no protocol has more.
const ANSWERS: &[Key] = &[Key::Character('j'), Key::Character('k'), Key::Character('l')];
const READING: &[StageKind] = &[
    StageKind::Page,
    StageKind::Terms,
    StageKind::Typing,
    StageKind::Level,
    StageKind::Question,
    StageKind::Resume,
    StageKind::Result,
    StageKind::Verdict,
];
const SCROLLING: &[StageKind] = &[
    StageKind::Page,
    StageKind::Terms,
    StageKind::Typing,
    StageKind::Question,
    StageKind::Resume,
    StageKind::Result,
    StageKind::Verdict,
];

/// Every key of every stage, in the order of the help line.
pub const TABLE: &[Binding] = &[
    Binding {
        action: Action::Listen,
        keys: &[],
        shown: "",
        word: "",
        hint: "listen",
        says: "switch to that slot, at the same place in the clip",
        stages: &[StageKind::Trial, StageKind::Sighted, StageKind::Replay],
    },
    Binding {
        action: Action::Answer,
        keys: ANSWERS,
        shown: "",
        word: "",
        hint: "answer",
        says: "choose the answer with that letter",
        stages: &[StageKind::Trial],
    },
    Binding {
        action: Action::Confidence,
        keys: &[
            Key::Character('1'),
            Key::Character('2'),
            Key::Character('3'),
            Key::Character('4'),
            Key::Character('5'),
        ],
        shown: "1-5",
        word: "",
        hint: "how sure",
        says: "how sure you are: 1 is a guess, 5 is certain",
        stages: &[StageKind::Confidence],
    },
    Binding {
        action: Action::ChooseAbove,
        keys: &[Key::Up],
        shown: "↑",
        word: "",
        hint: "",
        says: "choose the answer above the one that is chosen",
        stages: &[StageKind::Trial],
    },
    Binding {
        action: Action::ChooseBelow,
        keys: &[Key::Down],
        shown: "↓",
        word: "",
        hint: "",
        says: "choose the answer below the one that is chosen",
        stages: &[StageKind::Trial],
    },
    Binding {
        action: Action::Confirm,
        keys: &[Key::Enter],
        shown: "Enter",
        word: "record",
        hint: "record",
        says: "record the chosen answer; it cannot be changed afterwards",
        stages: &[StageKind::Trial],
    },
    Binding {
        action: Action::Back,
        keys: &[Key::Escape],
        shown: "Esc",
        word: "back",
        hint: "",
        says: "take the last step back, as long as nothing is recorded",
        stages: &[StageKind::Trial, StageKind::Confidence, StageKind::Question],
    },
    Binding {
        action: Action::Next,
        keys: &[Key::Character('n'), Key::Down, Key::Enter],
        shown: "n",
        word: "next",
        hint: "next",
        says: "the next trial",
        stages: &[StageKind::Replay],
    },
    Binding {
        action: Action::Previous,
        keys: &[Key::Character('p'), Key::Up],
        shown: "p",
        word: "previous",
        hint: "previous",
        says: "the trial before",
        stages: &[StageKind::Replay],
    },
    Binding {
        action: Action::Back,
        keys: &[Key::Escape, Key::Character('q')],
        shown: "Esc",
        word: "back",
        hint: "back",
        says: "back to the result",
        stages: &[StageKind::Replay],
    },
    Binding {
        action: Action::TogglePause,
        keys: &[Key::Character(' ')],
        shown: "Space",
        word: "pause",
        hint: "pause",
        says: "pause, or play on",
        stages: LISTENING,
    },
    Binding {
        action: Action::Next,
        keys: &[Key::Character('n')],
        shown: "n",
        word: "next",
        hint: "next",
        says: "the next pair",
        stages: &[StageKind::Sighted],
    },
    Binding {
        action: Action::Train,
        keys: &[Key::Character('t')],
        shown: "t",
        word: "train",
        hint: "train",
        says: "train on this pair, with the answer told each time",
        stages: &[StageKind::Sighted],
    },
    Binding {
        action: Action::Previous,
        keys: &[Key::Character('p')],
        shown: "p",
        word: "previous",
        hint: "previous",
        says: "the pair before",
        stages: &[StageKind::Sighted],
    },
    Binding {
        action: Action::SeekBack,
        keys: &[Key::Left],
        shown: "←",
        word: "rewind",
        hint: "",
        says: "half a second back",
        stages: LISTENING,
    },
    Binding {
        action: Action::SeekOn,
        keys: &[Key::Right],
        shown: "→",
        word: "forward",
        hint: "",
        says: "half a second on",
        stages: LISTENING,
    },
    Binding {
        action: Action::LeapBack,
        keys: &[Key::PageUp],
        shown: "PgUp",
        word: "",
        hint: "",
        says: "two seconds back",
        stages: LISTENING,
    },
    Binding {
        action: Action::LeapOn,
        keys: &[Key::PageDown],
        shown: "PgDn",
        word: "",
        hint: "",
        says: "two seconds on",
        stages: LISTENING,
    },
    Binding {
        action: Action::Restart,
        keys: &[Key::Home],
        shown: "Home",
        word: "start",
        hint: "",
        says: "to the start of the loop or clip",
        stages: LISTENING,
    },
    Binding {
        action: Action::LoopStart,
        keys: &[Key::Character('[')],
        shown: "[",
        word: "from",
        hint: "loop from",
        says: "the loop starts here",
        stages: LISTENING,
    },
    Binding {
        action: Action::LoopEnd,
        keys: &[Key::Character(']')],
        shown: "]",
        word: "to",
        hint: "to",
        says: "the loop ends here",
        stages: LISTENING,
    },
    Binding {
        action: Action::LoopOff,
        keys: &[Key::Character('w')],
        shown: "w",
        word: "whole",
        hint: "",
        says: "the whole clip again",
        stages: LISTENING,
    },
    Binding {
        action: Action::Receipt,
        keys: &[Key::Character('i')],
        shown: "i",
        word: "receipt",
        hint: "",
        says: "show the receipt so far, to note down as you go",
        stages: &[StageKind::Trial],
    },
    Binding {
        action: Action::Rest,
        keys: &[Key::Character('z')],
        shown: "z",
        word: "rest",
        hint: "",
        says: "rest your ears before the next trial",
        stages: &[StageKind::Trial],
    },
    Binding {
        action: Action::Louder,
        keys: &[Key::Character('+'), Key::Character('='), Key::Up],
        shown: "↑",
        word: "louder",
        hint: "louder",
        says: "louder, at most the level of the clip itself (+ does the same)",
        stages: &[StageKind::Level],
    },
    Binding {
        action: Action::Softer,
        keys: &[Key::Character('-'), Key::Down],
        shown: "↓",
        word: "softer",
        hint: "softer",
        says: "softer (- does the same)",
        stages: &[StageKind::Level],
    },
    Binding {
        action: Action::Proceed,
        keys: &[Key::Enter],
        shown: "Enter",
        word: "go",
        hint: "go on",
        says: "go on",
        stages: READING,
    },
    Binding {
        action: Action::Anew,
        keys: &[Key::Character('n')],
        shown: "n",
        word: "new",
        hint: "new sitting",
        says: "start a new sitting; the unfinished one stays in the register",
        stages: &[StageKind::Resume],
    },
    Binding {
        action: Action::Others,
        keys: &[Key::Tab],
        shown: "Tab",
        word: "",
        hint: "others",
        says: "somebody else types a hand",
        stages: &[StageKind::Typing],
    },
    Binding {
        action: Action::Cautions,
        keys: &[Key::Character('c')],
        shown: "c",
        word: "cautions",
        hint: "cautions",
        says: "every caution in full",
        stages: &[StageKind::Terms],
    },
    Binding {
        action: Action::Details,
        keys: &[Key::Character('t')],
        shown: "t",
        word: "terms",
        hint: "all terms",
        says: "everything that is agreed on",
        stages: &[StageKind::Terms],
    },
    Binding {
        action: Action::Trials,
        keys: &[Key::Character('t')],
        shown: "t",
        word: "trials",
        hint: "list",
        says: "every trial in a list: what it was, and what you said",
        stages: &[StageKind::Verdict],
    },
    Binding {
        action: Action::ScrollUp,
        keys: &[Key::Up, Key::PageUp],
        shown: "↑",
        word: "",
        hint: "",
        says: "scroll up",
        stages: SCROLLING,
    },
    Binding {
        action: Action::ScrollDown,
        keys: &[Key::Down, Key::PageDown],
        shown: "↓",
        word: "",
        hint: "",
        says: "scroll down",
        stages: SCROLLING,
    },
    Binding {
        action: Action::Leave,
        keys: &[Key::Character('q'), Key::Interrupt],
        shown: "q",
        word: "leave",
        hint: "leave",
        says: "leave, after a question; the sitting can be resumed",
        stages: &[
            StageKind::Page,
            StageKind::Terms,
            StageKind::Level,
            StageKind::Trial,
            StageKind::Confidence,
            StageKind::Resume,
        ],
    },
    Binding {
        action: Action::Leave,
        keys: &[Key::Character('q'), Key::Interrupt],
        shown: "q",
        word: "leave",
        hint: "leave",
        says: "leave, after a question",
        stages: &[StageKind::Sighted],
    },
    Binding {
        action: Action::Leave,
        keys: &[Key::Character('q'), Key::Interrupt],
        shown: "q",
        word: "leave",
        hint: "end",
        says: "end here; the result is printed once more",
        stages: &[StageKind::Verdict],
    },
    Binding {
        action: Action::Leave,
        keys: &[Key::Escape, Key::Interrupt],
        shown: "Esc",
        word: "leave",
        hint: "leave",
        says: "leave, after a question; the sitting can be resumed",
        stages: &[StageKind::Typing],
    },
    Binding {
        action: Action::Help,
        keys: &[Key::Character('?')],
        shown: "?",
        word: "help",
        hint: "all keys",
        says: "show every key",
        stages: &[
            StageKind::Page,
            StageKind::Terms,
            StageKind::Level,
            StageKind::Trial,
            StageKind::Confidence,
            StageKind::Question,
            StageKind::Resume,
            StageKind::Sighted,
            StageKind::Replay,
            StageKind::Result,
            StageKind::Verdict,
        ],
    },
];

/// The bindings that apply in a stage, in table order.
pub fn bindings(kind: StageKind) -> impl Iterator<Item = &'static Binding> {
    TABLE.iter().filter(move |binding| binding.stages.contains(&kind))
}

/// What a key does in a stage, slots aside.
pub fn action(kind: StageKind, key: Key) -> Option<Action> {
    let lowered = match key {
        Key::Character(character) => Key::Character(character.to_ascii_lowercase()),
        other => other,
    };
    bindings(kind).find(|binding| binding.keys.contains(&lowered)).map(|binding| binding.action)
}

/// How a binding's keys are written in this stage: slots have their own labels.
pub fn shown(binding: &Binding, stage: &Stage) -> String {
    let spaced = |keys: &mut dyn Iterator<Item = char>| {
        keys.map(|key| key.to_string()).collect::<Vec<_>>().join(" ")
    };
    match (binding.action, stage) {
        (Action::Listen, Stage::Trial(trial)) => spaced(&mut trial.slots.iter().map(Slot::key)),
        (Action::Answer, Stage::Trial(trial)) => {
            spaced(&mut (0..trial.answers.len()).filter_map(answer_key))
        }
        _ => binding.shown.to_string(),
    }
}

/// The key of the answer with this index.
pub fn answer_key(index: usize) -> Option<char> {
    ANSWERS.get(index).and_then(|key| if let Key::Character(letter) = key { Some(*letter) } else { None })
}

/// Index of the answer that this key chooses.
pub fn answer_of(key: Key) -> Option<usize> {
    let Key::Character(letter) = key else { return None };
    ANSWERS.iter().position(|own| *own == Key::Character(letter.to_ascii_lowercase()))
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
            for kind in [StageKind::Trial, StageKind::Sighted, StageKind::Replay] {
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
