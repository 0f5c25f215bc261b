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
mod panel_standing;
pub mod published;
pub mod register;
mod replaced;
mod wager;
mod whole;
mod yardstick;

pub use agreed::Agreed;
use builder::Builder;
pub use facts::{
    Basis, DeviceFacts, EventFacts, InRegister, ListenerFacts, PositionsFacts, RegisterFacts, SittingFacts,
    State, StimulusFacts, StimulusSetFacts, TrainingFacts, TrialFacts, Unusable, counts, is_counted_trial,
};
pub use hide::{Anonymiser, Options};
pub use inputs::{InputFacts, InputSetFacts};
pub use journal::{Gathered, Reading, Readings, announced, folder};
pub use panel::controls_missed;
pub use panel_standing::{NotCounted, PanelStanding};
pub use published::Published;
pub use whole::Evidence;
pub use yardstick::yardstick;

use crate::session::Written;
use crate::trial::register::Register;
use crate::trial::verify::Checked;

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
}
