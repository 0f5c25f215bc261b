//! `earwitness night`.

use std::collections::VecDeque;
use std::io::{BufRead as _, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::Duration;

use super::Failure;
use crate::ballot::command::Command;
use crate::ballot::display::Door;
use crate::ballot::drive::{self, Club, Invitation, World};
use crate::ballot::paper::{self, Sheet};
use crate::ballot::presentation::Timing;
use crate::ballot::{Phase, scene};
use crate::screen::night;
use crate::screen::terminal::{self, Hold, Keyboard, Screen};
use crate::screen::{Intent, Palette};
use crate::session::{self, Session};
use crate::sitting::environment::{asked_to_end, note_requests_to_end};
use crate::trial::{Definition, Terms};

/// What was typed after `night`.
#[derive(Debug, clap::Args)]
pub struct NightArguments {
    /// Session file, or the folder it stands in
    session: PathBuf,
    /// The host's name; it goes into the journal
    #[arg(long, value_name = "NAME", default_value = "host")]
    host: String,
    /// Address of this machine that the phones can reach, with a port, such as 192.168.1.20:8410; without it only this
    /// machine itself can take part
    #[arg(long, value_name = "ADDRESS:PORT")]
    listen: Option<SocketAddr>,
    /// Where the sound goes: `device`, `silent` (nothing is heard), or a file name that ends in `.wav`
    #[arg(long, value_name = "OUTPUT", default_value = "device")]
    output: String,
    /// Sound device by name, as `earwitness devices` lists it; the system's default without this
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Seconds of silence before each stimulus
    #[arg(long, value_name = "SECONDS", default_value_t = 1.0)]
    gap: f64,
    /// Seconds to vote after everything was heard
    #[arg(long, value_name = "SECONDS", default_value_t = 20.0)]
    vote_time: f64,
    /// Start each trial by itself, so many seconds after the one before
    #[arg(long, value_name = "SECONDS")]
    pause: Option<f64>,
    /// How often the whole order is presented in each trial
    #[arg(long, value_name = "TIMES", default_value_t = 1)]
    rounds: u32,
    /// The host plays every stimulus and opens and closes the votes
    #[arg(long)]
    by_hand: bool,
    /// A new night, also where one of this session was cut off
    #[arg(long)]
    new: bool,
    /// Plain lines in place of a screen: commands in, what happens out
    #[arg(long)]
    plain: bool,
    /// Write numbered paper ballots as an HTML file to print, and nothing else
    #[arg(long, value_name = "FILE.html")]
    ballots: Option<PathBuf>,
    /// How many ballots
    #[arg(long, value_name = "NUMBER", default_value_t = 30)]
    seats: u32,
    /// Number of the first ballot's seat
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    first_seat: u32,
    /// Be the display of the night that runs in this session's folder, for a projector
    #[arg(long)]
    room_display: bool,
}

/// Runs the command.
pub fn run(arguments: &NightArguments, out: &mut dyn Write) -> Result<(), Failure> {
    let session = session::load(&arguments.session).map_err(Failure::bad)?;
    if let Some(path) = &arguments.ballots {
        return print_ballots(arguments, &session, path, out);
    }
    if arguments.room_display {
        return show_room(arguments, &session, out);
    }
    let invitation = Invitation {
        host: arguments.host.clone(),
        output: super::run::output(&arguments.output, arguments.device.as_deref())?,
        listen: arguments.listen,
        timing: timing(arguments)?,
        by_hand: arguments.by_hand,
        anew: arguments.new,
        session,
    };
    if !arguments.plain && !terminal::is_there() {
        return Err(Failure::bad(
            "a night needs a terminal for its host, and standard input or output is none: run it in a terminal, or with \
             --plain (lines in, lines out)",
        ));
    }
    let bar = super::progress::Bar::default();
    crate::trial::private::process();
    let club = Club::open(invitation, World::real(), &bar).map_err(Failure::bad)?;
    drop(bar);
    if arguments.plain { in_lines(club, out) } else { on_screen(club, out) }
}

fn timing(arguments: &NightArguments) -> Result<Timing, Failure> {
    let milliseconds = |name: &str, seconds: f64, least: f64, most: f64| {
        if (least..=most).contains(&seconds) {
            Ok((seconds * 1000.0).round() as u64)
        } else {
            Err(Failure::bad(format!("--{name} is {seconds}: {least} to {most} seconds are allowed")))
        }
    };
    if !(1..=10).contains(&arguments.rounds) {
        return Err(Failure::bad(format!("--rounds is {}: 1 to 10 are allowed", arguments.rounds)));
    }
    Ok(Timing {
        gap_ms: milliseconds("gap", arguments.gap, 0.05, 60.0)?,
        vote_ms: milliseconds("vote-time", arguments.vote_time, 0.5, 600.0)?,
        pause_ms: arguments.pause.map(|pause| milliseconds("pause", pause, 0.0, 600.0)).transpose()?,
        rounds: arguments.rounds,
    })
}

fn print_ballots(
    arguments: &NightArguments,
    session: &Session,
    path: &Path,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    if arguments.seats == 0 || arguments.first_seat == 0 {
        return Err(Failure::bad("--seats and --first-seat count from 1"));
    }
    let terms = Terms::of(session);
    let counted = terms.trials.saturating_mul(terms.comparisons.len() as u32);
    let controls: u32 = terms.controls.iter().map(|control| control.trials).sum();
    let definition = Definition::of(session.protocol);
    let page = paper::ballots(&Sheet {
        title: &session.title,
        definition,
        question: definition.question(session.attribute.as_deref()),
        warm_up: session.warm_up.max(1),
        trials: counted + controls,
        first: arguments.first_seat,
        count: arguments.seats,
        invented: session.invented,
    });
    std::fs::write(path, page)
        .map_err(|error| Failure::bad(format!("{}: it cannot be written: {error}", path.display())))?;
    writeln!(out, "{}", path.display())?;
    Ok(())
}

/// Lines from standard input, on a thread of their own; the end of input is the end of the channel.
fn lines() -> Receiver<String> {
    let (sender, receiver) = channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { break };
            if sender.send(line).is_err() {
                break;
            }
        }
    });
    receiver
}

/// What is said at the beginning, in every look.
fn greeting(club: &Club) -> Vec<String> {
    let shown = club.snapshot();
    let mut lines = Vec::new();
    if club.is_resumed() {
        lines.push("resumed a night that was cut off".to_owned());
    }
    lines.push(format!("night {}", shown.title));
    lines.extend(club.notes().iter().chain(&shown.notes).map(|note| format!("note {note}")));
    lines.push(format!("journal {}", club.journal().display()));
    lines.push(format!("join {}", club.join_address()));
    lines.push(format!("code {}", club.room_code()));
    lines.push(format!("display {}", club.room_address()));
    lines.push(format!("seal {}", shown.commitment.hex));
    lines.push(format!("seal words {}", shown.commitment.phrase));
    lines.push(format!("caution {}", crate::ballot::view::CAUTION));
    if club.address().ip().is_loopback() {
        lines.push("note only this machine can take part; --listen ADDRESS:PORT lets phones in".to_owned());
    }
    lines
}

/// The line mode: commands in, what happens out.
fn in_lines(mut club: Club, out: &mut dyn Write) -> Result<(), Failure> {
    for line in greeting(&club) {
        writeln!(out, "{line}")?;
    }
    for line in club.qr_lines() {
        writeln!(out, "{line}")?;
    }
    out.flush()?;
    let typed = lines();
    let mut told: Option<(Phase, Option<String>)> = None;
    let mut finished = false;
    loop {
        club.turn(Duration::from_millis(50));
        let mut over = false;
        loop {
            match typed.try_recv() {
                Ok(line) => match club.understand(&line) {
                    Ok(Command::Quit) => {
                        over = true;
                        break;
                    }
                    Ok(command) => match club.say(&command) {
                        Ok(lines) => {
                            for line in lines {
                                writeln!(out, "{line}")?;
                            }
                        }
                        Err(message) => writeln!(out, "refused {message}")?,
                    },
                    Err(message) => writeln!(out, "refused {message}")?,
                },
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => {
                    over = true;
                    break;
                }
            }
        }
        for notice in club.take_notices() {
            writeln!(out, "{notice}")?;
        }
        let shown = club.snapshot();
        let now = (shown.phase, shown.trial.as_ref().map(|trial| trial.id.clone()));
        if told.as_ref() != Some(&now) {
            let trial = now.1.as_ref().map(|id| format!(" {id}")).unwrap_or_default();
            writeln!(out, "phase {}{trial}", drive::words(now.0))?;
            told = Some(now);
        }
        if let Some(results) = club.results().filter(|_| !finished) {
            for line in results.lines() {
                writeln!(out, "{line}")?;
            }
            finished = true;
        }
        out.flush()?;
        if let Some(reason) = club.stopped() {
            return Err(stopped(&club, &reason));
        }
        if over {
            club.leave();
            if !finished {
                writeln!(out, "left; the same command resumes the night")?;
            }
            return Ok(());
        }
    }
}

/// How many lines of news the host's screen keeps.
const NEWS: usize = 6;

/// The terminal, taken for as long as `work` runs, and given back however it ends; `work` looks whether it was asked to
/// end from outside.
fn with_screen<T>(
    work: impl FnOnce(&mut Screen<Keyboard, std::io::BufWriter<std::fs::File>>) -> std::io::Result<T>,
) -> Result<T, Failure> {
    note_requests_to_end()?;
    let hold = Hold::take()?;
    let writer = std::io::BufWriter::with_capacity(1 << 16, terminal::writer()?);
    let mut screen = Screen::new(Keyboard, writer, Palette::from_environment())?;
    let done = work(&mut screen);
    drop(hold);
    Ok(done?)
}

/// The host's terminal screen.
fn on_screen(mut club: Club, out: &mut dyn Write) -> Result<(), Failure> {
    let mut news: VecDeque<String> = club.notes().iter().cloned().collect();
    if club.is_resumed() {
        news.push_back("This night was cut off and goes on.".to_owned());
    }
    news.push_back(format!("display for a projector: {}", club.room_address()));
    let mut page = 0;
    let mut at: Option<(Phase, Option<String>)> = None;
    // The help is longer than the news; it goes with the next thing that is said.
    let mut keep = NEWS;
    with_screen(|screen| {
        loop {
            club.turn(Duration::from_millis(10));
            news.extend(club.take_notices());
            let shown = club.snapshot();
            let now = (shown.phase, shown.trial.as_ref().map(|trial| trial.id.clone()));
            // A new phase is a new page only at the end: what the host types meanwhile is not to be lost.
            if at.as_ref().is_some_and(|before| before.0 != now.0 && now.0 == Phase::Result) {
                page += 1;
            }
            at = Some(now);
            while news.len() > keep {
                news.pop_front();
            }
            screen.show(&night::scene(&scene::host(&club, &news, page), true))?;
            for intent in screen.wait(Duration::from_millis(10))? {
                let line = match intent {
                    Intent::Leave => return Ok(()),
                    Intent::Proceed => String::new(),
                    Intent::Typed(line) => line,
                    _ => continue,
                };
                keep = NEWS;
                match club.understand(&line) {
                    Ok(Command::Quit) => return Ok(()),
                    Ok(Command::Help) => {
                        let help = crate::ballot::command::help();
                        keep = help.len();
                        news.extend(help);
                    }
                    Ok(command) => match club.say(&command) {
                        Ok(lines) => news.extend(lines),
                        Err(message) => news.push_back(format!("refused: {message}")),
                    },
                    Err(message) => news.push_back(message),
                }
            }
            if club.stopped().is_some() || asked_to_end() {
                return Ok(());
            }
        }
    })?;
    if let Some(reason) = club.stopped() {
        return Err(stopped(&club, &reason));
    }
    match club.results() {
        Some(results) => {
            for line in results.lines() {
                writeln!(out, "{line}")?;
            }
            writeln!(out, "journal {}", club.journal().display())?;
        }
        None => writeln!(out, "left; the same command resumes the night")?,
    }
    club.leave();
    Ok(())
}

fn stopped(club: &Club, reason: &str) -> Failure {
    Failure::bad(format!(
        "{}: the journal cannot be written: {reason}. Everything acknowledged before is kept; make room or mend the \
         folder, then run the same command again to resume",
        club.journal().display()
    ))
}

/// A second terminal as the room's display.
fn show_room(arguments: &NightArguments, session: &Session, out: &mut dyn Write) -> Result<(), Failure> {
    let door = Door::find(&session.sittings_folder()).map_err(Failure::bad)?;
    let gone = |error: std::io::Error| Failure::bad(format!("the night does not answer: {error}"));
    if !arguments.plain && terminal::is_there() {
        return with_screen(|screen| {
            let mut misses = 0;
            loop {
                match door.ask() {
                    Ok(facts) => {
                        misses = 0;
                        screen.show(&night::scene(&scene::room(&door, &facts), false))?;
                    }
                    // The host's program may be starting again.
                    Err(error) => {
                        misses += 1;
                        if misses > 120 {
                            return Err(error);
                        }
                    }
                }
                if screen.wait(Duration::from_millis(250))?.contains(&Intent::Leave) || asked_to_end() {
                    return Ok(());
                }
            }
        });
    }
    for line in door.qr_lines() {
        writeln!(out, "{line}")?;
    }
    writeln!(out, "join {}", door.join_address())?;
    let mut last = String::new();
    loop {
        let facts = door.ask().map_err(gone)?;
        let scene = scene::room(&door, &facts);
        let plays = scene.playing.and_then(|index| scene.slots.get(index).cloned()).unwrap_or_default();
        let line = format!("{}; {plays}; {} of {} have voted", scene.heading, facts.voted, facts.seats);
        if line != last {
            writeln!(out, "{line}")?;
            out.flush()?;
            last = line;
        }
        if facts.result.is_some() {
            for line in scene.results {
                writeln!(out, "{line}")?;
            }
            return Ok(());
        }
        std::thread::sleep(Duration::from_millis(250));
    }
}
