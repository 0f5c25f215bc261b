//! Trial by trial, when the seal is open: what each was, what was answered, and its sounds again under their names.
//!
//! Made from the closed journal alone: before the closing there is nothing to make it from.

use std::path::Path;

use super::pages;
use super::scenes::Beside;
use crate::conduct::listening::Extent;
use crate::player::Transport;
use crate::screen::{Block, Intent, Mark, Slot, Stage as Shown, StageKind, TrialScene};
use crate::stats::Protocol;
use crate::stats::protocol::Side;
use crate::stimulus::PairKind;
use crate::trial::Opening;
use crate::trial::schedule::trials_of;
use crate::trial::verify::{self, Answered, Checked};

/// A trial that was answered.
#[derive(Debug, Clone, PartialEq)]
struct Answer {
    /// "Trial 3 of 16".
    name: String,
    /// "Trial 3".
    short_name: String,
    mark: Mark,
    /// What it was, and what was said.
    sentence: String,
    /// The clip, and what was added where it was a control.
    about: String,
    slots: Vec<Slot>,
    pair: PairKind,
    sides: Vec<Side>,
}

/// Every trial that was answered, and the one that is looked at.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Review {
    answers: Vec<Answer>,
    at: usize,
    /// The slot that was switched to last.
    slot: Option<usize>,
    region: Option<(u64, u64)>,
    /// It can be heard again.
    heard: bool,
}

impl Review {
    /// Of a closed journal; `None` where nothing was answered.
    pub(super) fn of(journal: &Path) -> Option<Self> {
        let answers = answers(&verify::alone(journal));
        (!answers.is_empty()).then_some(Self { answers, at: 0, slot: None, region: None, heard: false })
    }

    /// What the player is given for it.
    pub(super) fn presented(&self) -> (PairKind, Vec<Side>) {
        let answer = &self.answers[self.at];
        (answer.pair, answer.sides.clone())
    }

    /// Whether the trial can be heard again.
    pub(super) fn met(&mut self, heard: bool) {
        (self.heard, self.slot, self.region) = (heard, None, None);
    }

    /// Goes to another trial; `false`: there is none.
    pub(super) fn turn(&mut self, by: isize) -> bool {
        let to = self.at.checked_add_signed(by).filter(|to| *to < self.answers.len());
        self.at = to.unwrap_or(self.at);
        to.is_some()
    }

    /// Takes what the listener wants of the player; why not, if so.
    pub(super) fn listen(
        &mut self,
        intent: &Intent,
        extent: Extent,
        player: &mut dyn Transport,
    ) -> Option<String> {
        if !self.heard {
            let wants = matches!(intent, Intent::Listen(_) | Intent::TogglePause | Intent::Restart);
            let why = "This sitting's sounds cannot be played again here: they went through a switch or into a file.";
            return wants.then(|| why.to_owned());
        }
        let status = player.status();
        match intent {
            Intent::Listen(slot) => {
                self.slot = Some(*slot);
                player.switch_to(*slot);
                player.play();
            }
            Intent::TogglePause if status.playing => player.pause(),
            Intent::TogglePause => player.play(),
            Intent::Seek(seconds) => player.seek(extent.moved(status, self.region, *seconds)),
            Intent::SeekTo(seconds) => player.seek(extent.frame_at(*seconds)),
            Intent::Restart => player.seek(self.region.map_or(0, |(from, _)| from)),
            Intent::LoopStart => {
                self.region = Some(extent.with_start(self.region, status.position));
                player.set_loop(self.region);
            }
            Intent::LoopEnd => {
                self.region = Some(extent.with_end(self.region, status.position));
                player.set_loop(self.region);
            }
            Intent::LoopOff => {
                self.region = None;
                player.set_loop(None);
            }
            _ => {}
        }
        None
    }

    /// The trial that is looked at.
    pub(super) fn scene(&self, beside: &Beside) -> Shown {
        let answer = &self.answers[self.at];
        let outcome = match answer.mark {
            Mark::Right => ": right",
            Mark::Wrong => ": wrong",
            Mark::Neither => "",
        };
        Shown::Trial(TrialScene {
            kind: StageKind::Replay,
            heading: format!("{}{outcome}. The seal is open.", answer.name),
            about: answer.about.clone(),
            done: self.at as u32,
            total: self.answers.len() as u32,
            trail: self.answers.iter().map(|answer| answer.mark).collect(),
            question: answer.sentence.clone(),
            slots: answer.slots.clone(),
            hearing: self.slot,
            playing: self.heard && beside.status.playing,
            position: beside.extent.seconds_at(beside.status.position),
            length: beside.extent.seconds(),
            region: self
                .region
                .map(|(from, to)| (beside.extent.seconds_at(from), beside.extent.seconds_at(to))),
            answers: Vec::new(),
            chosen: None,
            elapsed: beside.at_ms as f64 / 1000.0,
            stoppable: false,
            in_rounds: false,
            receipt: None,
        })
    }
}

/// Every trial in a list.
pub(super) fn list(checked: &Checked) -> Vec<Block> {
    answers(checked)
        .into_iter()
        .map(|answer| {
            let sign = if answer.mark == Mark::Neither { ' ' } else { answer.mark.sign() };
            Block::pair(
                format!("{} {sign}", answer.short_name),
                format!("{} ({})", answer.sentence, answer.about),
            )
        })
        .collect()
}

fn answers(checked: &Checked) -> Vec<Answer> {
    let Some(opening) = &checked.opening else { return Vec::new() };
    if checked.closing.is_none() {
        return Vec::new();
    }
    checked.answers.iter().filter_map(|answered| answer(opening, answered)).collect()
}

fn answer(opening: &Opening, answered: &Answered) -> Option<Answer> {
    let terms = &opening.terms;
    let id = answered.id;
    let presented = answered.presented?;
    let alternative = answered.answer?;
    let definition = terms.asked_in(id.part);
    let attribute = terms.attribute.as_deref();
    let pair = presented.pair(opening);
    let sides = presented.sides(opening);
    let (comparison, clip) = pair.of();
    let compared = terms.comparisons.get(comparison)?;
    let clip = terms.clips.get(clip).cloned().unwrap_or_default();
    let (a, b, about) = match pair {
        PairKind::Control { control, .. } => {
            let kind = terms.controls.get(control)?.kind();
            let added =
                if kind.is_positive() { format!("{} with {kind}", compared.a) } else { compared.a.clone() };
            (compared.a.clone(), added, format!("control: {kind}; {clip}"))
        }
        PairKind::Level { level, .. } => {
            let size = terms.threshold.and_then(|threshold| threshold.size_words(level)).unwrap_or_default();
            (compared.a.clone(), compared.b.clone(), format!("{size}; {clip}"))
        }
        PairKind::Comparison { .. } => (compared.a.clone(), compared.b.clone(), clip),
    };
    let name = |side: &Side| if *side == Side::A { a.as_str() } else { b.as_str() };
    let said = definition.alternatives.get(alternative)?.label(attribute);
    let was = match (definition.protocol, presented.right(opening)) {
        // Which cable is A may have been drawn, too.
        (Protocol::Abx, _) => format!("X was {}.", if sides.last() == sides.first() { "A" } else { "B" }),
        (_, Some(right)) => {
            format!("The right answer: {}.", definition.alternatives.get(right)?.label(attribute))
        }
        (_, None) => {
            let each: Vec<String> = definition
                .slots
                .iter()
                .zip(&sides)
                .map(|(slot, side)| format!("{} was {}", slot.label, name(side)))
                .collect();
            format!("{}.", each.join(", "))
        }
    };
    let of = trials_of(opening, id.part);
    let short_name = format!("{} {}", pages::part_name(id.part), id.trial);
    Some(Answer {
        name: format!("{short_name} of {of}"),
        short_name,
        mark: match answered.right {
            Some(true) => Mark::Right,
            Some(false) => Mark::Wrong,
            None => Mark::Neither,
        },
        sentence: format!("{was} You said: {said}."),
        about,
        slots: definition
            .slots
            .iter()
            .zip(&sides)
            .map(|(slot, side)| Slot {
                label: slot.label.chars().next().unwrap_or('?'),
                role: name(side).to_owned(),
                unheard: false,
            })
            .collect(),
        pair,
        sides,
    })
}
