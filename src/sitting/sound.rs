//! What carries the sound, for the journal: what it is when that changes, and what its words make of the differences.
//!
//! Nothing in here depends on what was drawn: words are held against every comparison of the session at once.

use super::SittingError;
use super::conduct::Driver;
use crate::player::OutputDescription;
use crate::trial::Event;

/// An output as a note in a journal.
fn words(output: &OutputDescription) -> String {
    let resampled = match output.resampled_from_hz {
        Some(from) => format!(
            "; it does not run at the clip's {from} Hz: all stimuli alike are resampled to {} Hz",
            output.rate_hz
        ),
        None => String::new(),
    };
    format!(
        "sound at {} Hz, {}, {} channels, buffer of {} frames{resampled}",
        output.rate_hz, output.format, output.channels, output.buffer_frames
    )
}

impl Driver<'_, '_> {
    /// Notes what carries the sound where that is no longer what the journal says: another rate, another format after a
    /// device came back, resampling.
    pub(super) fn note_output(&mut self) -> Result<(), SittingError> {
        let now = self.transport.description();
        if now == self.output {
            return Ok(());
        }
        if now.format != self.output.format {
            self.words = self.words.take().map(|words| words.in_format(&now.format));
        }
        let text = words(&now);
        self.output = now;
        self.event(Event::Note { text })
    }

    /// Notes what the device's words resolve at this level, and cautions where they could hide a difference.
    pub(super) fn note_words(&mut self, decibels: f64) -> Result<(), SittingError> {
        let Some(words) = &self.words else { return Ok(()) };
        let facts = words.facts(decibels).to_string();
        let caution = words.caution(&self.request.session, decibels);
        self.event(Event::Note { text: facts })?;
        if let Some(caution) = caution {
            self.event(Event::Note { text: format!("caution: {caution}") })?;
            self.notice = Some(caution);
        }
        Ok(())
    }
}
