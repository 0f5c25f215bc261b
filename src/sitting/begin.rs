//! Sittings and auditions with the computer's own clock, sound and randomness, in front of a face that is made here.

use std::io;
use std::sync::Arc;

use super::audition::{Heard, audition};
use super::face::{Face, FaceError};
use super::plain::Plain;
use super::simulated::Silence;
use super::{Finished, Request, SittingError, conduct, conduct_watched};
use crate::conduct::Environment;
use crate::conduct::environment::{Prepare, note_requests_to_end};
use crate::conduct::witness::WitnessService;
use crate::player::OutputChoice;
use crate::screen::Palette;
use crate::screen::shapes::Encoded;
use crate::screen::terminal::{self, Hold, Keyboard, Screen};
use crate::session::Session;
use crate::stimulus::StimulusSet;

/// Which face a sitting has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// The terminal screen.
    Screen,
    /// Plain lines.
    Plain,
    /// None: a simulated listener needs none.
    None,
}

/// Conducts a sitting in front of a face of this look. The terminal is given back before this returns, however it returns.
///
/// # Errors
/// Whatever stands in the way, with what to do about it.
pub fn sit(
    request: &Request,
    look: Look,
    witnesses: Option<&mut dyn WitnessService>,
    environment: &Environment,
) -> Result<Finished, SittingError> {
    note_requests_to_end().map_err(FaceError)?;
    with_look(look, |face| conduct_watched(request, environment, face, witnesses))
}

/// Conducts the sitting of a simulated listener with stimuli that are made already: a panel's are the same for all.
///
/// # Errors
/// Whatever stands in the way, with what to do about it.
pub fn rehearse(request: &Request, stimuli: &StimulusSet) -> Result<Finished, SittingError> {
    let made = stimuli.clone();
    let prepare: Prepare = Arc::new(move |_, _| Ok(made.clone()));
    let environment = Environment { prepare, in_background: false, ..Environment::real() };
    note_requests_to_end().map_err(FaceError)?;
    conduct(request, &environment, &mut Silence)
}

/// Conducts an audition with the computer's own clock, sound and randomness.
///
/// # Errors
/// Whatever stands in the way, with what to do about it.
pub fn listen(
    session: &Session,
    output: &OutputChoice,
    look: Look,
    train: bool,
) -> Result<Heard, SittingError> {
    let environment = Environment::real();
    note_requests_to_end().map_err(FaceError)?;
    with_look(look, |face| audition(session, output, &environment, face, train))
}

/// Makes a face, lends it out, and gives the terminal back.
///
/// # Errors
/// The terminal cannot be had, or those of `work`.
pub fn with_look<T>(
    look: Look,
    work: impl FnOnce(&mut dyn Face) -> Result<T, SittingError>,
) -> Result<T, SittingError> {
    match look {
        Look::Screen => {
            let hold = Hold::take().map_err(FaceError)?;
            let out = io::BufWriter::with_capacity(1 << 16, terminal::writer().map_err(FaceError)?);
            let mut screen = Screen::new(Keyboard, out, Palette::from_environment()).map_err(FaceError)?;
            let done = work(&mut screen);
            drop(hold);
            done
        }
        Look::Plain => {
            let out = Encoded::standard_output(terminal::writer().map_err(FaceError)?);
            work(&mut Plain::on_standard_input(out))
        }
        Look::None => work(&mut Silence),
    }
}
