//! The output of a sitting or a night, opened for the stimuli that it plays.

use super::environment::{Environment, OpenOutput};
use crate::player::{OutputChoice, OutputDescription, PlayerError, PlayerOptions, Sound, Transport};
use crate::stimulus::StimulusSet;

/// An output, and how to open it anew for stimuli of another shape.
pub struct Output {
    choice: OutputChoice,
    options: PlayerOptions,
    open: OpenOutput,
    /// Rate in Hz and channels that it was opened for.
    shape: (u32, u16),
    pub(super) transport: Box<dyn Transport>,
    /// Somebody else has the device.
    pub(super) let_go: bool,
}

impl Output {
    /// Opens the output for the first stimulus; `None` if there is none.
    ///
    /// # Errors
    /// The output cannot be opened.
    pub fn open(
        environment: &Environment,
        choice: &OutputChoice,
        options: PlayerOptions,
        stimuli: &StimulusSet,
    ) -> Result<Option<Self>, PlayerError> {
        let Some(first) = stimuli.pairs.first() else { return Ok(None) };
        let shape = (first.a.rate_hz, first.a.channels);
        let open = environment.open.clone();
        let transport = open(choice, shape.0, shape.1, options)?;
        Ok(Some(Self { choice: choice.clone(), options, open, shape, transport, let_go: false }))
    }

    /// What was opened.
    pub fn description(&self) -> OutputDescription {
        self.transport.description()
    }

    /// The player alone, for what is never counted.
    pub fn into_transport(self) -> Box<dyn Transport> {
        self.transport
    }

    /// Leaves the device to somebody else until the next stimulus.
    pub(super) fn let_go(&mut self, silent: &OutputChoice) -> Result<(), PlayerError> {
        self.transport = (self.open)(silent, self.shape.0, self.shape.1, self.options)?;
        self.let_go = true;
        Ok(())
    }

    /// Gives the player what is played next; opens the output anew where that has another shape.
    pub(super) fn load(&mut self, stimuli: &[Sound]) -> Result<(), PlayerError> {
        if std::mem::take(&mut self.let_go) {
            self.transport = (self.open)(&self.choice, self.shape.0, self.shape.1, self.options)?;
        }
        if let Some(first) = stimuli.first()
            && (first.rate_hz, first.channels) != self.shape
        {
            let shape = (first.rate_hz, first.channels);
            self.transport = (self.open)(&self.choice, shape.0, shape.1, self.options)?;
            self.shape = shape;
        }
        self.transport.load_sounds(stimuli);
        Ok(())
    }
}
