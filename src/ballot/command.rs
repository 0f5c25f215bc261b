//! What the host can say, as words on a line: the same in the terminal screen and in the line mode.

use std::path::PathBuf;

use super::paper;
use crate::trial::Definition;
use crate::units::foreign::shortened;

/// Something that the host wants.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Command {
    /// Whatever comes next: open the doors, seal, start the trial, close the votes, go on after a break, open the seal.
    Next,
    /// Present the trial again; votes stay open.
    Repeat,
    /// Play one stimulus, by its slot's index.
    Play(usize),
    /// Silence.
    Silence,
    /// Take votes now.
    Open,
    /// Close the votes now.
    Close,
    /// Give this many more seconds to vote.
    More(u64),
    /// Whether votes close by themselves soon after every phone has voted.
    WhenAll(bool),
    /// A break.
    Break,
    /// Open ears: A and B by name, before the first trial; of the comparison with this number.
    Ears(usize),
    /// The trial that is on, or the one that was just closed, was disturbed: void, and repeated with a fresh draw.
    Void(String),
    /// A typed hand.
    Hand(String),
    /// A paper seat, with a number or the next free one, and a name.
    Paper(Option<u32>, String),
    /// Answers from paper: seat, and for each counted trial in order the alternative, or none.
    Answers(u32, Vec<Option<usize>>),
    /// Answers from a CSV file.
    Import(PathBuf),
    /// The next phone that joins with this seat's number gets the seat: its holder's phone is dead.
    Release(u32),
    /// The listener on this seat has gone.
    Gone(u32),
    /// These seats are taken away, from the first to the last.
    Remove(u32, u32),
    /// Who may still join.
    Door(DoorWish),
    /// End the night before all trials were presented: no verdict.
    Stop,
    /// Confirm that.
    Confirm,
    /// Not so; in the reveal, one step back.
    Back,
    /// After the closing: everything at once, the last step of the reveal.
    Results,
    /// Say how things stand.
    Status,
    /// Say what can be said.
    Help,
    /// Leave; the same command resumes the night.
    Quit,
}

/// What the host wants of the door.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DoorWish {
    /// Phones may join.
    Open,
    /// Phones may not join any more.
    Shut,
    /// Guests share one address: it may have as many seats as the room.
    Shared,
    /// The room has this many seats.
    Seats(u32),
}

/// Understands a seat or a range of seats: `7`, `31-40`.
///
/// # Errors
/// It is none.
pub fn range(text: &str) -> Result<(u32, u32), String> {
    let most = super::seats::MOST_SEATS;
    let (first, last) = text.split_once('-').unwrap_or((text, text));
    let number = |text: &str| text.trim().parse::<u32>().ok().filter(|seat| (1..=most).contains(seat));
    match (number(first), number(last)) {
        (Some(first), Some(last)) if first <= last => Ok((first, last)),
        _ => Err(format!(
            "\"{}\" is not a range of seats: give two numbers from 1 to {most}, such as 31-40",
            shortened(text)
        )),
    }
}

/// The words, what they do, in the order of the help.
pub const WORDS: [(&str, &str); 28] = [
    ("next (or Enter)", "go on"),
    ("back", "one step back"),
    ("repeat", "play it again"),
    ("play X", "play one sound"),
    ("silence", "stop the sound"),
    ("ears", "before: A, B by name"),
    ("open", "take votes"),
    ("close", "close the votes"),
    ("more 30", "30 s more to vote"),
    ("all on, all off", "close when all voted"),
    ("break", "a rest"),
    ("void REASON", "play a trial again"),
    ("hand TEXT", "words for the draws"),
    ("paper 7 NAME", "a seat without phone"),
    ("7 a b - a", "answers from paper"),
    ("import FILE.csv", "many of them"),
    ("release 7", "seat to a new phone"),
    ("gone 7", "listener has left"),
    ("remove 3-9", "take seats away"),
    ("door open", "phones may join"),
    ("door shut", "phones may not join"),
    ("door 30", "so many seats"),
    ("door shared", "one address for many"),
    ("results", "everything at once"),
    ("stop, confirm", "end without verdict"),
    ("status", "how things stand"),
    ("help", "this list"),
    ("quit", "leave; resumes later"),
];

/// Understands a line. `trials` is the number of trials of the main part.
///
/// # Errors
/// What was not understood, and what can be said.
pub fn parse(line: &str, definition: &Definition, trials: u32) -> Result<Command, String> {
    let line = line.trim();
    let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    let rest = rest.trim();
    let said = &shortened(rest);
    let seat = |text: &str| {
        text.parse::<u32>().ok().filter(|seat| (1..=super::seats::MOST_SEATS).contains(seat)).ok_or_else(
            || {
                let most = super::seats::MOST_SEATS;
                format!("\"{}\" is not a seat: give a number from 1 to {most}", shortened(text))
            },
        )
    };
    let needed =
        |what: &str| if rest.is_empty() { Err(format!("{word} needs more: {what}")) } else { Ok(()) };
    Ok(match word.to_ascii_lowercase().as_str() {
        "" | "next" => Command::Next,
        "repeat" => Command::Repeat,
        "play" => {
            let labels: Vec<&str> = definition.slots.iter().map(|slot| slot.label).collect();
            let slot = labels
                .iter()
                .position(|label| label.eq_ignore_ascii_case(rest))
                .ok_or_else(|| format!("\"{said}\" is not a sound here; known: {}", labels.join(", ")))?;
            Command::Play(slot)
        }
        "silence" => Command::Silence,
        "open" => Command::Open,
        "close" => Command::Close,
        "more" => Command::More(
            rest.parse()
                .ok()
                .filter(|seconds| (1..=600).contains(seconds))
                .ok_or_else(|| format!("\"{said}\" is not a number of seconds from 1 to 600"))?,
        ),
        "all" => Command::WhenAll(match rest {
            "on" => true,
            "off" => false,
            _ => return Err(format!("\"{said}\" is not understood: say all on, or all off")),
        }),
        "break" => Command::Break,
        "ears" if rest.is_empty() => Command::Ears(1),
        "ears" => Command::Ears(
            rest.parse()
                .map_err(|_| format!("\"{said}\" is not the number of a comparison; the first is 1"))?,
        ),
        "void" => {
            needed("say what disturbed the trial")?;
            Command::Void(rest.to_owned())
        }
        "hand" => {
            needed("any words")?;
            Command::Hand(rest.to_owned())
        }
        "paper" => {
            needed("a name, or a seat's number and a name")?;
            match rest.split_once(char::is_whitespace) {
                Some((number, name)) if number.parse::<u32>().is_ok() => {
                    Command::Paper(Some(seat(number)?), name.trim().to_owned())
                }
                _ => Command::Paper(None, rest.to_owned()),
            }
        }
        "import" => {
            needed("a CSV file with the columns seat, name, and one for each trial")?;
            Command::Import(PathBuf::from(rest))
        }
        "release" => Command::Release(seat(rest)?),
        "gone" => Command::Gone(seat(rest)?),
        "remove" => {
            let (first, last) = range(rest)?;
            Command::Remove(first, last)
        }
        "door" => Command::Door(match rest {
            "open" => DoorWish::Open,
            "shut" | "close" | "closed" => DoorWish::Shut,
            "shared" => DoorWish::Shared,
            number => DoorWish::Seats(seat(number).map_err(|_| {
                let most = super::seats::MOST_SEATS;
                format!(
                    "\"{said}\" is not understood: say open, shut, shared, or a number of seats up to {most}"
                )
            })?),
        }),
        "stop" => Command::Stop,
        "confirm" => Command::Confirm,
        "back" => Command::Back,
        "results" => Command::Results,
        "status" => Command::Status,
        "help" | "?" => Command::Help,
        "quit" => Command::Quit,
        number if number.chars().next().is_some_and(|c| c.is_ascii_digit()) => {
            let number = seat(number.trim_end_matches(':'))?;
            Command::Answers(
                number,
                paper::answers(rest, definition, trials).map_err(|error| error.to_string())?,
            )
        }
        other => {
            return Err(format!(
                "\"{}\" is not understood. Type help for a list of words.",
                shortened(other)
            ));
        }
    })
}

/// Help in two columns of 38 characters: all of it is in view on a terminal of 80 by 24.
pub fn help() -> Vec<String> {
    let half = WORDS.len().div_ceil(2);
    let cell = |index: usize| WORDS.get(index).map(|(word, what)| format!("{word:<16} {what:<21}"));
    (0..half)
        .map(|row| {
            [cell(row), cell(row + half)].into_iter().flatten().collect::<String>().trim_end().to_owned()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Protocol;

    fn said(line: &str) -> Result<Command, String> {
        parse(line, Definition::of(Protocol::Abx), 4)
    }

    #[test]
    fn lines_are_understood() {
        assert_eq!(said(""), Ok(Command::Next));
        assert_eq!(said(" play x"), Ok(Command::Play(2)));
        assert_eq!(said("paper 7 Ida of Mill"), Ok(Command::Paper(Some(7), "Ida of Mill".to_owned())));
        assert_eq!(said("paper Ida"), Ok(Command::Paper(None, "Ida".to_owned())));
        assert_eq!(said("7 a B - a"), Ok(Command::Answers(7, vec![Some(0), Some(1), None, Some(0)])));
        assert_eq!(said("7: ab-a"), Ok(Command::Answers(7, vec![Some(0), Some(1), None, Some(0)])));
        assert_eq!(said("more 20"), Ok(Command::More(20)));
        assert_eq!(said("void a tram passed"), Ok(Command::Void("a tram passed".to_owned())));
    }

    #[test]
    fn help_fits_a_small_terminal() {
        let help = help();
        assert!(help.len() <= 14 && help.iter().all(|line| line.chars().count() <= 76), "{help:#?}");
        assert!(WORDS.iter().all(|(word, what)| word.len() <= 16 && what.len() <= 20));
    }

    #[test]
    fn what_is_not_understood_says_what_would_be() {
        assert!(said("play q").is_err_and(|message| message.contains("A, B, X")));
        assert!(said("dance").is_err_and(|message| message.contains("help")));
        assert!(said("0 a b a b").is_err());
        assert!(said("7 a c").is_err_and(|message| message.contains('c')));
        assert!(said("7 a b a b a").is_err_and(|message| message.contains('5')));
        assert!(said("more 0").is_err());
        assert!(said("void").is_err());
    }
}
