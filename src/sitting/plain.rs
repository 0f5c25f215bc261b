//! The plain line mode: whole lines in, whole lines out, no cursor, no colour, no symbol that has to be seen. For screen
//! readers, serial terminals and scripts.

use std::fmt::Write as _;
use std::io::{self, BufRead, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use super::face::{Face, FaceError};
use crate::screen::keys::{Action, Key, answer_key, answer_of, bindings};
use crate::screen::page::{plain_lines, wrap};
use crate::screen::terminal::Hidden;
use crate::screen::trial_stage::listen_first;
use crate::screen::{Intent, PageScene, Scene, Stage, StageKind, TrialScene};

/// Width of the lines in characters.
const WIDTH: usize = 78;

/// Lines as they come; the end of input is the end of the channel.
pub type Lines = Receiver<io::Result<String>>;

/// Lines of `input`, read on a thread of its own, so that time can pass between them.
pub fn lines_of(input: impl BufRead + Send + 'static) -> Lines {
    let (sender, lines) = channel();
    std::thread::spawn(move || {
        for line in input.lines() {
            if sender.send(line).is_err() {
                return;
            }
        }
    });
    lines
}

/// Lines of standard input.
pub fn standard_input() -> Lines {
    lines_of(io::BufReader::new(io::stdin()))
}

/// Plain lines as a face.
pub struct Plain<W: Write> {
    lines: Lines,
    out: W,
    /// What was said last, so that nothing is said twice.
    /// Time for which no line is read: the listener only listens.
    idle: Duration,
    said: Option<Said>,
    scene: Option<Scene>,
    hiding: Hiding,
    /// Lines come from standard input, which may be a terminal that shows what is typed.
    standard_input: bool,
}

/// Whether what is typed is hidden now.
enum Hiding {
    /// Nothing has to be.
    NotAsked,
    /// The terminal shows nothing until this is dropped.
    Hidden { _until_dropped: Hidden },
    /// It cannot be, and that was said.
    Impossible,
}

/// The parts of a scene that are worth a line when they change. Running time is not: it would never be silent.
#[derive(Debug, Clone, PartialEq)]
struct Said {
    marks: Vec<String>,
    notice: Option<String>,
    place: String,
    lines: Vec<String>,
    state: String,
}

impl<W: Write> Plain<W> {
    /// Takes lines that come from elsewhere.
    pub fn taking(lines: Lines, out: W) -> Self {
        Self {
            lines,
            out,
            idle: Duration::ZERO,
            said: None,
            scene: None,
            hiding: Hiding::NotAsked,
            standard_input: false,
        }
    }

    /// Reads lines from standard input; a terminal is kept from showing a passphrase.
    pub fn on_standard_input(out: W) -> Self {
        Self::taking_standard_input(standard_input(), out)
    }

    /// The same, of standard input that is [read already](standard_input).
    pub fn taking_standard_input(lines: Lines, out: W) -> Self {
        Self { standard_input: true, ..Self::taking(lines, out) }
    }

    /// The lines that nobody has taken yet.
    pub fn into_lines(self) -> Lines {
        self.lines
    }

    /// Keeps a passphrase from being shown, or says that it cannot be.
    fn hide(&mut self, scene: &Scene) -> io::Result<()> {
        let wanted = matches!(&scene.stage, Stage::Page(page) if page.entry.as_ref().is_some_and(|entry| entry.hidden));
        match (&self.hiding, wanted) {
            (Hiding::NotAsked, true) => {
                let hidden = if self.standard_input { Hidden::take()? } else { None };
                let (hiding, words) = match hidden {
                    Some(hidden) => {
                        (Hiding::Hidden { _until_dropped: hidden }, "What you type here is not shown.")
                    }
                    None => (
                        Hiding::Impossible,
                        "These lines do not come from a terminal, so a passphrase cannot be hidden: anybody who sees where they \
                         come from can read it.",
                    ),
                };
                self.hiding = hiding;
                self.say(words)?;
            }
            (_, false) => self.hiding = Hiding::NotAsked,
            (_, true) => {}
        }
        Ok(())
    }

    fn say(&mut self, text: &str) -> io::Result<()> {
        for line in wrap(text, WIDTH) {
            writeln!(self.out, "{line}")?;
        }
        Ok(())
    }

    fn fold(&mut self, scene: &Scene, index: usize) -> io::Result<()> {
        if let Stage::Page(page) = &scene.stage
            && let Some(fold) = page.folds.get(index)
        {
            writeln!(self.out, "\n-- {} --", fold.heading)?;
            for line in plain_lines(&fold.blocks, WIDTH) {
                writeln!(self.out, "{line}")?;
            }
            self.say(&page_said(page).2)?;
        }
        self.out.flush()
    }

    fn help(&mut self, scene: &Scene) -> io::Result<()> {
        for line in help(scene) {
            self.say(&line)?;
        }
        self.out.flush()
    }
}

impl<W: Write> Face for Plain<W> {
    fn show(&mut self, scene: &Scene) -> Result<(), FaceError> {
        let now = said(scene);
        if self.said.as_ref() != Some(&now) {
            let before = self.said.take();
            let other = |part: fn(&Said) -> String| before.as_ref().map(part) != Some(part(&now));
            if other(|said| said.marks.join(", ")) && !now.marks.is_empty() {
                self.say(&format!("{}.", now.marks.join(", ")))?;
            }
            if other(|said| said.place.clone()) {
                writeln!(self.out)?;
                self.say(&now.place)?;
            }
            if other(|said| said.lines.join("\n")) {
                let same_page = before.as_ref().filter(|said| said.place == now.place);
                for line in news(same_page.map_or(&[], |said| &said.lines), &now.lines) {
                    writeln!(self.out, "{line}")?;
                }
            }
            if let Some(notice) = now.notice.clone()
                // Seconds that count down are said once.
                && before.as_ref().is_none_or(|said| said.notice.as_deref().is_none_or(|old| !counts_on(old, &notice)))
            {
                self.say(&notice)?;
            }
            self.hide(scene)?;
            if other(|said| said.state.clone()) && !now.state.is_empty() {
                self.say(&now.state)?;
            }
            self.out.flush()?;
            self.said = Some(now);
        }
        self.scene = Some(scene.clone());
        Ok(())
    }

    fn wait(&mut self, wait: Duration) -> Result<Vec<Intent>, FaceError> {
        // Lines that come while something is prepared are kept for what follows.
        if let Some(Scene { stage: Stage::Page(PageScene { progress: Some(_), .. }), .. }) = &self.scene {
            std::thread::sleep(wait);
            return Ok(Vec::new());
        }
        if self.idle > Duration::ZERO {
            let slice = self.idle.min(wait);
            std::thread::sleep(slice);
            self.idle -= slice;
            return Ok(Vec::new());
        }
        let line = match self.lines.recv_timeout(wait) {
            Ok(line) => line?,
            Err(RecvTimeoutError::Timeout) => return Ok(Vec::new()),
            Err(RecvTimeoutError::Disconnected) => return Ok(vec![Intent::Leave]),
        };
        let Some(scene) = self.scene.take() else { return Ok(Vec::new()) };
        // Whoever has typed a line that was asked for is asked again, if it is asked for again.
        if let (Stage::Page(PageScene { entry: Some(_), .. }), Some(said)) = (&scene.stage, &mut self.said) {
            said.state.clear();
        }
        let understood = understand(&scene, &line);
        match &understood {
            Understood::Help => self.help(&scene)?,
            Understood::Fold(index) => self.fold(&scene, *index)?,
            Understood::Nothing(why) => {
                self.say(why)?;
                self.out.flush()?;
            }
            Understood::Wait(time) => self.idle = *time,
            Understood::Intent(_) => {}
        }
        self.scene = Some(scene);
        Ok(match understood {
            Understood::Intent(intent) => vec![intent],
            _ => Vec::new(),
        })
    }
}

/// The paragraphs of a page that were not said before: where one number changes, the rest is not read aloud again.
fn news<'a>(before: &[String], now: &'a [String]) -> Vec<&'a String> {
    let known: Vec<&[String]> = before.split(String::is_empty).collect();
    now.split(String::is_empty).filter(|paragraph| !known.contains(paragraph)).flatten().collect()
}

/// Whether two texts differ in numbers alone.
fn counts_on(before: &str, now: &str) -> bool {
    before
        .split(|letter: char| letter.is_ascii_digit())
        .filter(|part| !part.is_empty())
        .eq(now.split(|letter: char| letter.is_ascii_digit()).filter(|part| !part.is_empty()))
}

fn said(scene: &Scene) -> Said {
    let (place, lines, state) = match &scene.stage {
        Stage::Page(page) => page_said(page),
        Stage::Trial(trial) => trial_said(trial),
    };
    let notice = scene.notice.as_ref().map(|notice| notice.text().to_owned());
    Said { marks: scene.marks.clone(), notice, place, lines, state }
}

fn page_said(page: &PageScene) -> (String, Vec<String>, String) {
    let mut state = String::new();
    if let Some(progress) = &page.progress
        && progress.done == 0
    {
        state = format!("{}; please wait.", progress.label);
    }
    if let Some(entry) = &page.entry {
        state = format!("{} Type a line and press Enter.", entry.label);
    } else if let Some(proceed) = &page.proceed {
        let mut words: Vec<&str> = bindings(page.kind)
            .filter(|binding| {
                page.fold(binding.action).is_some_and(|fold| !page.folds[fold].blocks.is_empty())
            })
            .map(|binding| binding.word)
            .collect();
        match page.kind {
            StageKind::Verdict => words.extend(["report", "leave"]),
            StageKind::Level => words.extend(["louder", "softer"]),
            StageKind::Resume => words.push("new for a new sitting"),
            _ => {}
        }
        words.push("help for a list of words");
        state = format!("Press Enter: {proceed}. Type {}.", words.join(", or "));
    }
    (format!("== {} ==", page.heading), plain_lines(&page.blocks, WIDTH), state)
}

fn trial_said(trial: &TrialScene) -> (String, Vec<String>, String) {
    let mut lines = vec![trial.question.clone()];
    let slots: Vec<String> = trial
        .slots
        .iter()
        .map(|slot| {
            if slot.role.is_empty() {
                slot.key().to_string()
            } else {
                format!("{} ({})", slot.key(), slot.role)
            }
        })
        .collect();
    lines.push(format!("Listen with: {}. Type help for a list of words.", slots.join(", ")));
    lines.extend(trial.answers.iter().enumerate().map(|(index, answer)| {
        format!(
            "{}: {answer}",
            answer_key(index).map_or_else(|| format!("answer {}", index + 1), String::from)
        )
    }));
    // In a trial it is what changes from presentation to presentation; elsewhere what the sound is.
    let changes = trial.kind == StageKind::Trial && !trial.about.is_empty();
    if !trial.about.is_empty() && !changes {
        lines.push(format!("Sound: {}.", trial.about));
    }
    let hearing = trial.hearing.and_then(|index| trial.slots.get(index)).map_or(' ', |slot| slot.label);
    let mut state = if trial.playing { format!("You hear {hearing}.") } else { "Paused.".to_string() };
    if changes {
        state = format!("{}. {state}", trial.about);
    }
    if let Some((from, to)) = trial.region {
        let _ = write!(state, " Loop from {from:.1} to {to:.1} seconds.");
    }
    if !trial.answers.is_empty() {
        let missing = listen_first(trial);
        let _ = write!(state, " {}", missing.as_deref().unwrap_or("You can answer now."));
    }
    if trial.kind == StageKind::Confidence {
        state = "How sure are you? Type a number from 1 (a guess) to 5 (certain), or back.".to_string();
    } else if let Some(answer) = trial.chosen.and_then(|index| trial.answers.get(index)) {
        let enter = if trial.kind == StageKind::Training { "learn whether it is right" } else { "record it" };
        state = format!("Chosen: {answer}. Press Enter to {enter}, or type back to take it back.");
    }
    if let Some(receipt) = &trial.receipt {
        let _ = write!(state, " Receipt so far: {receipt}.");
    }
    if trial.kind == StageKind::Confidence {
        // The question is all there is to say.
        lines.clear();
    }
    (format!("== {} ==", trial.heading), lines, state)
}

/// The words that apply to a scene.
fn help(scene: &Scene) -> Vec<String> {
    let mut lines = Vec::new();
    if let Stage::Trial(trial) = &scene.stage {
        for slot in &trial.slots {
            lines.push(format!("{}: listen to {}", slot.key(), slot.label));
        }
        if !trial.answers.is_empty() {
            lines.extend(trial.answers.iter().enumerate().filter_map(|(index, answer)| {
                Some(format!("{}, or answer {}: choose \"{answer}\"", answer_key(index)?, index + 1))
            }));
        }
        lines.push("at S: go to S seconds".to_string());
        lines.push("wait S: listen for S seconds before the next line is read".to_string());
    }
    for binding in bindings(scene.stage.kind()).filter(|binding| !binding.word.is_empty()) {
        lines.push(format!("{}: {}", binding.word, binding.says));
    }
    if scene.stage.stoppable() {
        lines.push("stop: stop for good; the seal is opened and there is no verdict".to_string());
    }
    lines
}

/// Longest time that a line may wait, in seconds.
const LONGEST_WAIT_SECONDS: f64 = 600.0;

#[derive(Debug, Clone, PartialEq)]
enum Understood {
    Intent(Intent),
    /// Nothing but listening for so long.
    Wait(Duration),
    Help,
    /// The text behind this word, by its place.
    Fold(usize),
    Nothing(String),
}

/// What a typed line means in a scene.
fn understand(scene: &Scene, line: &str) -> Understood {
    let text = line.trim_end_matches(['\r', '\n']);
    let word = text.trim().to_lowercase();
    let refused = || {
        Understood::Nothing(format!(
            "\"{}\" is not understood here. Type help for a list of words.",
            text.trim()
        ))
    };
    match &scene.stage {
        Stage::Page(page) => {
            if let Some(entry) = &page.entry {
                if text.is_empty() && !entry.hidden {
                    // Whoever else is here is asked for by name.
                    return Understood::Intent(if entry.others { Intent::Next } else { Intent::Proceed });
                }
                return Understood::Intent(Intent::Typed(text.to_string()));
            }
            if word.is_empty() {
                return match page.proceed {
                    Some(_) => Understood::Intent(Intent::Proceed),
                    None => Understood::Nothing("Please wait.".to_string()),
                };
            }
            let fold = bindings(page.kind)
                .find(|binding| !binding.word.is_empty() && (binding.word == word || binding.shown == word));
            if let Some(fold) = fold.and_then(|binding| page.fold(binding.action)) {
                return Understood::Fold(fold);
            }
            by_word(page.kind, &word, page.stoppable).unwrap_or_else(refused)
        }
        Stage::Trial(trial) => {
            if trial.kind == StageKind::Confidence {
                if let Ok(value @ 1..=5) = word.parse() {
                    return Understood::Intent(Intent::Confidence(value));
                }
                return by_word(trial.kind, &word, trial.stoppable).unwrap_or_else(refused);
            }
            if let Some(slot) = trial.slots.iter().position(|slot| word == slot.key().to_string()) {
                return Understood::Intent(Intent::Listen(slot));
            }
            let mut letters = word.chars();
            if let (Some(letter), None, StageKind::Trial | StageKind::Training) =
                (letters.next(), letters.next(), trial.kind)
                && let Some(index) = answer_of(Key::Character(letter)).filter(|at| *at < trial.answers.len())
            {
                return Understood::Intent(Intent::Choose(index));
            }
            let answered = matches!(trial.kind, StageKind::Trial | StageKind::Training);
            if word.is_empty() && answered && trial.chosen.is_some() {
                return Understood::Intent(Intent::Confirm);
            }
            if let Some(number) = word.strip_prefix("answer") {
                return match number.trim().parse::<usize>() {
                    Ok(number) if (1..=trial.answers.len()).contains(&number) => {
                        Understood::Intent(Intent::Choose(number - 1))
                    }
                    _ => Understood::Nothing(format!(
                        "Which answer? Type \"answer\" and a number from 1 to {}.",
                        trial.answers.len()
                    )),
                };
            }
            if let Some(seconds) = word.strip_prefix("at ") {
                return match seconds.trim().trim_end_matches('s').trim().parse::<f64>() {
                    Ok(seconds) if (0.0..=trial.length).contains(&seconds) => {
                        Understood::Intent(Intent::SeekTo(seconds))
                    }
                    _ => Understood::Nothing(format!(
                        "\"{}\" is not a place in this clip. Type seconds from 0 to {:.1}.",
                        seconds.trim(),
                        trial.length
                    )),
                };
            }
            if let Some(seconds) = word.strip_prefix("wait ") {
                return match seconds.trim().trim_end_matches('s').trim().parse::<f64>() {
                    Ok(seconds) if (0.0..=LONGEST_WAIT_SECONDS).contains(&seconds) => {
                        Understood::Wait(Duration::from_secs_f64(seconds))
                    }
                    _ => Understood::Nothing(format!(
                        "\"{}\" is not a time to wait. Type seconds from 0 to {LONGEST_WAIT_SECONDS:.0}.",
                        seconds.trim()
                    )),
                };
            }
            by_word(trial.kind, &word, trial.stoppable).unwrap_or_else(refused)
        }
    }
}

/// What a word of the key table means in a stage.
fn by_word(kind: StageKind, word: &str, stoppable: bool) -> Option<Understood> {
    if word == "stop" && stoppable {
        return Some(Understood::Intent(Intent::Stop));
    }
    // A page may name the key in its text.
    let binding = bindings(kind)
        .find(|binding| !binding.word.is_empty() && (binding.word == word || binding.shown == word))?;
    let intent = match binding.action {
        Action::Help => return Some(Understood::Help),
        Action::Confirm => Intent::Confirm,
        Action::Back => Intent::Back,
        Action::TogglePause => Intent::TogglePause,
        Action::SeekBack => Intent::Seek(-0.5),
        Action::SeekOn => Intent::Seek(0.5),
        Action::Restart => Intent::Restart,
        Action::LoopStart => Intent::LoopStart,
        Action::LoopEnd => Intent::LoopEnd,
        Action::LoopOff => Intent::LoopOff,
        Action::Receipt => Intent::Receipt,
        Action::Rest => Intent::Rest,
        Action::Next => Intent::Next,
        Action::Previous => Intent::Previous,
        Action::Train => Intent::Train,
        Action::Report => Intent::Report,
        Action::Louder => Intent::Louder,
        Action::Softer => Intent::Softer,
        Action::Proceed => Intent::Proceed,
        Action::Anew => Intent::Anew,
        Action::Leave => Intent::Leave,
        _ => return None,
    };
    Some(Understood::Intent(intent))
}
