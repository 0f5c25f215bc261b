//! The table itself: every key of every stage, in the order of the help line.

use super::Key::{
    self, Character as Letter, Down, Enter, Escape, Home, Interrupt, Left, PageDown, PageUp, Right, Tab, Up,
};
use super::StageKind::{
    self, Confidence, Level, Page, Question, Replay, Result, Resume, Sighted, Terms, Training, Trial, Typing,
    Verdict,
};
use super::{Action, Binding};

const LISTENING: &[StageKind] = &[Trial, Training, Confidence, Sighted, Replay];
const ANSWERING: &[StageKind] = &[Trial, Training];
/// Keys of the answers, in their order; no protocol has more.
const ANSWERS: &[Key] = &[Letter('j'), Letter('k'), Letter('l')];
const READING: &[StageKind] = &[Page, Terms, Typing, Level, Question, Resume, Result, Verdict];
const SCROLLING: &[StageKind] = &[Page, Terms, Typing, Question, Resume, Result, Verdict];

/// A row: what the keys do; the keys; how they are written, the word of plain lines, the word of the help line; what the
/// overlay says; where it applies.
const fn row(
    action: Action,
    keys: &'static [Key],
    (shown, word, hint): (&'static str, &'static str, &'static str),
    says: &'static str,
    stages: &'static [StageKind],
) -> Binding {
    Binding { action, keys, shown, word, hint, says, stages }
}

/// Every key of every stage, in the order of the help line.
pub const TABLE: &[Binding] = &[
    row(
        Action::Listen,
        &[],
        ("", "", "listen"),
        "listen to that sound, at the same place in the clip",
        &[Trial, Training, Sighted, Replay],
    ),
    row(Action::Answer, ANSWERS, ("", "", "answer"), "choose the answer with that letter", ANSWERING),
    row(
        Action::Confidence,
        &[Letter('1'), Letter('2'), Letter('3'), Letter('4'), Letter('5')],
        ("1-5", "", "how sure"),
        "how sure you are: 1 is a guess, 5 is certain",
        &[Confidence],
    ),
    row(
        Action::ChooseAbove,
        &[Up],
        ("↑", "", ""),
        "choose the answer above the one that is chosen",
        ANSWERING,
    ),
    row(
        Action::ChooseBelow,
        &[Down],
        ("↓", "", ""),
        "choose the answer below the one that is chosen",
        ANSWERING,
    ),
    row(
        Action::Confirm,
        &[Enter],
        ("Enter", "record", "record"),
        "record the chosen answer; it cannot be changed afterwards",
        &[Trial],
    ),
    row(
        Action::Confirm,
        &[Enter],
        ("Enter", "tell", "tell"),
        "tell whether the chosen answer is right",
        &[Training],
    ),
    row(
        Action::Back,
        &[Escape],
        ("Esc", "back", "back"),
        "take the choice back; without a choice, end the training",
        &[Training],
    ),
    row(
        Action::Back,
        &[Escape],
        ("Esc", "back", ""),
        "take the last step back, as long as nothing is recorded",
        &[Trial, Confidence, Question],
    ),
    row(Action::Next, &[Letter('n'), Down, Enter], ("n", "next", "next"), "the next trial", &[Replay]),
    row(Action::Previous, &[Letter('p'), Up], ("p", "previous", "previous"), "the trial before", &[Replay]),
    row(Action::Back, &[Escape, Letter('q')], ("Esc", "back", "back"), "back to the result", &[Replay]),
    row(Action::TogglePause, &[Letter(' ')], ("Space", "pause", "pause"), "pause, or play on", LISTENING),
    row(Action::Next, &[Letter('n')], ("n", "next", "next"), "the next pair", &[Sighted]),
    row(
        Action::Train,
        &[Letter('t')],
        ("t", "train", "train"),
        "train on this pair, with the answer told each time",
        &[Sighted],
    ),
    row(Action::Previous, &[Letter('p')], ("p", "previous", "previous"), "the pair before", &[Sighted]),
    row(Action::SeekBack, &[Left], ("←", "rewind", ""), "half a second back", LISTENING),
    row(Action::SeekOn, &[Right], ("→", "forward", ""), "half a second on", LISTENING),
    row(Action::LeapBack, &[PageUp], ("PgUp", "", ""), "two seconds back", LISTENING),
    row(Action::LeapOn, &[PageDown], ("PgDn", "", ""), "two seconds on", LISTENING),
    row(Action::Restart, &[Home], ("Home", "start", ""), "to the start of the loop or clip", LISTENING),
    row(Action::LoopStart, &[Letter('[')], ("[", "from", "loop from"), "the loop starts here", LISTENING),
    row(Action::LoopEnd, &[Letter(']')], ("]", "to", "to"), "the loop ends here", LISTENING),
    row(Action::LoopOff, &[Letter('w')], ("w", "whole", ""), "the whole clip again", LISTENING),
    row(
        Action::Receipt,
        &[Letter('i')],
        ("i", "receipt", ""),
        "show the receipt so far, to note down as you go",
        &[Trial],
    ),
    row(Action::Rest, &[Letter('z')], ("z", "rest", ""), "rest your ears before the next trial", &[Trial]),
    row(
        Action::Louder,
        &[Letter('+'), Letter('='), Up],
        ("↑", "louder", "louder"),
        "louder, at most the level of the clip itself (+ does the same)",
        &[Level],
    ),
    row(
        Action::Softer,
        &[Letter('-'), Down],
        ("↓", "softer", "softer"),
        "softer (- does the same)",
        &[Level],
    ),
    row(Action::Proceed, &[Enter], ("Enter", "go", "go on"), "go on", READING),
    row(
        Action::Anew,
        &[Letter('n')],
        ("n", "new", "new sitting"),
        "start a new sitting; the unfinished one stays in the register",
        &[Resume],
    ),
    row(Action::Others, &[Tab], ("Tab", "", "others"), "somebody else types a hand", &[Typing]),
    row(Action::Cautions, &[Letter('c')], ("c", "cautions", "cautions"), "every caution in full", &[Terms]),
    row(
        Action::Details,
        &[Letter('t')],
        ("t", "terms", "all terms"),
        "everything that is agreed on",
        &[Terms],
    ),
    row(
        Action::Report,
        &[Letter('r')],
        ("r", "report", "report"),
        "write the report, and show where it is",
        &[Verdict],
    ),
    row(
        Action::Trials,
        &[Letter('t')],
        ("t", "trials", "list"),
        "every trial in a list: what it was, and what you said",
        &[Verdict],
    ),
    row(Action::ScrollUp, &[Up, PageUp], ("↑", "", ""), "scroll up", SCROLLING),
    row(Action::ScrollDown, &[Down, PageDown], ("↓", "", ""), "scroll down", SCROLLING),
    row(
        Action::Leave,
        &[Letter('q'), Interrupt],
        ("q", "leave", "leave"),
        "leave; the same command goes on from here",
        &[Page, Terms, Level, Trial, Confidence, Resume],
    ),
    row(Action::Leave, &[Letter('q'), Interrupt], ("q", "leave", "leave"), "leave", &[Sighted, Training]),
    row(
        Action::Leave,
        &[Letter('q'), Interrupt],
        ("q", "leave", "end"),
        "end here; the result is printed once more",
        &[Verdict],
    ),
    row(
        Action::Leave,
        &[Escape, Interrupt],
        ("Esc", "leave", "leave"),
        "leave; the same command goes on from here",
        &[Typing],
    ),
    row(
        Action::Help,
        &[Letter('?')],
        ("?", "help", "all keys"),
        "show every key",
        &[
            Page, Terms, Level, Trial, Training, Confidence, Question, Resume, Sighted, Replay, Result,
            Verdict,
        ],
    ),
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

/// The key of the answer with this index.
pub fn answer_key(index: usize) -> Option<char> {
    ANSWERS.get(index).and_then(|key| if let Key::Character(letter) = key { Some(*letter) } else { None })
}

/// Index of the answer that this key chooses.
pub fn answer_of(key: Key) -> Option<usize> {
    let Key::Character(letter) = key else { return None };
    ANSWERS.iter().position(|own| *own == Key::Character(letter.to_ascii_lowercase()))
}
