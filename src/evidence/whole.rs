//! What the journals of a session say, as one.

use std::collections::BTreeSet;

use super::facts::{
    Basis, ListenerFacts, RegisterFacts, SittingFacts, State, StimulusSetFacts, TrainingFacts, TrialFacts,
    Unusable, counts, is_counted_trial,
};
use super::inputs::InputSetFacts;
use super::panel_standing::PanelStanding;
use crate::session::ControlKind;
use crate::stats::tally::Tally;
use crate::trial::record::Part;

/// What the journals of a session say, ready to be judged.
#[derive(Debug, Clone)]
pub struct Evidence {
    /// Names are withheld.
    pub anonymous: bool,
    /// The best that there is to rest on.
    pub basis: Basis,
    /// Listeners in order of appearance (anonymous: of their number).
    pub listeners: Vec<ListenerFacts>,
    /// Those of them who prepared the session, also where their names are withheld.
    pub preparers: BTreeSet<usize>,
    /// Every sitting whose journal can be read, counted or not.
    pub sittings: Vec<SittingFacts>,
    /// Journals that cannot be used at all.
    pub unusable: Vec<Unusable>,
    /// Files that the sittings read, each different set once.
    pub inputs: Vec<InputSetFacts>,
    /// Digests of the stimuli of all usable sittings, each different set once.
    pub stimuli: Vec<StimulusSetFacts>,
    /// The register against the folder.
    pub register: RegisterFacts,
    /// Number and name of the place of each sitting; empty where only one place is looked at.
    pub places: Vec<(usize, String)>,
    /// Training that was kept; never counted.
    pub training: Vec<TrainingFacts>,
    /// A declared panel against who sat; nothing where one journal is looked at by itself.
    pub panel: Option<PanelStanding>,
    /// Every finished attempt and every vote.
    pub trials: Vec<TrialFacts>,
}

impl Evidence {
    /// Names of the files that were changed since a sitting that counts was opened, photographs apart.
    pub fn changed_inputs(&self) -> Vec<String> {
        self.changed(false)
    }

    /// The same of photographs of the set-up.
    pub fn changed_photographs(&self) -> Vec<String> {
        self.changed(true)
    }

    fn changed(&self, photograph: bool) -> Vec<String> {
        let counts =
            |set: &&InputSetFacts| set.sittings.iter().any(|sitting| self.sittings[*sitting].counted);
        let mut changed: Vec<String> = Vec::new();
        for file in self.inputs.iter().filter(counts).flat_map(|set| &set.files) {
            if file.changed && file.photograph == photograph && !changed.contains(&file.name) {
                changed.push(file.name.clone());
            }
        }
        changed
    }

    /// Nothing was played aloud in any sitting that counts.
    pub fn is_silent(&self) -> bool {
        self.sittings.iter().filter(|sitting| sitting.counted).all(|sitting| sitting.silent)
    }

    /// A sitting that is looked at by itself was stopped before its rule allowed it.
    pub fn stopped_early(&self) -> bool {
        self.sittings.iter().any(|sitting| sitting.counted && sitting.state == State::StoppedEarly)
    }

    /// Whether a row is of a sitting that counts and of a listener who does: a night counts for those of its seats that a
    /// declared panel has room for.
    pub fn takes_part(&self, trial: &TrialFacts) -> bool {
        self.sittings[trial.sitting as usize].counted
            && trial.listener.is_none_or(|listener| self.listeners[listener as usize].counted)
    }

    /// Answers to a control of counted sittings, with the control's number.
    pub fn control_answers(&self) -> impl Iterator<Item = (usize, &TrialFacts, bool)> {
        self.trials.iter().filter_map(|trial| {
            let (control, correct) = (trial.control?, trial.correct?);
            let counts = trial.part == Part::Main && self.takes_part(trial);
            counts.then_some((usize::from(control), trial, correct))
        })
    }

    /// All attempts that were not void, each with the rows of everybody who was there.
    pub fn attempts(&self) -> impl Iterator<Item = Vec<&TrialFacts>> {
        let mut attempts: Vec<Vec<&TrialFacts>> = Vec::new();
        for trial in self.trials.iter().filter(|trial| !trial.void) {
            let of = |trial: &TrialFacts| (trial.sitting, trial.part, trial.trial, trial.attempt);
            match attempts.last_mut().filter(|last| of(last[0]) == of(trial)) {
                Some(last) => last.push(trial),
                None => attempts.push(vec![trial]),
            }
        }
        attempts.into_iter()
    }

    /// Counted trials and right ones of a listener, all comparisons together.
    pub fn total(&self, listener: usize) -> Tally {
        let own = self.trials.iter().filter(|trial| trial.listener == Some(listener as u32) && counts(trial));
        own.map(|trial| Tally::new(u64::from(trial.is_hit()), 1)).sum()
    }

    /// Votes on counted trials that never came from a listener who was there.
    pub fn missing(&self, listener: usize) -> u64 {
        let own = self.trials.iter().filter(|trial| trial.listener == Some(listener as u32));
        own.filter(|trial| trial.is_missing()).count() as u64
    }

    /// Counted trials of a listener's sittings that took place before the listener came or after the listener left.
    pub fn absent(&self, listener: usize) -> u64 {
        let there =
            |attempt: &[&TrialFacts]| attempt.iter().any(|trial| trial.listener == Some(listener as u32));
        let sittings = &self.listeners[listener].sittings;
        self.attempts()
            .filter(|attempt| sittings.contains(&(attempt[0].sitting as usize)))
            .filter(|attempt| is_counted_trial(attempt[0]) && !there(attempt))
            .count() as u64
    }

    pub(super) fn count_controls(&mut self, controls: &[ControlKind]) {
        let answers: Vec<(usize, usize, bool)> = self
            .control_answers()
            .filter_map(|(control, trial, correct)| Some((control, trial.listener? as usize, correct)))
            .collect();
        for (control, listener, correct) in answers {
            let (Some(control), Some(listener)) = (controls.get(control), self.listeners.get_mut(listener))
            else {
                continue;
            };
            let sum = if control.is_positive() {
                &mut listener.positive_controls
            } else {
                &mut listener.identical_controls
            };
            sum.count(correct);
        }
    }
}
