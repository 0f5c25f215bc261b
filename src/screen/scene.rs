//! What can be shown, and what a listener can want.

use super::keys::{Action, Binding, StageKind, answer_key};
use super::page::{Block, Mark};

/// Everything that a face shows at one moment. It holds no draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// Title of the session.
    pub title: String,
    /// Name of the listener.
    pub listener: String,
    /// Marks that stand on every screen, such as `SIMULATED LISTENER`.
    pub marks: Vec<String>,
    /// One line about what has just happened, if anything.
    pub notice: Option<Notice>,
    /// What fills the screen.
    pub stage: Stage,
}

/// One line about what has just happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// Something that has to be minded; it is marked.
    Warning(String),
    /// Good news.
    News(String),
}

impl Notice {
    /// Something that has to be minded.
    pub fn warning(text: impl Into<String>) -> Self {
        Self::Warning(text.into())
    }

    /// Good news.
    pub fn news(text: impl Into<String>) -> Self {
        Self::News(text.into())
    }

    /// What it says.
    pub fn text(&self) -> &str {
        match self {
            Self::Warning(text) | Self::News(text) => text,
        }
    }
}

/// What fills the screen.
#[derive(Debug, Clone, PartialEq)]
pub enum Stage {
    /// Text to read, with at most one line to type.
    Page(PageScene),
    /// A trial.
    Trial(TrialScene),
}

impl Stage {
    /// Which keys apply.
    pub fn kind(&self) -> StageKind {
        match self {
            Self::Page(page) => page.kind,
            Self::Trial(trial) => trial.kind,
        }
    }

    /// Ctrl-C asks first: somebody conducts by typing what everybody may read, and may only have meant to copy it.
    pub fn asks_before_leaving(&self) -> bool {
        match self {
            Self::Page(page) => {
                let open = page.entry.as_ref().is_some_and(|entry| !entry.hidden);
                page.kind == StageKind::Typing && open && !page.stoppable
            }
            Self::Trial(_) => false,
        }
    }

    /// Leaving may also mean to stop for good.
    pub fn stoppable(&self) -> bool {
        match self {
            Self::Page(page) => page.stoppable,
            Self::Trial(trial) => trial.stoppable,
        }
    }
}

/// Text to read, with at most one line to type.
#[derive(Debug, Clone, PartialEq)]
pub struct PageScene {
    /// Which keys apply.
    pub kind: StageKind,
    /// Changes when the page becomes another one: scrolling and typing start anew.
    pub id: u64,
    /// What the page is, in a few words.
    pub heading: String,
    /// The text.
    pub blocks: Vec<Block>,
    /// A line to type, if one is asked for.
    pub entry: Option<Entry>,
    /// What Enter does; `None` while nothing can be done but wait.
    pub proceed: Option<String>,
    /// Work in the background.
    pub progress: Option<Progress>,
    /// Leaving may also mean to stop for good.
    pub stoppable: bool,
    /// Text that waits behind keys of this page.
    pub folds: Vec<Fold>,
}

impl PageScene {
    /// The fold that an action opens.
    pub fn fold(&self, action: Action) -> Option<usize> {
        self.folds.iter().position(|fold| fold.action == action)
    }
}

/// Text that waits behind a key.
#[derive(Debug, Clone, PartialEq)]
pub struct Fold {
    /// The key's action: [`Action::Cautions`], [`Action::Details`] or [`Action::Trials`].
    pub action: Action,
    /// What it is, in a few words.
    pub heading: String,
    /// The text.
    pub blocks: Vec<Block>,
}

/// A line to type.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// What is asked for.
    pub label: String,
    /// Show dots in place of what is typed.
    pub hidden: bool,
    /// Somebody else may type here as well.
    pub others: bool,
}

/// Work in the background.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Progress {
    /// What is being done.
    pub label: String,
    /// Pieces done.
    pub done: usize,
    /// Pieces in all.
    pub total: usize,
}

/// Something to listen to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slot {
    /// Its name, one character such as `A`, `X` or `2`; its lower case is the key.
    pub label: char,
    /// What it is, in a word or two.
    pub role: String,
    /// It is asked about and has not been heard for long enough.
    pub unheard: bool,
}

impl Slot {
    /// The key that switches to it.
    pub fn key(&self) -> char {
        self.label.to_ascii_lowercase()
    }
}

/// A trial.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialScene {
    /// Which keys apply: [`StageKind::Trial`], [`StageKind::Training`], [`StageKind::Confidence`],
    /// [`StageKind::Sighted`] or [`StageKind::Replay`].
    pub kind: StageKind,
    /// What is being done, such as `Trial 5 of 20`.
    pub heading: String,
    /// What the sound is, such as the clip's name.
    pub about: String,
    /// Trials answered.
    pub done: u32,
    /// Trials in all.
    pub total: u32,
    /// Where the seal is open: how each trial was answered; this one is number `done`, from 0.
    pub trail: Vec<Mark>,
    /// What is asked.
    pub question: String,
    /// What there is to listen to.
    pub slots: Vec<Slot>,
    /// Index in `slots` of the one that was switched to last.
    pub hearing: Option<usize>,
    /// Sound is running.
    pub playing: bool,
    /// Position in the clip in seconds.
    pub position: f64,
    /// Length of the clip in seconds.
    pub length: f64,
    /// Loop region in seconds; `None` is the whole clip.
    pub region: Option<(f64, f64)>,
    /// The possible answers, in words.
    pub answers: Vec<String>,
    /// Index of the answer that is chosen and not yet confirmed.
    pub chosen: Option<usize>,
    /// Seconds since the first trial.
    pub elapsed: f64,
    /// Leaving may also mean to stop for good.
    pub stoppable: bool,
    /// Real cables are presented in whole rounds: nothing pauses, and what plays begins the next one.
    pub in_rounds: bool,
    /// The running receipt in words, when the listener asked to see it.
    pub receipt: Option<String>,
}

/// How a binding's keys are written in this stage: slots have their own labels.
pub fn shown(binding: &Binding, stage: &Stage) -> String {
    let spaced =
        |keys: &mut dyn Iterator<Item = char>| keys.map(|key| key.to_string()).collect::<Vec<_>>().join(" ");
    match (binding.action, stage) {
        (Action::Listen, Stage::Trial(trial)) => spaced(&mut trial.slots.iter().map(Slot::key)),
        (Action::Answer, Stage::Trial(trial)) => spaced(&mut (0..trial.answers.len()).filter_map(answer_key)),
        _ => binding.shown.to_string(),
    }
}

/// What a listener wants. Whether it can be had is decided elsewhere.
#[derive(Debug, Clone, PartialEq)]
pub enum Intent {
    /// Go on from a page.
    Proceed,
    /// A line was typed and ended with Enter.
    Typed(String),
    /// Listen to the slot with this index.
    Listen(usize),
    /// Pause or play on.
    TogglePause,
    /// Move by so many seconds.
    Seek(f64),
    /// Move to so many seconds from the start.
    SeekTo(f64),
    /// Back to the start of the loop.
    Restart,
    /// The loop starts here.
    LoopStart,
    /// The loop ends here.
    LoopEnd,
    /// The whole clip again.
    LoopOff,
    /// Choose the answer with this index.
    Choose(usize),
    /// The chosen answer is meant.
    Confirm,
    /// Confidence, 1 to 5.
    Confidence(u8),
    /// Take the last step back.
    Back,
    /// Louder.
    Louder,
    /// Softer.
    Softer,
    /// Show or hide the running receipt.
    Receipt,
    /// The next pair or trial; where a line is typed: it is somebody else's turn.
    Next,
    /// The pair or trial before.
    Previous,
    /// Training with feedback (in an audition).
    Train,
    /// Write the report.
    Report,
    /// A new sitting in place of the one that was cut off.
    Anew,
    /// A rest now.
    Rest,
    /// Stop for good before the rule allows it.
    Stop,
    /// Leave; the sitting can be resumed.
    Leave,
}
