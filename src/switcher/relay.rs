//! A relay behind a serial port, or behind a command of one's own.

use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use serial2::SerialPort;

use super::{Operator, Switch, SwitchError, Terminal};
use crate::session::{Switcher, SwitcherKind};

/// How long an answer is waited for. The [ritual](super::ritual) gives up earlier.
const TIME_OUT: Duration = Duration::from_millis(1500);
/// Longest answer that is read, in bytes.
const LONGEST_ANSWER: usize = 64;
/// How often a command is asked whether it has ended.
const LOOK: Duration = Duration::from_millis(5);

/// Opens the switch of a session and parks it.
///
/// # Errors
/// It cannot be reached, or does not answer.
pub fn open(switcher: &Switcher) -> Result<Box<dyn Switch>, SwitchError> {
    let mut switch: Box<dyn Switch> = match &switcher.kind {
        // Nobody waits here for a person, and nothing is connected before that person comes.
        SwitcherKind::Operator => return Ok(Box::new(Operator(Arc::default()))),
        SwitcherKind::Serial { port, baud } => Box::new(Serial::open(port, *baud)?),
        SwitcherKind::Command { words } => {
            Box::new(Program { words: words.clone(), folder: switcher.folder.clone() })
        }
    };
    // Many boards start anew when their port is opened, and do not hear the first line.
    if switch.connect(Terminal::Parked).is_err() {
        switch.connect(Terminal::Parked)?;
    }
    Ok(switch)
}

/// A microcontroller that speaks the [line protocol](super).
struct Serial {
    port: SerialPort,
}

impl Serial {
    fn open(name: &str, baud: u32) -> Result<Self, SwitchError> {
        let reached = |error: std::io::Error| SwitchError::Unreachable {
            name: name.to_owned(),
            reason: error.to_string(),
        };
        let mut port = SerialPort::open(name, baud).map_err(reached)?;
        port.set_read_timeout(TIME_OUT).map_err(reached)?;
        port.set_write_timeout(TIME_OUT).map_err(reached)?;
        Ok(Self { port })
    }

    /// Says a line and reads one.
    fn ask(&mut self, line: &str) -> Result<String, SwitchError> {
        let silent = |_| SwitchError::Silent(TIME_OUT.as_millis() as u64);
        // What came too late belongs to an order that was given up.
        self.port.discard_input_buffer().map_err(silent)?;
        self.port.write_all(format!("{line}\n").as_bytes()).map_err(silent)?;
        let mut answer = Vec::new();
        let mut byte = [0];
        loop {
            self.port.read_exact(&mut byte).map_err(silent)?;
            match byte[0] {
                b'\n' => break,
                b'\r' => {}
                other => answer.push(other),
            }
            if answer.len() > LONGEST_ANSWER {
                return Err(SwitchError::Wrong);
            }
        }
        String::from_utf8(answer).map_err(|_| SwitchError::Wrong)
    }
}

impl Switch for Serial {
    fn connect(&mut self, terminal: Terminal) -> Result<(), SwitchError> {
        if self.ask(terminal.digit())? != "ok" {
            return Err(SwitchError::Wrong);
        }
        if self.ask("?")? == terminal.digit() { Ok(()) } else { Err(SwitchError::NotConnected) }
    }
}

/// A program that connects the terminal it is given, and ends well once it has.
struct Program {
    words: Vec<String>,
    folder: std::path::PathBuf,
}

impl Switch for Program {
    fn connect(&mut self, terminal: Terminal) -> Result<(), SwitchError> {
        let mut words = self.words.iter().map(|word| word.replace("{terminal}", terminal.digit()));
        let name = words.next().unwrap_or_default();
        let reached = |error: std::io::Error| SwitchError::Unreachable {
            name: name.clone(),
            reason: error.to_string(),
        };
        let mut running = Command::new(&name)
            .args(words)
            .current_dir(&self.folder)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .map_err(reached)?;
        let mut waited = Duration::ZERO;
        loop {
            match running.try_wait().map_err(reached)? {
                Some(status) if status.success() => return Ok(()),
                Some(_) => return Err(SwitchError::Wrong),
                None if waited >= TIME_OUT => {
                    // It may be gone by now.
                    let _ = running.kill();
                    let _ = running.wait();
                    return Err(SwitchError::Silent(TIME_OUT.as_millis() as u64));
                }
                None => std::thread::sleep(LOOK),
            }
            waited += LOOK;
        }
    }
}
