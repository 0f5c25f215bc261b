//! A view of the conductor as a scene.

use super::pages;
use crate::conduct::listening::Extent;
use crate::player::Status;
use crate::screen::{Slot, Stage as Shown, StageKind, TrialScene};
use crate::trial::{Digest, Stage, Step, TrialView, View};

/// What the driver knows beside the view. None of it depends on what was drawn.
#[derive(Debug, Clone, Default)]
pub struct Beside {
    /// What the player is doing.
    pub status: Status,
    /// Rate and length of what is loaded.
    pub extent: Extent,
    /// Milliseconds of the sitting.
    pub at_ms: u64,
    /// The receipt, while the listener asks to see it.
    pub receipt: Option<Digest>,
    /// Round and presentation over real cables that were shown last.
    pub presentation: Option<(usize, usize)>,
}

impl Beside {
    /// Another presentation over real cables has begun than was shown last.
    pub fn goes_on(&mut self, view: &View) -> bool {
        let Stage::Trial(TrialView { round: Some(round), .. }) = &view.stage else { return false };
        let now = round.at.map(|at| (round.number, at));
        now.is_some() && std::mem::replace(&mut self.presentation, now) != now
    }
}

/// Marks that stand on every screen.
pub fn marks(simulated: bool, silent: bool, invented: bool) -> Vec<String> {
    let mut marks = Vec::new();
    if simulated {
        marks.push("SIMULATED LISTENER".to_string());
    }
    if silent {
        marks.push("SILENT: NOTHING IS PLAYED ALOUD".to_string());
    }
    if invented {
        marks.push("INVENTED DATA".to_string());
    }
    marks
}

/// Whether a slot is still to be heard at `at_ms`, what has played since the view was made included.
fn still_to_hear(trial: &TrialView, slot: usize, at_ms: u64) -> bool {
    let since = if trial.playing && trial.slot == slot { at_ms.saturating_sub(trial.at_ms) } else { 0 };
    trial.still_to_hear.get(slot).is_some_and(|&still| still > since)
}

/// A silent filling of a round of real cables is on.
fn is_silent(trial: &TrialView) -> bool {
    let at = trial.round.as_ref().and_then(|round| Some(round.order[round.at?]));
    at.is_some_and(|place| place >= trial.slots.len())
}

/// A trial as a scene.
pub fn trial(view: &View, trial: &TrialView, beside: &Beside) -> Shown {
    let terms = &view.terms;
    let definition = terms.asked_in(trial.id.part);
    let heading = format!(
        "{} {} of {}{}",
        pages::part_name(trial.id.part),
        trial.id.trial,
        trial.of,
        match trial.id.attempt {
            0 | 1 => String::new(),
            2 => ", second try: the first was not finished".to_owned(),
            more => format!(", try {more}: those before were not finished"),
        }
    );
    Shown::Trial(TrialScene {
        kind: if trial.step == Step::Confidence { StageKind::Confidence } else { StageKind::Trial },
        heading,
        about: pages::round(trial),
        done: trial.id.trial.saturating_sub(1),
        total: trial.of,
        trail: Vec::new(),
        question: if trial.step == Step::Confidence {
            "How sure are you?".to_string()
        } else {
            definition.question(terms.attribute.as_deref())
        },
        slots: definition
            .slots
            .iter()
            .enumerate()
            .map(|(index, slot)| Slot {
                label: slot.label.chars().next().unwrap_or('?'),
                role: slot.role.to_string(),
                unheard: still_to_hear(trial, index, beside.at_ms),
            })
            .collect(),
        hearing: (trial.listening.listens.iter().any(|&listens| listens > 0) && !is_silent(trial))
            .then_some(trial.slot),
        playing: trial.playing,
        position: beside.extent.seconds_at(beside.status.position),
        length: beside.extent.seconds(),
        region: trial.region.map(|(from, to)| (beside.extent.seconds_at(from), beside.extent.seconds_at(to))),
        answers: trial
            .alternatives
            .iter()
            .map(|alternative| alternative.label(terms.attribute.as_deref()).into_owned())
            .collect(),
        chosen: trial.choice,
        elapsed: beside.at_ms as f64 / 1000.0,
        stoppable: true,
        in_rounds: trial.round.is_some(),
        receipt: beside.receipt.map(|digest| digest.groups()),
    })
}
