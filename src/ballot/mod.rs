//! The club night: a room of listeners who hear the same and answer on phones or on paper.
//!
//! Comes in: what the host does, what phones send, what the player reports, and the time in milliseconds. Goes out: pages
//! and answers for phones and the room's display, effects for the player, and records for the journal. The same
//! [`Conductor`](crate::trial::Conductor) as in a sitting holds the draw; nothing in here sees it before the closing.
//!
//! | file | what lives there | to change |
//! | --- | --- | --- |
//! | `night`, `night/host` | the pure state machine around the conductor: phases, votes, seats; what the host says | when a vote is taken |
//! | `night/ears` | A and B by name, before the test | what is played before the test |
//! | `night/links` | links of phones that begin each attempt | how long phones are waited for |
//! | `presentation` | what plays at which moment of a trial | order, gaps |
//! | `seats` | who sits where, what each seat voted, its receipts | what a seat remembers |
//! | `room` | how many may sit, and whether phones may join | a rule of the door's |
//! | `command` | what the host can say | a word of the host's |
//! | `view` | what phones, the room's display and the host may see, as data | a key of the pages' JSON |
//! | `results` | after the closing: every listener, the room, the highest scores | a sentence |
//! | `reveal` | the steps in which the host shows them | a step |
//! | `pass` | room code, display key, seat tokens | how long a code is |
//! | `guard`, `listener` | who is let in at the door, and how many at once | a limit |
//! | `addresses` | how many seats each address took, across restarts | |
//! | `asked` | what pages send, as what it asks for | a field of a request |
//! | `routes` | the web server | a path |
//! | `pages`, `pages/` | the pages: markup, style, script | how they look |
//! | `hosting`, `hosting/setup` | a night in front of host, phones and display; how it is opened | the loop |
//! | `refused` | the log of what was refused | |
//! | `paper` | ballots to print, answers typed or imported | a column |
//! | `qr` | the join address as a code | |
//! | `display` | asks the running night for a second terminal | |
//! | `witnessing`, `witnessing/` | the page of a sitting's witnesses, and its server | a path, what witnesses see |
//! | `operating` | the page of the person who switches real cables | what an operator is shown |
//! | `gate` | who may ask for a page of one sitting | |
//! | `scene` | what the host's screen and that second terminal show | a line on a terminal |
//!
//! Must not: decide what is right, or know which side X is.

mod addresses;
pub mod asked;
pub mod command;
pub mod display;
mod gate;
pub mod guard;
pub mod hosting;
mod listener;
pub mod night;
pub mod operating;
mod pages;
pub mod paper;
pub mod pass;
pub mod presentation;
pub mod qr;
mod refused;
pub mod rehearsed;
pub mod results;
pub mod reveal;
pub mod room;
mod routes;
pub mod scene;
pub mod seats;
pub mod view;
pub mod witnessing;

use std::path::{Path, PathBuf};

pub use night::{Night, Phase};

/// Why a night cannot begin or go on. Each says what to do.
#[derive(Debug, thiserror::Error)]
pub enum NightError {
    /// A file cannot be written, read or understood.
    #[error("{}: {message}", file.display())]
    File {
        /// The file.
        file: PathBuf,
        /// What was tried, and why it failed.
        message: String,
    },
    /// The address cannot be listened on.
    #[error(
        "{address} cannot be listened on: {reason}. Give an address of this machine and a free port, such as \
         --listen 192.168.1.20:8410; without --listen only this machine can take part"
    )]
    Address {
        /// The address.
        address: String,
        /// Why.
        reason: String,
    },
    /// The stimuli cannot be made.
    #[error(transparent)]
    Stimuli(#[from] crate::stimulus::StimulusError),
    /// The output cannot be opened.
    #[error(transparent)]
    Output(#[from] crate::player::PlayerError),
    /// The session, the folder or the journal stands in the way, in words.
    #[error("{0}")]
    Refused(String),
}

impl NightError {
    pub(crate) fn file(file: &Path, tried: &str, error: &std::io::Error) -> Self {
        Self::File {
            file: file.to_path_buf(),
            message: format!("it cannot be {tried}: {error}", error = crate::files::reason(error)),
        }
    }
}

/// Why something that was asked for was not done. What people read of it is [`Refusal::message`].
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Refusal {
    /// The room's code is wrong.
    Code,
    /// The name is empty or cannot be shown.
    Alias,
    /// The seat's number is out of range.
    SeatNumber,
    /// The seat is kept for somebody who answers on paper.
    PaperSeat,
    /// There are so many tables, and one must be chosen.
    Table(u32),
    /// Somebody else sits there.
    SeatTaken(u32),
    /// All seats are taken.
    Full,
    /// The host has closed the door.
    DoorShut,
    /// The name is the host's.
    HostName,
    /// This address has as many seats as one may have.
    ManySeats,
    /// The host gave the seat to another phone.
    Released(u32),
    /// No seat goes with this token, or another phone has it now.
    NotSeated,
    /// The listener has left.
    Left,
    /// The vote is for a trial that is not on.
    OtherTrial,
    /// Votes are not open yet, or closed.
    NotOpen,
    /// There is no such alternative.
    Alternative,
    /// The vote's number is not the next one of this seat: it was sent before, or out of order.
    Replayed,
    /// The night is over.
    Over,
    /// Hands are not taken now.
    HandsOver,
    /// No link is asked for, or it is not this one.
    Link,
    /// The typed hand is empty or too long.
    Hand,
    /// The seat has voted from a phone in this trial, and paper does not replace that.
    PhoneVoted(u32),
    /// The request makes no sense.
    Malformed,
    /// Too many requests.
    Pace,
    /// The host's machine is busy; ask again.
    Busy,
    /// What the host asked for does nothing here.
    NothingHere(String),
}

impl Refusal {
    /// A short name for the log and for scripts.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Code => "wrong-code",
            Self::Alias => "bad-name",
            Self::SeatNumber => "bad-seat",
            Self::PaperSeat => "paper-seat",
            Self::Table(_) => "bad-table",
            Self::SeatTaken(_) => "seat-taken",
            Self::Full => "full",
            Self::DoorShut => "door-shut",
            Self::HostName => "host-name",
            Self::ManySeats => "many-seats",
            Self::Released(_) => "released",
            Self::NotSeated => "not-seated",
            Self::Left => "left",
            Self::OtherTrial => "other-trial",
            Self::NotOpen => "not-open",
            Self::Alternative => "no-such-alternative",
            Self::Replayed => "replayed",
            Self::Over => "over",
            Self::HandsOver => "no-hands",
            Self::Link => "no-link",
            Self::Hand => "bad-hand",
            Self::PhoneVoted(_) => "phone-voted",
            Self::Malformed => "malformed",
            Self::Pace => "too-many",
            Self::Busy => "busy",
            Self::NothingHere(_) => "nothing-here",
        }
    }

    /// What people read.
    pub fn message(&self) -> String {
        match self {
            Self::Code => "This is not the room's code. It stands on the room's display.".to_owned(),
            Self::Alias => "Choose a name of 1 to 40 characters.".to_owned(),
            Self::SeatNumber => format!("A seat's number is between 1 and {}.", seats::MOST_SEATS),
            Self::PaperSeat => "This seat is kept for paper. Leave the number empty.".to_owned(),
            Self::Table(most) => format!("Say which table you sit at: 1 to {most}."),
            Self::SeatTaken(seat) => {
                format!(
                    "Seat {seat} is taken. Choose another, or ask the host to release it if it was yours."
                )
            }
            Self::Full => "All seats are taken. Ask the host for a paper ballot.".to_owned(),
            Self::DoorShut => "The door is closed. Ask the host to open it.".to_owned(),
            Self::HostName => "This name belongs to the host. Choose another.".to_owned(),
            Self::ManySeats => {
                "This address has as many seats as one may have. Tell the host if guests share it.".to_owned()
            }
            Self::Released(seat) => format!("The host gave seat {seat} to another phone."),
            Self::NotSeated => {
                "This phone has no seat. Join again, or ask the host to release your seat.".to_owned()
            }
            Self::Left => "You have left. Come back first.".to_owned(),
            Self::OtherTrial => "This vote was for a trial that is over; it was not counted.".to_owned(),
            Self::NotOpen => "Votes are not open now; this one was not counted.".to_owned(),
            Self::Alternative => "There is no such answer.".to_owned(),
            Self::Replayed => "This vote was sent before; it was not counted again.".to_owned(),
            Self::Over => "The night is over.".to_owned(),
            Self::HandsOver => "The draws are sealed; hands are not taken any more.".to_owned(),
            Self::Link => "This link is not asked for now.".to_owned(),
            Self::Hand => "A typed hand has 1 to 200 characters.".to_owned(),
            Self::PhoneVoted(seat) => {
                format!("seat {seat} has voted from a phone in this trial, and paper does not replace that")
            }
            Self::Malformed => "This could not be understood.".to_owned(),
            Self::Pace => "Too many requests. Please wait a moment.".to_owned(),
            Self::Busy => "The host's machine is busy. Please try again.".to_owned(),
            Self::NothingHere(what) => what.clone(),
        }
    }
}
