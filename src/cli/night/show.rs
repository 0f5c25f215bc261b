//! `earwitness night --show`: a closed night brought back.

use std::io::Write;
use std::sync::mpsc::TryRecvError;
use std::time::Duration;

use super::{NightArguments, with_screen};
use crate::ballot::command::{self, Command};
use crate::ballot::guard::Paces;
use crate::ballot::hosting::ShownNight;
use crate::ballot::scene;
use crate::cli::Failure;
use crate::conduct::Environment;
use crate::conduct::environment::asked_to_end;
use crate::screen::{Intent, night, terminal};
use crate::session::Session;
use crate::sitting::plain::{self, Lines};
use crate::trial::Definition;

/// Shows the newest closed night of a session.
pub(super) fn run(arguments: &NightArguments, session: &Session, out: &mut dyn Write) -> Result<(), Failure> {
    let environment = Environment::real();
    let opened = ShownNight::open(session, arguments.listen, &environment, Paces::default());
    let mut shown = opened.map_err(Failure::bad)?;
    let definition = Definition::of(session.protocol);
    if arguments.plain || terminal::is_dumb() || !terminal::is_there() {
        writeln!(out, "night {} (closed, shown again)", shown.snapshot().title)?;
        writeln!(out, "journal {}", shown.journal().display())?;
        writeln!(out, "join {}", shown.join_address())?;
        writeln!(out, "display {}", shown.room_address())?;
        return in_lines(&mut shown, definition, &plain::standard_input(), out);
    }
    let display = format!("display for a projector: {}", shown.room_address());
    let mut refused = None;
    with_screen(|screen| {
        loop {
            shown.turn(Duration::from_millis(10));
            let news = std::iter::once(display.clone()).chain(refused.clone()).collect();
            screen.show(&night::scene(&scene::shown(&shown, news), true))?;
            for intent in screen.wait(Duration::from_millis(40))? {
                let said = match intent {
                    Intent::Leave => return Ok(()),
                    Intent::Proceed => Ok(Command::Next),
                    Intent::Typed(line) => command::parse(&line, definition, 0),
                    _ => continue,
                };
                refused = match said {
                    Ok(Command::Quit) => return Ok(()),
                    Ok(command) => shown.say(&command).err(),
                    Err(message) => Some(message),
                };
            }
            if asked_to_end() {
                return Ok(());
            }
        }
    })
}

fn in_lines(
    shown: &mut ShownNight,
    definition: &'static Definition,
    typed: &Lines,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let mut told = 0;
    loop {
        let (step, at, of) = shown.step();
        if told != at {
            told = at;
            writeln!(out, "reveal {at} of {of}")?;
            let lines = if at == of { shown.results().lines() } else { step.lines() };
            for line in lines {
                writeln!(out, "  {line}")?;
            }
            out.flush()?;
        }
        shown.turn(Duration::from_millis(50));
        let line = match typed.try_recv() {
            Ok(Ok(line)) => line,
            Err(TryRecvError::Empty) => continue,
            Ok(Err(_)) | Err(TryRecvError::Disconnected) => return Ok(()),
        };
        match command::parse(&line, definition, 0) {
            Ok(Command::Quit) => return Ok(()),
            Ok(command) => {
                if let Err(message) = shown.say(&command) {
                    writeln!(out, "refused {message}")?;
                    out.flush()?;
                }
            }
            Err(message) => writeln!(out, "refused {message}")?,
        }
    }
}
