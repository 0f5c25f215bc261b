//! `earwitness night`.

use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::mpsc::TryRecvError;
use std::time::Duration;

pub(super) mod addresses;
mod rehearse;
mod show;

use addresses::{about, listening_address};

use super::{Failure, print_lines};
use crate::ballot::command::{self, Command};
use crate::ballot::display::RunningNight;
use crate::ballot::hosting::{BeforeNight, HostedNight, NightEnvironment, NightRequest, PassphraseNeeded};
use crate::ballot::operating::{self, OperatorPage};
use crate::ballot::paper::{self, Sheet};
use crate::ballot::presentation::Timing;
use crate::ballot::scene::{self, News};
use crate::ballot::{NightError, Phase, hosting};
use crate::conduct::environment::{asked_to_end, note_requests_to_end};
use crate::conduct::{HowFar, Preparation, Stopped};
use crate::player::OutputChoice;
use crate::screen::night;
use crate::screen::terminal::{self, Hold, Keyboard, Screen};
use crate::screen::{Intent, Palette, Progress};
use crate::session::{self, Session, Written};
use crate::sitting::SittingError;
use crate::sitting::passphrase::{self, Whose};
use crate::sitting::plain::{self, Lines, Plain};
use crate::sitting::{Face, Look, with_look};

use crate::trial::{Definition, Terms};

/// What was typed after `night`.
#[derive(Debug, clap::Args)]
pub struct NightArguments {
    /// Session file, or the folder it is in
    session: PathBuf,
    /// The host's name, for the journal
    #[arg(long, value_name = "NAME", default_value = "host")]
    host: String,
    /// Address of this machine that the phones can reach, such as 192.168.1.20 or 192.168.1.20:8410. Without it only this
    /// machine can take part
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = listening_address::<{ hosting::PORT }>)]
    listen: Option<SocketAddr>,
    /// Where the sound goes: `device`, `silent`, or a file ending in `.wav`
    #[arg(long, value_name = "OUTPUT", default_value = "device")]
    output: String,
    /// Sound device, by its name in `earwitness devices` [default: the system's]
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Seconds of silence before each sound
    #[arg(long, value_name = "SECONDS", default_value_t = 1.0)]
    gap: f64,
    /// Seconds to vote after everything has been heard
    #[arg(long, value_name = "SECONDS", default_value_t = 20.0)]
    vote_time: f64,
    /// Start each trial this many seconds after the last one, without the host
    #[arg(long, value_name = "SECONDS")]
    pause: Option<f64>,
    /// How often each trial plays all its sounds
    #[arg(long, value_name = "TIMES", default_value_t = 1)]
    rounds: u32,
    /// The host starts every sound, and opens and closes each vote
    #[arg(long)]
    by_hand: bool,
    /// Start a new night even if one is unfinished
    #[arg(long)]
    new: bool,
    /// A guest types a passphrase. Without it nobody can read the draws on this disk, go on with the night or end it
    #[arg(long)]
    guest: bool,
    /// Show plain lines instead of a screen: commands in, events out
    #[arg(long)]
    plain: bool,
    /// Write numbered paper ballots to print (an HTML file), and stop
    #[arg(long, value_name = "FILE.html")]
    ballots: Option<PathBuf>,
    /// Show the results of the last closed night again, to host, room display and phones
    #[arg(long, conflicts_with_all = ["new", "ballots", "room_display"])]
    show: bool,
    /// Seats in the room, and ballots to write
    #[arg(long, value_name = "NUMBER", default_value_t = 40)]
    seats: u32,
    /// Seats kept for paper ballots, such as 31-40
    #[arg(long, value_name = "FIRST-LAST", value_parser = command::range)]
    paper_seats: Option<(u32, u32)>,
    /// Number of tables; each is a team with its own score
    #[arg(long, value_name = "NUMBER", default_value_t = 0, value_parser = clap::value_parser!(u32).range(..=99))]
    tables: u32,
    /// Seat number of the first ballot
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    first_seat: u32,
    /// Where a person switches real cables: this machine's address for the operator's phone, such as 192.168.1.20
    /// [default: 127.0.0.1, for a second screen of this machine]
    #[arg(long, value_name = "ADDRESS", value_parser = listening_address::<{ operating::PORT }>)]
    operator: Option<SocketAddr>,
    /// With proof = "measured" in [switcher]: the sound device that records both positions; "default" for the system's
    #[arg(long, value_name = "NAME")]
    input: Option<String>,
    /// With --input: its input channels, from 1: at the amplifier's terminals, at the loudspeaker's
    #[arg(long, value_name = "N,N", value_delimiter = ',', num_args = 1, default_value = "1,2", value_parser = clap::value_parser!(u8).range(1..=64))]
    channels: Vec<u8>,
    /// Nobody comes: a program votes, right with probability P on average, and everything says "simulated"
    #[arg(long, value_name = "P", conflicts_with_all = ["show", "ballots", "room_display", "guest"])]
    simulate: Option<f64>,
    /// With --simulate: how many guests vote
    #[arg(long, value_name = "NUMBER", requires = "simulate", default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=1000))]
    simulate_guests: u32,
    /// With --simulate: how much the guests differ, from 0 (alike) to 1 (each hears it always or never)
    #[arg(long, value_name = "SPREAD", requires = "simulate", default_value_t = 0.0)]
    simulate_spread: f64,
    /// With --simulate: probability of a right answer to controls that should be heard [default: as to comparisons]
    #[arg(long, value_name = "P", requires = "simulate")]
    simulate_controls: Option<f64>,
    /// With --simulate: probability that a vote has nothing to do with what is heard
    #[arg(long, value_name = "RATE", requires = "simulate", default_value_t = 0.0)]
    simulate_lapse: f64,
    /// Be the room display, on a projector, of the night that runs in this folder
    #[arg(long)]
    room_display: bool,
}

/// Runs the command.
pub fn run(arguments: &NightArguments, out: &mut dyn Write) -> Result<(), Failure> {
    super::timings::stage("session");
    let session = session::load(&arguments.session).map_err(Failure::bad)?;
    if let Some(mean) = arguments.simulate {
        return rehearse::run(arguments, &session, mean, out);
    }
    if let Some(path) = &arguments.ballots {
        return print_ballots(arguments, &session, path, out);
    }
    if arguments.room_display {
        return show_room(arguments, &session, out);
    }
    if arguments.show {
        return show::run(arguments, &session, out);
    }
    let request = NightRequest {
        host: arguments.host.clone(),
        output: super::run::output(&arguments.output, arguments.device.as_deref())?,
        listen: arguments.listen,
        timing: timing(arguments)?,
        by_hand: arguments.by_hand,
        anew: arguments.new,
        guest: arguments.guest,
        seats: arguments.seats,
        paper_seats: arguments.paper_seats,
        tables: arguments.tables,
        session,
    };
    if !arguments.plain && !terminal::is_there() {
        return Err(Failure::bad(
            "a night needs a terminal for its host, and standard input or output is none: run it in a terminal, or with \
             --plain (lines in, lines out)",
        ));
    }
    crate::trial::private::process();
    super::timings::stage("night");
    let page = super::run::operator_page(&request.session, arguments.operator)?;
    let mut environment = NightEnvironment::real();
    environment.common.operator = page.as_ref().map(OperatorPage::operated);
    environment.common.bench =
        super::run::bench(arguments.input.as_deref(), &arguments.channels, arguments.device.as_deref());
    let preparation = Preparation::start(&request.session, &environment.common);
    let mut before = BeforeNight::check(request.clone(), environment).map_err(Failure::bad)?;
    let left = "left; nothing was opened, and nothing was recorded";
    if arguments.plain || terminal::is_dumb() {
        let mut face = Plain::taking_standard_input(plain::standard_input(), &mut *out);
        let unlocked = passphrase(&mut before, &request, &mut face)?;
        let typed = face.into_lines();
        if !unlocked {
            return Ok(writeln!(out, "{left}")?);
        }
        return in_lines(before, &preparation, &typed, out);
    }
    let needed = before.passphrase() != PassphraseNeeded::None;
    if needed && !with_look(Look::Screen, |face| passphrase(&mut before, &request, face))? {
        return Ok(writeln!(out, "{left}")?);
    }
    on_screen(before, &preparation, &request, out)
}

/// Asks for the guest's passphrase where one is needed; `false`: left.
fn passphrase(
    before: &mut BeforeNight,
    request: &NightRequest,
    face: &mut dyn Face,
) -> Result<bool, SittingError> {
    let frame = (request.session.title.as_written(), request.host.as_str());
    let whose = Whose::Guest;
    match before.passphrase() {
        PassphraseNeeded::None => Ok(true),
        PassphraseNeeded::New => {
            let chosen = passphrase::on_face(face, frame, |show| passphrase::choose(whose, show))?;
            let there = chosen.is_some();
            if let Some(chosen) = chosen {
                before.lock(chosen);
            }
            Ok(there)
        }
        PassphraseNeeded::ToGoOn => passphrase::on_face(face, frame, |show| {
            Ok(passphrase::unlock(whose, show, |typed| before.unlock(typed))?.is_some())
        }),
    }
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
        title: session.title.as_written(),
        definition,
        attribute: session.attribute.as_ref().map(Written::as_written),
        warm_up: session.warm_up.max(1),
        trials: counted + controls,
        first: arguments.first_seat,
        count: arguments.seats,
        tables: arguments.tables > 0,
        invented: session.invented,
    });
    super::whole::write(path, &page)?;
    writeln!(out, "{}", path.display())?;
    Ok(())
}

/// What is said at the beginning, in every look.
fn greeting(night: &HostedNight) -> Vec<String> {
    let shown = night.snapshot();
    let mut lines = Vec::new();
    if night.is_resumed() {
        lines.push("resumed a night that was cut off".to_owned());
    }
    lines.push(format!("night {}", shown.title));
    lines.extend(night.notes().iter().chain(&shown.notes).map(|note| format!("note {note}")));
    lines.push(format!("journal {}", night.journal().display()));
    lines.push(format!("join {}", night.join_address()));
    lines.push(format!("code {}", night.room_code()));
    lines.push(format!("display {}", night.room_address()));
    lines.push(format!("seal {}", shown.commitment.hex));
    lines.push(format!("seal words {}", shown.commitment.words));
    lines.push(format!("caution {}", crate::ballot::view::CAUTION));
    lines.extend(about(night.address().ip()).map(|note| format!("note {note}")));
    lines
}

/// The line mode: commands in, what happens out.
fn in_lines(
    before: BeforeNight,
    preparation: &Preparation,
    typed: &Lines,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let mut told = String::new();
    // However quickly the first steps pass, the first line is the same.
    let mut what = Preparation::BEGINS.to_owned();
    let stimuli = loop {
        if what != told {
            writeln!(out, "{what}")?;
            out.flush()?;
            told = what;
        }
        if let Some(made) = preparation.take(Duration::from_millis(50)) {
            break made.map_err(Failure::bad)?;
        }
        HowFar { what, .. } = preparation.progress();
    };
    let mut night = before.open(stimuli).map_err(Failure::bad)?;
    print_lines(out, greeting(&night))?;
    print_lines(out, night.qr_lines())?;
    out.flush()?;
    let mut told: Option<(Phase, Option<String>, bool)> = None;
    let mut finished = false;
    let mut shown_step = 0;
    loop {
        night.turn(Duration::from_millis(50));
        let mut over = false;
        loop {
            match typed.try_recv() {
                Ok(Ok(line)) => match night.understand(&line) {
                    Ok(Command::Quit) => {
                        over = true;
                        break;
                    }
                    Ok(command) => match night.say(&command) {
                        Ok(lines) => {
                            print_lines(out, lines)?;
                        }
                        Err(message) => writeln!(out, "refused {message}")?,
                    },
                    Err(message) => writeln!(out, "refused {message}")?,
                },
                Err(TryRecvError::Empty) => break,
                Ok(Err(_)) | Err(TryRecvError::Disconnected) => {
                    over = true;
                    break;
                }
            }
        }
        print_lines(out, night.take_notices())?;
        let shown = night.snapshot();
        let trial = shown.trial.as_ref().map(|trial| trial.id.clone());
        let now = (shown.phase, trial, night.operator_is_awaited());
        if told.as_ref() != Some(&now) {
            let trial = shown.trial.as_ref().map_or_else(String::new, |trial| format!("; {}", trial.name()));
            writeln!(out, "phase {}{trial}", night.next_step())?;
            told = Some(now);
        }
        if let Some((step, at, of)) = night.step().filter(|(_, at, _)| *at != shown_step) {
            shown_step = at;
            writeln!(out, "reveal {at} of {of}")?;
            for line in step.lines() {
                writeln!(out, "  {line}")?;
            }
        }
        if let Some(results) = night.results().filter(|_| !finished && night.revealed()) {
            print_lines(out, results.lines())?;
            finished = true;
        }
        out.flush()?;
        if let Some(reason) = night.stopped() {
            return Err(stopped(&night, reason));
        }
        if over {
            match night.results() {
                Some(results) if !finished => {
                    print_lines(out, results.lines())?;
                }
                Some(_) => {}
                None => writeln!(out, "left; the same command resumes the night")?,
            }
            night.leave();
            return Ok(());
        }
    }
}

/// The terminal, taken for as long as `work` runs, and given back however it ends; `work` looks whether it was asked to
/// end from outside.
fn with_screen<T>(
    work: impl FnOnce(&mut Screen<Keyboard, std::io::BufWriter<crate::system::Output>>) -> std::io::Result<T>,
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
fn on_screen(
    before: BeforeNight,
    preparation: &Preparation,
    request: &NightRequest,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let mut page = 0;
    // What was asked to be read (help, how things stand) goes with the next thing that is said; so do answers.
    let mut list = Vec::new();
    let mut said = Vec::new();
    let hosted = with_screen(|screen| {
        let mut night = match prepared(before, preparation, request, screen)? {
            Some(Ok(night)) => night,
            Some(Err(error)) => return Ok(Some(Err(error))),
            None => return Ok(None),
        };
        let mut news = News::default();
        news.add(night.notes().iter().cloned());
        news.add(night.is_resumed().then(|| "This night was cut off and goes on.".to_owned()));
        news.add(about(night.address().ip()));
        news.add([format!("display for a projector: {}", night.room_address())]);
        loop {
            night.turn(Duration::from_millis(10));
            // A new phase is a new page only at the end: what the host types meanwhile is not to be lost.
            if news.reach(night.snapshot().phase) {
                page += 1;
            }
            news.add(night.take_notices());
            let mut shown = scene::host(&night, news.beside(said.len()), page);
            (shown.list, shown.said) = (list.clone(), said.clone());
            screen.show(&night::scene(&shown, true))?;
            for intent in screen.wait(Duration::from_millis(10))? {
                let line = match intent {
                    Intent::Leave => return Ok(Some(Ok(night))),
                    Intent::Proceed => String::new(),
                    Intent::Typed(line) => line,
                    _ => continue,
                };
                said.clear();
                // Who has read on goes back, and begins nothing.
                if !std::mem::take(&mut list).is_empty() && line.is_empty() {
                    continue;
                }
                match night.understand(&line) {
                    Ok(Command::Quit) => return Ok(Some(Ok(night))),
                    Ok(command) => match night.say(&command) {
                        Ok(lines) if matches!(command, Command::Help | Command::Status) => list = lines,
                        Ok(lines) => said = lines,
                        Err(message) => said.push(format!("refused: {message}")),
                    },
                    Err(message) => said.push(message),
                }
            }
            if night.stopped().is_some() || asked_to_end() {
                return Ok(Some(Ok(night)));
            }
        }
    })?;
    let night = match hosted {
        Some(night) => night.map_err(Failure::bad)?,
        None => return Ok(writeln!(out, "left; nothing was opened, and nothing was recorded")?),
    };
    if let Some(reason) = night.stopped() {
        return Err(stopped(&night, reason));
    }
    match night.results() {
        Some(results) => {
            print_lines(out, results.lines())?;
            writeln!(out, "journal {}", night.journal().display())?;
        }
        None => writeln!(out, "left; the same command resumes the night")?,
    }
    night.leave();
    Ok(())
}

/// Prepares the stimuli behind a page, then opens the night; `None`: the host left. What stands in the way is said on the
/// page before it is an error.
fn prepared(
    before: BeforeNight,
    preparation: &Preparation,
    request: &NightRequest,
    screen: &mut Screen<Keyboard, std::io::BufWriter<crate::system::Output>>,
) -> std::io::Result<Option<Result<HostedNight, NightError>>> {
    let silent = !matches!(request.output, OutputChoice::Device(_));
    let page = |progress, why| scene::preparing(&request.session, &request.host, silent, progress, why);
    let made = loop {
        if let Some(made) = preparation.take(Duration::ZERO) {
            break made;
        }
        let HowFar { what, done, total } = preparation.progress();
        let progress = Progress { label: what, done: done as usize, total: total as usize };
        screen.show(&page(Some(progress), None))?;
        if screen.wait(Duration::from_millis(50))?.contains(&Intent::Leave) || asked_to_end() {
            return Ok(None);
        }
    };
    let opened = made.map_err(NightError::from).and_then(|stimuli| before.open(stimuli));
    if let Err(error) = &opened {
        loop {
            screen.show(&page(None, Some(error.to_string())))?;
            let intents = screen.wait(Duration::from_millis(50))?;
            if intents.iter().any(|intent| matches!(intent, Intent::Proceed | Intent::Leave))
                || asked_to_end()
            {
                break;
            }
        }
    }
    Ok(Some(opened))
}

fn stopped(night: &HostedNight, why: &Stopped) -> Failure {
    Failure::bad(format!("{}: {why}. The night has stopped. {}", night.journal().display(), why.remedy()))
}

/// A second terminal as the room's display.
fn show_room(arguments: &NightArguments, session: &Session, out: &mut dyn Write) -> Result<(), Failure> {
    let running = RunningNight::find(&session.sittings_folder()).map_err(Failure::bad)?;
    let gone = |error: std::io::Error| {
        Failure::bad(format!("the night does not answer: {error}", error = crate::files::reason(&error)))
    };
    if !arguments.plain && !terminal::is_dumb() && terminal::is_there() {
        return with_screen(|screen| {
            let mut misses = 0;
            loop {
                match running.ask() {
                    Ok(facts) => {
                        misses = 0;
                        screen.show(&night::scene(&scene::room(&running, &facts), false))?;
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
    print_lines(out, running.qr_lines())?;
    writeln!(out, "join {}", running.join_address())?;
    let mut last = String::new();
    let mut shown_step = 0;
    loop {
        let facts = running.ask().map_err(gone)?;
        let scene = scene::room(&running, &facts);
        let plays = scene.playing.and_then(|index| scene.slots.get(index).cloned()).unwrap_or_default();
        let line = format!("{}; {plays}; {} of {} have voted", scene.heading, facts.voted, facts.seats);
        if line != last {
            writeln!(out, "{line}")?;
            out.flush()?;
            last = line;
        }
        if let Some(reveal) = &facts.reveal
            && shown_step != reveal.at + 1
        {
            shown_step = reveal.at + 1;
            print_lines(out, scene.results)?;
            out.flush()?;
            if reveal.at + 1 == reveal.of {
                return Ok(());
            }
        }
        std::thread::sleep(Duration::from_millis(250));
    }
}
