//! One file per command: parse, call, print.
//!
//! Results go to standard output, everything else to standard error. Exit status: 0 done; 1 the answer is no; 2 bad
//! usage or bad input. Whoever closes standard output early hears nothing more: 141, as a shell reports it.

mod archive;
pub mod audition;
pub mod bench;
pub mod check;
mod check_loopback;
mod check_page;
mod check_switch;
mod check_words;
pub mod demo;
pub mod devices;
mod examples;
mod folded;
mod harmless;
pub mod installed;
pub mod new;
pub mod night;
pub mod plan;
pub mod predict;
mod predict_export;
mod predict_lengths;
mod predict_picture;
mod predict_sizes;
mod predict_touchstone;
pub mod progress;
pub mod render;
pub mod report;
mod rounds_time;
pub mod run;
pub mod score;
mod timings;
pub mod verify;
mod whole;
pub mod witness;

use std::io::{IsTerminal as _, Write};
use std::process::ExitCode;

use clap::builder::StyledStr;
use clap::{Parser, Subcommand};

use crate::screen::shapes::Encoded;
use crate::trial::sittings::PROGRAM;
use crate::units::{foreign, printed};

use folded::Folded;
use harmless::Harmless;

/// Why a command did not end with 0.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Failure {
    /// The answer is no: a tampered journal, a failed check. Exit status 1.
    No(String),
    /// Bad usage or bad input: what, where, and what to do. Exit status 2.
    Bad(String),
}

impl Failure {
    /// Bad usage or bad input, from anything that can be shown.
    pub fn bad(message: impl std::fmt::Display) -> Self {
        Self::Bad(message.to_string())
    }

    /// What the operating system says of a file or folder, after what could not be done with it: for `map_err`.
    fn of_file<'p>(path: &'p std::path::Path, cannot: &'p str) -> impl Fn(std::io::Error) -> Self + 'p {
        move |error| Self::Bad(format!("{}: {cannot}: {}", path.display(), crate::files::reason(&error)))
    }
}

impl From<crate::sitting::SittingError> for Failure {
    fn from(error: crate::sitting::SittingError) -> Self {
        match error {
            // Nothing was wrong with what was asked: the sitting ended too early.
            crate::sitting::SittingError::Face(_) => Self::No(error.to_string()),
            error => Self::bad(error),
        }
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::Bad(format!("the output could not be written: {error}", error = crate::files::reason(&error)))
    }
}

/// Standard output, which whoever reads it may close before everything was read (`earwitness report --csv | head -1`).
struct Reader<W> {
    inner: W,
    gone: bool,
}

impl<W: Write> Reader<W> {
    fn note<T>(&mut self, done: std::io::Result<T>) -> std::io::Result<T> {
        self.gone |= done.as_ref().is_err_and(|error| error.kind() == std::io::ErrorKind::BrokenPipe);
        done
    }
}

impl<W: Write> Write for Reader<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let done = self.inner.write(bytes);
        self.note(done)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        let done = self.inner.flush();
        self.note(done)
    }
}

/// What a shell reports of a program that was ended by a closed pipe: 128 and the number of SIGPIPE. It is neither "done"
/// nor "the answer is no", since nobody read to the end.
const READER_GONE: u8 = 141;

/// Writes a line to standard error: progress, notes, cautions. A closed standard error is no reason to stop.
pub fn note(message: &str) {
    let shown = harmless::harmless(message);
    let shown = folded::columns(&std::io::stderr())
        .map_or_else(|| shown.clone(), |columns| folded::folded(&shown, columns));
    let _ = writeln!(std::io::stderr().lock(), "{shown}");
}

/// Whether this is a name for the file that an option writes: sound as WAV, pictures as SVG.
fn check_ending(option: &str, path: &std::path::Path, ending: &str) -> Result<(), Failure> {
    if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case(ending)) {
        return Ok(());
    }
    let written = if ending == "wav" { "the sound is written as WAV" } else { "pictures are SVG" };
    Err(Failure::bad(format!(
        "{option} is \"{}\": {written}, so give a name that ends in .{ending}",
        path.display()
    )))
}

/// Each line, ended.
fn print_lines(
    out: &mut dyn Write,
    lines: impl IntoIterator<Item = impl std::fmt::Display>,
) -> std::io::Result<()> {
    lines.into_iter().try_for_each(|line| writeln!(out, "{line}"))
}

/// A JSON document.
fn print_json(out: &mut dyn Write, document: &serde_json::Value) -> Result<(), Failure> {
    Ok(writeln!(out, "{document:#}")?)
}

/// Puts the keys of another document behind a document's own.
fn extend(document: &mut serde_json::Value, keys: serde_json::Value) {
    if let (serde_json::Value::Object(document), serde_json::Value::Object(keys)) = (document, keys) {
        document.extend(keys);
    }
}

/// One of a list, wrapped behind its dash.
fn item(out: &mut dyn Write, text: &str) -> std::io::Result<()> {
    for (index, line) in paragraph(4, text).iter().enumerate() {
        let dash = if index == 0 { "  - " } else { "    " };
        writeln!(out, "{dash}{}", line.trim_start())?;
    }
    Ok(())
}

/// Text as lines as wide as the terminal, of 100 columns at most, `indent` of them blank.
fn paragraph(indent: usize, text: &str) -> Vec<String> {
    let blank = " ".repeat(indent);
    let columns = folded::columns(&std::io::stdout()).unwrap_or(folded::WIDEST);
    crate::screen::page::wrap(text, columns - indent).iter().map(|line| format!("{blank}{line}")).collect()
}

/// Version and build, as journals name them.
const VERSION: &str = PROGRAM.split_at("earwitness ".len()).1;

/// All commands and options.
fn line() -> clap::Command {
    examples::added(<Line as clap::CommandFactory>::command())
}

/// The same for a terminal, which breaks lines of help: not between backticks, nor a number from its unit.
fn held_together(command: clap::Command) -> clap::Command {
    let held = |text: &StyledStr| printed::unbroken_to_copy(&text.ansi().to_string());
    let of_option = |option: clap::Arg| {
        let (short, long) = (option.get_help().map(held), option.get_long_help().map(held));
        let option = if let Some(short) = short { option.help(short) } else { option };
        if let Some(long) = long { option.long_help(long) } else { option }
    };
    let (short, long) = (command.get_about().map(held), command.get_long_about().map(held));
    let command = if let Some(short) = short { command.about(short) } else { command };
    let command = if let Some(long) = long { command.long_about(long) } else { command };
    command.mut_args(of_option).mut_subcommands(held_together)
}

/// A complaint of the reader of arguments with what was typed in it shown as foreign text, and no more of it than a message can
/// carry. What the command line knows by itself is shorter.
fn with_foreign_shown(mut said: clap::Error) -> clap::Error {
    use clap::error::{ContextKind, ContextValue};
    let styled = |text: &StyledStr| StyledStr::from(foreign::message(text));
    let shown = |kind, text: &String| {
        if kind == ContextKind::InvalidValue { foreign::shortened(text) } else { foreign::message(text) }
    };
    let changed: Vec<(ContextKind, ContextValue)> = said
        .context()
        .filter(|(kind, _)| *kind != ContextKind::Usage)
        .filter_map(|(kind, value)| {
            let value = match value {
                ContextValue::String(text) => ContextValue::String(shown(kind, text)),
                ContextValue::Strings(texts) => {
                    ContextValue::Strings(texts.iter().map(|text| shown(kind, text)).collect())
                }
                ContextValue::StyledStrs(texts) => {
                    ContextValue::StyledStrs(texts.iter().map(styled).collect())
                }
                _ => return None,
            };
            Some((kind, value))
        })
        .collect();
    for (kind, value) in changed {
        said.insert(kind, value);
    }
    said
}

/// What the reader of arguments says, help or complaint, with plain spaces, since it is copied.
fn say(said: clap::Error) -> std::io::Result<()> {
    let to_errors = said.use_stderr();
    let said = if to_errors { with_foreign_shown(said) } else { said };
    let text = said.render();
    let plain = text.to_string();
    // What the reader of one value said of it is in no part that was shown as foreign text.
    let acts = to_errors && plain.chars().any(|character| character != '\n' && foreign::acts(character));
    let terminal = if to_errors { std::io::stderr().is_terminal() } else { std::io::stdout().is_terminal() };
    let styled = terminal
        && std::env::var_os("NO_COLOR").is_none_or(|set| set.is_empty())
        && !crate::screen::terminal::is_dumb();
    let text = match (acts, styled) {
        (true, _) => plain.split('\n').map(foreign::shown).collect::<Vec<_>>().join("\n"),
        (false, true) => text.ansi().to_string(),
        (false, false) => plain,
    }
    .replace('\u{a0}', " ");
    if to_errors {
        write!(std::io::stderr().lock(), "{text}")
    } else {
        write!(std::io::stdout().lock(), "{text}")
    }
}

/// Conducts blind listening tests of loudspeaker cables and says honestly what the answers prove.
#[derive(Debug, Parser)]
#[command(name = "earwitness", version, long_version = VERSION, about, max_term_width = 100)]
struct Line {
    /// Say how long each stage took
    #[arg(long, global = true, display_order = 990)]
    timings: bool,
    #[command(subcommand)]
    command: Command,
}

/// The commands, in the order a newcomer meets them.
#[derive(Debug, Subcommand)]
enum Command {
    /// Try everything on a built-in session
    Demo(demo::DemoArguments),
    /// Write a session file with remarks, to edit
    New(new::NewArguments),
    /// Check a session: what is played, how large the difference is, what to be careful of
    Check(check::CheckArguments),
    /// Compute what each cable does to the sound, and how large the difference is to an ear
    Predict(predict::PredictArguments),
    /// Write each clip through each cable as a WAV file
    Render(render::RenderArguments),
    /// Work out how many trials you need, or what a number of trials can show
    Plan(plan::PlanArguments),
    /// Listen with open eyes, or train; nothing counts
    Audition(audition::AuditionArguments),
    /// Hold a sitting: the blind trials of one listener
    Run(run::RunArguments),
    /// Witness a sitting from another computer, in place of a phone
    Witness(witness::WitnessArguments),
    /// Host a listening night: phones, paper ballots, a room display
    Night(night::NightArguments),
    /// Compute the statistics of journals, of a CSV of counts, or of two numbers
    Score(score::ScoreArguments),
    /// Write the report of all sittings: a web page, a table, JSON
    Report(report::ReportArguments),
    /// Check journals: derive every draw and score again from the opened seal
    Verify(verify::VerifyArguments),
    /// Measure: sweeps, recordings, responses, distortion, impedance, null tests
    Bench(bench::BenchArguments),
    /// List the sound devices, and what to do if none answers
    Devices(devices::DevicesArguments),
    /// Print the completions for a shell
    Completions(installed::CompletionsArguments),
    /// Write the manual pages
    Man(installed::ManArguments),
}

impl Command {
    /// What it prints is read as it comes. The other commands lay out their lines themselves, or print what a program reads.
    fn prints_prose(&self) -> bool {
        !matches!(
            self,
            Self::Demo(_)
                | Self::Audition(_)
                | Self::Run(_)
                | Self::Night(_)
                | Self::Completions(_)
                | Self::Man(_)
        )
    }
}

/// A program reads the output, or it is to be pasted: its lines stay as they are.
fn is_for_machines(matches: &clap::ArgMatches) -> bool {
    let Some((_, inner)) = matches.subcommand() else { return false };
    ["json", "csv", "trials", "dictionary", "methods", "format"]
        .iter()
        .any(|flag| inner.try_get_one::<bool>(flag).is_ok_and(|given| given == Some(&true)))
        || is_for_machines(inner)
}

/// Most characters of an argument: as long as a path may be (PATH_MAX of Linux, limits.h).
const LONGEST_ARGUMENT: usize = 4096;

/// Arguments come back in messages, in journals and in the names of files: one that acts on a terminal is refused, and so is one
/// that is longer than anything it could name.
fn plain_arguments() -> Result<(), String> {
    for argument in std::env::args_os().skip(1) {
        let text = argument.to_string_lossy();
        let length = text.chars().count();
        if length > LONGEST_ARGUMENT {
            return Err(format!(
                "the argument \"{}\" has {length} characters: give it in at most {LONGEST_ARGUMENT}",
                foreign::shortened(&text)
            ));
        }
        if let Some(complaint) =
            text.chars().any(char::is_control).then(|| foreign::complaint(&text)).flatten()
        {
            return Err(format!("the argument \"{}\": {complaint}", foreign::shortened(&text)));
        }
    }
    Ok(())
}

/// A value that the standard library could not read, in our words; `None` for every other mistake.
fn not_a_value(error: &clap::Error) -> Option<String> {
    use clap::error::ContextKind;
    use std::error::Error as _;
    let source = error.source()?;
    let wanted = if source.is::<std::num::ParseFloatError>() {
        "a number such as 0.75"
    } else if source.is::<std::num::ParseIntError>() {
        "a whole number"
    } else {
        return None;
    };
    let named = |kind| error.get(kind).map(ToString::to_string);
    let (argument, value) = (named(ContextKind::InvalidArg)?, named(ContextKind::InvalidValue)?);
    let name = argument.split(' ').next().unwrap_or_default();
    let hint = match score::without_groups(&value) {
        Some(plain) if source.is::<std::num::ParseIntError>() => {
            format!("; write {}", foreign::shortened(&plain))
        }
        _ if value.contains(',') => "; the decimal sign is a point".to_owned(),
        _ => String::new(),
    };
    Some(format!("{name} is \"{}\", but {wanted} is expected{hint}", foreign::shortened(&value)))
}

/// An option that the command does not have, with the nearest one that it has.
fn unknown_option(error: &clap::Error) -> Option<String> {
    use clap::error::{ContextKind, ErrorKind};
    let named = |kind| error.get(kind).map(ToString::to_string);
    let typed = named(ContextKind::InvalidArg)
        .filter(|typed| error.kind() == ErrorKind::UnknownArgument && typed.starts_with('-'))?;
    let near =
        named(ContextKind::SuggestedArg).map_or_else(String::new, |near| format!("; did you mean {near}?"));
    let mut words = std::env::args().take_while(|argument| !argument.starts_with('-'));
    let command = words.nth(1).map(|name| format!(" {name}")).unwrap_or_default();
    let typed = foreign::shortened(&typed);
    Some(format!("{typed} is not known here{near} (`earwitness{command} --help` lists what is)"))
}

/// Runs the program on the process's arguments and returns its exit status.
pub fn main() -> ExitCode {
    if let Err(message) = plain_arguments() {
        note(&format!("earwitness: {message}"));
        return ExitCode::from(2);
    }
    let parsed = held_together(line()).try_get_matches().and_then(|matches| {
        let machine = is_for_machines(&matches);
        let parsed = <Line as clap::FromArgMatches>::from_arg_matches(&matches);
        parsed.map(|line| (line, machine)).map_err(|error| error.format(&mut line()))
    });
    let (line, machine) = match parsed {
        Ok(parsed) => parsed,
        Err(error) => {
            if let Some(message) = not_a_value(&error).or_else(|| unknown_option(&error)) {
                note(&format!("earwitness: {message}"));
                return ExitCode::from(2);
            }
            // Help and version are results; everything else is bad usage.
            let status = if error.use_stderr() { 2 } else { 0 };
            let _ = say(error);
            return ExitCode::from(status);
        }
    };
    if line.timings {
        timings::begin();
    }
    let columns =
        (!machine && line.command.prints_prose()).then(|| folded::columns(&std::io::stdout())).flatten();
    let reader = Reader { inner: Encoded::standard_output(std::io::stdout().lock()), gone: false };
    let mut out = std::io::BufWriter::new(Harmless::new(Folded::new(reader, columns)));
    let result = match &line.command {
        Command::Demo(arguments) => demo::run(arguments, &mut out),
        Command::New(arguments) => new::run(arguments, &mut out),
        Command::Check(arguments) => check::run(arguments, &mut out),
        Command::Predict(arguments) => predict::run(arguments, &mut out),
        Command::Render(arguments) => render::run(arguments, &mut out),
        Command::Plan(arguments) => plan::run(arguments, &mut out),
        Command::Audition(arguments) => audition::run(arguments, &mut out),
        Command::Run(arguments) => run::run(arguments, &mut out),
        Command::Witness(arguments) => witness::run(arguments, &mut out),
        Command::Night(arguments) => night::run(arguments, &mut out),
        Command::Score(arguments) => score::run(arguments, &mut out),
        Command::Report(arguments) => report::run(arguments, &mut out),
        Command::Verify(arguments) => verify::run(arguments, &mut out),
        Command::Bench(arguments) => bench::run(arguments, &mut out),
        Command::Devices(arguments) => devices::run(arguments, &mut out),
        Command::Completions(arguments) => installed::completions(arguments, &mut out),
        Command::Man(arguments) => installed::man(arguments, &mut out),
    };
    let flushed = out.flush().map_err(Failure::from);
    timings::finish();
    if out.get_ref().get_ref().get_ref().gone {
        return ExitCode::from(READER_GONE);
    }
    match result.and(flushed) {
        Ok(()) => ExitCode::SUCCESS,
        Err(Failure::No(message)) => {
            note(&message);
            ExitCode::from(1)
        }
        Err(Failure::Bad(message)) => {
            note(&format!("earwitness: {message}"));
            ExitCode::from(2)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines of all help, in 60 columns, on which something between backticks is broken.
    fn broken(command: clap::Command) -> Vec<String> {
        fn look(command: &clap::Command, found: &mut Vec<String>) {
            let help = command.clone().render_long_help().to_string();
            let odd = |line: &&str| !line.matches('`').count().is_multiple_of(2);
            found.extend(help.lines().filter(odd).map(str::to_owned));
            command.get_subcommands().for_each(|inner| look(inner, found));
        }
        let mut command = command.term_width(60);
        command.build();
        let mut found = Vec::new();
        look(&command, &mut found);
        found
    }

    #[test]
    fn help_is_not_broken_between_backticks() {
        assert_eq!(broken(held_together(line())), Vec::<String>::new());
        assert!(!broken(line()).is_empty(), "nothing would be broken: is the look still right?");
    }
}
