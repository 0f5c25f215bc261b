//! From journals to facts: verified, one journal of each sitting, one table of answers, what counts and what is missing, who
//! was there.
//!
//! Comes in: what was [`Agreed`], and what folders of sittings hold ([`folder`]), or one checked journal. Goes out:
//! [`Evidence`], everything that a verdict may rest on, with names withheld where that was asked for. Must not: judge. What
//! follows from the facts is the next room's matter.
//!
//! | file | what it does |
//! | --- | --- |
//! | [`agreed`] | what was agreed before anyone listened |
//! | [`journal`] | reads and verifies the journals of a folder, and reduces each to its facts |
//! | [`facts`] | the facts as data |
//! | [`noted`] | what is noted beside answers, as data; sentences of older journals are read here |
//! | [`register`] | the register held against the journals in its folder |
//! | [`inputs`] | the files that sittings read, against those that are here now |
//! | [`panel`] | a declared panel against who sat |
//! | [`published`] | what of a journal readers get, to check it by themselves |
//! | [`hide`] | names and places that are withheld |
//! | `yardstick` | where listeners found their own smallest steps |

pub mod agreed;
mod builder;
pub mod facts;
pub mod hide;
pub mod inputs;
pub mod journal;
pub mod noted;
pub mod panel;
pub mod published;
pub mod register;
mod wager;
mod yardstick;

use std::collections::BTreeSet;

pub use agreed::Agreed;
use builder::Builder;
pub use facts::{
    Basis, DeviceFacts, EventFacts, InRegister, ListenerFacts, PositionsFacts, RegisterFacts, SittingFacts,
    State, StimulusFacts, StimulusSetFacts, Tally, TrainingFacts, TrialFacts, Unusable,
};
pub use hide::Anonymiser;
pub use inputs::{InputFacts, InputSetFacts};
pub use journal::{Gathered, Reading, Readings, announced, folder};
pub use panel::{NotCounted, PanelStanding, controls_missed};
pub use published::Published;
pub use yardstick::yardstick;

use crate::session::{ControlKind, Written};
use crate::trial::record::Part;
use crate::trial::register::Register;
use crate::trial::verify::Checked;

/// How a report is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Options {
    /// Replace listeners' names, and withhold what could give them away.
    pub anonymous: bool,
}

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
    /// Collects what the folders of a session hold.
    pub fn of(agreed: &Agreed, readings: Vec<Readings>, anonymiser: &Anonymiser) -> Self {
        Self::collect(agreed, readings, anonymiser, false)
    }

    /// What one journal says by itself, however it ended.
    ///
    /// # Errors
    /// It does not verify, or is not closed: then nothing of it is evidence.
    pub fn of_journal(agreed: &Agreed, checked: &Checked) -> Result<Self, String> {
        if !checked.is_sound() {
            return Err("the journal does not verify or is not closed: nothing of it is evidence".to_owned());
        }
        let content = journal::facts_of(checked).map(Box::new)?;
        let reading = Reading { file: Written::new(""), content: Ok(content) };
        let readings = Readings {
            place: None,
            journals: vec![reading],
            register: Ok(Register::default()),
            training: Ok(Vec::new()),
            gone: Vec::new(),
        };
        Ok(Self::collect(agreed, vec![readings], &Anonymiser::SHOWS, true))
    }

    fn collect(agreed: &Agreed, readings: Vec<Readings>, anonymiser: &Anonymiser, alone: bool) -> Self {
        let mut builder = Builder::new(agreed, anonymiser, alone);
        let register = register::held(&readings, anonymiser);
        builder.take(readings, agreed.session);
        let places = builder.places();
        let members = std::mem::take(&mut builder.members);
        let mut evidence = Self {
            anonymous: anonymiser.hides(),
            basis: builder.basis,
            listeners: builder.listeners,
            preparers: builder.preparers,
            sittings: builder.sittings,
            unusable: builder.unusable,
            inputs: builder.inputs.facts,
            stimuli: builder.stimuli,
            register,
            places,
            training: builder.training,
            panel: None,
            trials: builder.trials,
        };
        evidence.count_controls(&agreed.controls);
        if !alone {
            evidence.stand(agreed, members);
        }
        evidence
    }

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
        own.fold(Tally::default(), |sum, trial| Tally {
            correct: sum.correct + u64::from(trial.is_hit()),
            trials: sum.trials + 1,
        })
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

    fn count_controls(&mut self, controls: &[ControlKind]) {
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
            sum.0 += u64::from(correct);
            sum.1 += 1;
        }
    }
}

/// Whether a row is a counted trial of its sitting: an answer to a comparison, or a vote that never came where the session
/// counts that as wrong.
pub fn counts(trial: &TrialFacts) -> bool {
    is_counted_trial(trial)
        && trial.listener.is_some()
        && (trial.answer.is_some() || (!trial.void && trial.correct == Some(false)))
}

/// Whether a row belongs to a counted trial of a comparison, whatever came of it.
pub fn is_counted_trial(trial: &TrialFacts) -> bool {
    trial.part == Part::Main && trial.control.is_none() && trial.comparison.is_some()
}
