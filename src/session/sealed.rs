//! What a sitting seals of its session: every file that it reads, with length and digest.

use super::input::{Contents, Input};
use super::picture::Picture;
use super::{Photograph, Session, SessionError};

/// A file with its contents, as a sitting publishes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SealedInput {
    /// Its name as the session writes it.
    pub name: String,
    /// What is in it.
    pub contents: Contents,
}

impl Session {
    /// Every file that the session reads, the session file first.
    pub fn all_inputs(&self) -> Vec<Input> {
        let name = crate::files::name(&self.file);
        let read = Some(Contents::of(self.source.as_bytes()));
        let own = Input { name, path: self.file.clone(), read };
        std::iter::once(own).chain(self.inputs.iter().cloned()).collect()
    }

    /// The photographs of the set-up, where the session has some.
    pub fn photographs(&self) -> &[Photograph] {
        self.switcher.as_ref().map_or(&[], |switcher| &switcher.photographs)
    }

    /// The picture that a file of this name holds, a photograph's or a logo's: nothing else of it is handed on.
    pub fn picture(&self, name: &str) -> Option<&Picture> {
        let logo = self.club.iter().filter_map(|club| club.logo.as_ref());
        let photographs = self.photographs().iter().map(|photograph| (&photograph.file, &photograph.picture));
        let mut all = photographs.chain(logo.map(|logo| (&logo.file, &logo.picture)));
        all.find(|(file, _)| *file == name).map(|(_, picture)| picture)
    }

    /// Every file that the session reads, with its contents, as a sitting publishes it.
    ///
    /// # Errors
    /// A sound file can no longer be read.
    pub fn sealed_inputs(&self) -> Result<Vec<SealedInput>, SessionError> {
        let mut sealed = Vec::with_capacity(self.inputs.len() + 1);
        for input in self.all_inputs() {
            let contents = input.contents().map_err(|error| SessionError {
                file: self.file.clone(),
                line: None,
                message: format!(
                    "\"{}\" cannot be read as {}: {error}; each file that a session names has to stay where it is",
                    input.name,
                    input.path.display(), error = crate::files::reason(&error)),
            })?;
            sealed.push(SealedInput { name: input.name, contents });
        }
        Ok(sealed)
    }
}
