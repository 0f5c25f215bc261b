//! `earwitness run`.

use std::io::Write;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

use super::night::addresses::listening_address;
use super::progress::Bar;
use super::{Failure, print_lines};
use crate::ballot::operating::{self, OperatorPage};
use crate::ballot::witnessing::{PORT, WitnessServer};
use crate::conduct::Environment;
use crate::conduct::environment::Bench;
use crate::conduct::positions;
use crate::conduct::witness::WitnessService;
use crate::player::OutputChoice;
use crate::screen::terminal;
use crate::session::{self, Session, SittingFact, SwitcherKind};
use crate::trial::Outcome;

use crate::sitting::simulated::{self, Ability};
use crate::sitting::{self, Ending, Finished, Look, Request, Resuming};
use crate::verdict;

/// What was typed after `run`.
#[derive(Debug, clap::Args)]
pub struct RunArguments {
    /// Session file, or the folder it is in
    session: PathBuf,
    /// Who listens; the journal keeps this name
    #[arg(long, value_name = "NAME")]
    listener: String,
    /// Name that reports show instead of the listener's
    #[arg(long, value_name = "NAME")]
    alias: Option<String>,
    /// Where the sound goes: `device`, `silent`, or a file ending in `.wav`
    #[arg(long, value_name = "OUTPUT", default_value = "device")]
    output: String,
    /// Sound device, by its name in `earwitness devices` [default: the system's]
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Nobody listens: a program answers right with probability P (0 to 1), and everything says "simulated". In a threshold
    /// test P is for the largest sizes
    #[arg(long, value_name = "P")]
    simulate: Option<f64>,
    /// With --simulate: probability that a control that should be heard is answered right [default: P]
    #[arg(long, value_name = "P", requires = "simulate")]
    simulate_controls: Option<f64>,
    /// With --simulate: probability of an answer that ignores what is heard
    #[arg(long, value_name = "RATE", requires = "simulate", default_value_t = 0.0)]
    simulate_lapse: f64,
    /// With --simulate: rehearse a panel of this many listeners, NAME 01, NAME 02 and so on, as [panel] asks
    #[arg(long, value_name = "N", requires = "simulate", conflicts_with_all = ["alias", "resume", "new"])]
    simulate_panel: Option<u32>,
    /// With --simulate-panel: how much its listeners differ, from 0 (alike) to 1 (each hears it always or never)
    #[arg(long, value_name = "SPREAD", requires = "simulate_panel", default_value_t = 0.0)]
    simulate_spread: f64,
    /// A fact that the session asks for, such as trained=yes; may be repeated
    #[arg(long, value_name = "FACT=ANSWER")]
    fact: Vec<String>,
    /// Show plain lines instead of a screen, for screen readers, serial terminals and scripts
    #[arg(long)]
    plain: bool,
    /// The other party types a passphrase that locks the secret until the end
    #[arg(long)]
    opponent: bool,
    /// A witness's phone holds the other half of every draw; shows the address to open on it
    #[arg(long)]
    witness: bool,
    /// With --witness: this machine's address for the phone, such as 192.168.1.20
    /// [default: 127.0.0.1, for a browser on this machine]
    #[arg(long, value_name = "ADDRESS", requires = "witness", value_parser = listening_address::<PORT>)]
    listen: Option<SocketAddr>,
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
    /// Go on with this listener's unfinished sitting, without asking
    #[arg(long, conflicts_with = "new")]
    resume: bool,
    /// Start a new sitting even if one is unfinished, without asking
    #[arg(long)]
    new: bool,
}

/// Runs the command.
pub fn run(arguments: &RunArguments, out: &mut dyn Write) -> Result<(), Failure> {
    if let Some(probability) = arguments.simulate {
        check_probability("--simulate", probability)?;
    }
    check_probability("--simulate-lapse", arguments.simulate_lapse)?;
    check_probability("--simulate-spread", arguments.simulate_spread)?;
    check_probability("--simulate-controls", arguments.simulate_controls.unwrap_or(0.5))?;
    if !(1..=1000).contains(&arguments.simulate_panel.unwrap_or(1)) {
        return Err(Failure::bad("--simulate-panel takes 1 to 1000 listeners, such as 20"));
    }
    for (option, name) in [("--listener", Some(&arguments.listener)), ("--alias", arguments.alias.as_ref())] {
        if name.is_some_and(|name| name.trim().is_empty()) {
            return Err(Failure::bad(format!("{option} is blank: give a name, such as \"Ida\"")));
        }
    }
    let output = output(&arguments.output, arguments.device.as_deref())?;
    let look = look(arguments.simulate.is_some(), arguments.plain)?;
    if arguments.simulate.is_some() && arguments.opponent {
        return Err(Failure::bad(
            "--opponent needs a person to type the passphrase: leave it out with --simulate",
        ));
    }
    super::timings::stage("session");
    let mut session = session::load(&arguments.session).map_err(Failure::bad)?;
    let remarks = yardstick(&session, arguments.alias.as_ref().unwrap_or(&arguments.listener))?;
    session.notes.extend(remarks);
    let facts = told(&session, &arguments.fact)?;
    let request = Request {
        session,
        listener: arguments.listener.clone(),
        alias: arguments.alias.clone(),
        output,
        simulate: arguments.simulate,
        facts,
        ability: Ability { controls: arguments.simulate_controls, lapse: arguments.simulate_lapse },
        opponent: arguments.opponent,
        resuming: match (arguments.resume, arguments.new) {
            (true, _) => Resuming::Resume,
            (_, true) => Resuming::Anew,
            _ => Resuming::Ask,
        },
    };
    crate::trial::private::process();
    super::timings::stage("sitting");
    if let (Some(listeners), Some(mean)) = (arguments.simulate_panel, arguments.simulate) {
        if request.session.switcher.as_ref().is_some_and(|switcher| switcher.kind == SwitcherKind::Operator) {
            return Err(Failure::bad(
                "--simulate-panel rehearses without people, and this session's cables need an operator",
            ));
        }
        return rehearse(&request, mean, arguments.simulate_spread, listeners, out);
    }
    // A screen shows the address; where there is none it is said here.
    let told: fn(&str) = if look == Look::None { |address| super::note(&invited(address)) } else { |_| {} };
    let wanted = arguments.listen.unwrap_or_else(|| SocketAddr::from(([127, 0, 0, 1], PORT)));
    let witnesses = arguments.witness.then(|| WitnessServer::at(wanted, told));
    let mut witnesses = witnesses.transpose().map_err(Failure::bad)?;
    let bench = bench(arguments.input.as_deref(), &arguments.channels, arguments.device.as_deref());
    let page = operator_page(&request.session, arguments.operator)?;
    let operated = page.as_ref().map(OperatorPage::operated);
    if let (Some(operated), Look::None) = (&operated, look) {
        super::note(&format!("operator: open {}", operated.invitation.address));
    }
    let watched = witnesses.as_mut().map(|witnesses| witnesses as &mut dyn WitnessService);
    let environment = Environment { operator: operated, bench, ..environment() };
    let finished = sitting::sit(&request, look, watched, &environment)?;
    drop(page);
    super::timings::stage("output");
    tell(&finished, look, out)
}

/// The computer's own clock, sound and randomness, and the report for whoever wants it at the end.
pub(super) fn environment() -> Environment {
    Environment { report: Some(Arc::new(super::report::write)), ..Environment::real() }
}

/// Where both positions of a switch are measured, if an input was named.
pub(super) fn bench(input: Option<&str>, channels: &[u8], device: Option<&str>) -> Option<Bench> {
    let input = input?;
    let channels = channels.iter().map(|channel| usize::from(*channel) - 1).collect();
    let input = Some(input.to_owned()).filter(|name| name != "default");
    Some(positions::bench(device.map(str::to_owned), input, channels))
}

/// The operator's page, where a person switches real cables.
pub(super) fn operator_page(
    session: &Session,
    wanted: Option<SocketAddr>,
) -> Result<Option<OperatorPage>, Failure> {
    let by_hand = session.switcher.as_ref().filter(|switcher| switcher.kind == SwitcherKind::Operator);
    match (by_hand, wanted) {
        (None, Some(_)) => Err(Failure::bad(
            "--operator is for sessions whose cables a person switches, and this one has no [switcher] of kind \"operator\"",
        )),
        (None, None) => Ok(None),
        (Some(switcher), wanted) => {
            let wanted = wanted.unwrap_or_else(|| SocketAddr::from(([127, 0, 0, 1], operating::PORT)));
            OperatorPage::serve(wanted, switcher).map(Some).map_err(Failure::bad)
        }
    }
}

fn invited(address: &str) -> String {
    format!("witness: open {address}")
}

/// Facts as they were typed after --fact.
fn told(session: &Session, typed: &[String]) -> Result<Vec<SittingFact>, Failure> {
    let mut facts: Vec<SittingFact> = Vec::new();
    for typed in typed {
        let (name, answer) = typed.split_once('=').unwrap_or((typed, ""));
        let known = session.facts.iter().copied().find(|fact| fact.name() == name);
        let Some(fact) = known.filter(|fact| facts.iter().all(|told| told.fact != *fact)) else {
            let names: Vec<&str> = session.facts.iter().map(|fact| fact.name()).collect();
            return Err(Failure::bad(format!(
                "--fact {typed}: this session asks for {}, each once, such as --fact trained=yes",
                if names.is_empty() { "no facts".to_owned() } else { names.join(", ") }
            )));
        };
        match fact.taken(answer).map_err(|why| Failure::bad(format!("--fact {why}")))? {
            Some(answer) => facts.push(SittingFact { fact, answer }),
            None => return Err(Failure::bad(format!("--fact {typed}: an answer is missing after {name}="))),
        }
    }
    Ok(facts)
}

/// Lets a whole panel of simulated listeners sit, one after the other.
fn rehearse(
    request: &Request,
    mean: f64,
    spread: f64,
    listeners: u32,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let chance = request.session.protocol.chance();
    let each = request.session.panel.as_ref().map_or(1, |panel| panel.sittings_each);
    super::timings::stage("stimuli");
    let stimuli = crate::stimulus::prepare(&request.session, &Bar::default()).map_err(Failure::bad)?;
    super::timings::stage("sittings");
    let able = simulated::panel(mean, chance, spread, listeners, seed());
    for (number, probability) in able.into_iter().enumerate() {
        let listener = format!("{} {:02}", request.listener, number + 1);
        for sitting in 1..=each {
            let one = Request {
                listener: listener.clone(),
                simulate: Some(probability),
                resuming: Resuming::Anew,
                ..request.clone()
            };
            let finished = sitting::rehearse(&one, &stimuli)?;
            let Ending::Closed(outcome) = finished.ending else {
                return tell(&finished, Look::None, out);
            };
            let which = if each > 1 { format!(", sitting {sitting} of {each}") } else { String::new() };
            let failed = if outcome == Outcome::NotQualified { "; did not qualify" } else { "" };
            writeln!(out, "{listener}{which}: simulated, right with probability {probability}{failed}")?;
        }
    }
    writeln!(
        out,
        "Nobody listened. `earwitness report` says so, and shows what the panel's report will look like."
    )?;
    Ok(())
}

fn seed() -> u64 {
    Environment::real().seed
}

/// The listener's own smallest steps, or the advice to find them first. Nothing where the session has no yardstick.
fn yardstick(session: &Session, listener: &str) -> Result<Vec<String>, Failure> {
    let Some(path) = &session.yardstick else { return Ok(Vec::new()) };
    let found = verdict::yardsticks(session).map_err(Failure::bad)?;
    let own: Vec<String> = found
        .iter()
        .filter(|yardstick| yardstick.listener == listener)
        .map(|yardstick| yardstick.sentence(None))
        .collect();
    if own.is_empty() {
        return Ok(vec![format!(
            "Five minutes well spent first: find the smallest step you hear on this equipment, with earwitness run {} --listener \
             \"{listener}\". Every verdict on you will then stand next to it.",
            path.display()
        )]);
    }
    Ok(own)
}

/// Refuses what is no probability.
pub(super) fn check_probability(option: &str, probability: f64) -> Result<(), Failure> {
    if (0.0..=1.0).contains(&probability) {
        return Ok(());
    }
    Err(Failure::bad(format!(
        "{option} is {probability}: a probability from 0 to 1 is expected, such as 0.8"
    )))
}

/// The output that the options mean.
pub(super) fn output(output: &str, device: Option<&str>) -> Result<OutputChoice, Failure> {
    let choice = match output {
        "device" => OutputChoice::Device(device.map(str::to_string)),
        "silent" => OutputChoice::Silent,
        file if file.to_ascii_lowercase().ends_with(".wav") => OutputChoice::File(PathBuf::from(file)),
        other => {
            return Err(Failure::bad(format!(
                "--output is \"{other}\": `device`, `silent` or a file name that ends in .wav is expected"
            )));
        }
    };
    if device.is_some() && output != "device" {
        return Err(Failure::bad(format!(
            "--device names a sound device, but --output is \"{output}\": leave one of the two out"
        )));
    }
    Ok(choice)
}

/// The face that fits the options and the terminal.
pub(super) fn look(simulated: bool, plain: bool) -> Result<Look, Failure> {
    if simulated {
        Ok(Look::None)
    } else if plain || (terminal::is_there() && terminal::is_dumb()) {
        Ok(Look::Plain)
    } else if terminal::is_there() {
        Ok(Look::Screen)
    } else {
        Err(Failure::bad(
            "a sitting needs a terminal, and standard input or output is none: run it in a terminal, or with --plain \
             (lines in, lines out), or with --simulate P (a program answers)",
        ))
    }
}

/// Prints what remains when the screen is gone. Plain lines do not go away: what they said is not said again.
pub(super) fn tell(finished: &Finished, look: Look, out: &mut dyn Write) -> Result<(), Failure> {
    match finished.ending {
        Ending::Closed(_) if look == Look::Plain => Ok(()),
        Ending::Closed(_) => {
            print_lines(out, &finished.lines)?;
            Ok(())
        }
        Ending::Left => Err(Failure::No(format!(
            "the sitting is not finished. Everything recorded is kept in {}; the same command resumes it",
            finished.journal.display()
        ))),
        Ending::NotOpened => Err(Failure::No("no sitting was opened, and nothing was recorded".to_string())),
    }
}
