//! What pages send: the bodies of all requests that change something, and what each asks for.
//!
//! Comes in: the bytes of a body, of anybody on the network. Goes out: what is asked for, or a refusal. Every body is read here
//! and nowhere else, so that what is attacked in tests is what the servers read.

use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::pass::Holder;
use super::{Night, Refusal};
use crate::trial::{Ballot, Digest, Effect, TrialId};

/// What a phone wants done.
#[derive(Debug)]
pub enum Ask {
    /// A seat: this one or the next free one, at this table.
    Join {
        /// The name that others see.
        alias: String,
        /// Its number.
        seat: Option<u32>,
        /// The table's number.
        table: Option<u32>,
    },
    /// Its seat again, after leaving.
    Return {
        /// Who asks.
        holder: Holder,
    },
    /// To leave.
    Leave {
        /// Who asks.
        holder: Holder,
    },
    /// To vote.
    Vote {
        /// Who asks.
        holder: Holder,
        /// The trial's name, such as `main-1-1`.
        trial: String,
        /// The alternative's name.
        answer: String,
        /// Number of this seat's votes, this one included.
        sequence: u64,
    },
    /// A typed hand.
    TypeHand {
        /// Who asks.
        holder: Holder,
        /// What was typed.
        text: String,
    },
    /// The phone's own hand, closed.
    CloseHand {
        /// Who asks.
        holder: Holder,
        /// Its hash.
        hash: Digest,
    },
    /// The phone's own hand, opened.
    OpenHand {
        /// Who asks.
        holder: Holder,
        /// Its bytes.
        hand: Digest,
    },
    /// A place among the witnesses.
    JoinWitness {
        /// Who asks.
        holder: Holder,
        /// The end of the phone's chain of links.
        end: Digest,
    },
    /// The trial's link.
    OpenLink {
        /// Who asks.
        holder: Holder,
        /// The link.
        link: Digest,
    },
}

/// What is due to a phone, once everything is on the disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Due {
    /// A seat.
    Seated(Holder),
    /// The receipt of a vote.
    Voted {
        /// Whose.
        seat: u32,
        /// In which attempt.
        id: TrialId,
    },
    /// Nothing more.
    Done,
}

/// A request of a phone that has a seat, with a body.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Request {
    /// `/vote`
    Vote,
    /// `/typed-hand`
    TypedHand,
    /// `/hand`
    Hand,
    /// `/link`
    Link,
}

impl Request {
    /// Its path without the slash, which is its name in the log of refused requests.
    pub fn name(self) -> &'static str {
        match self {
            Self::Vote => "vote",
            Self::TypedHand => "typed-hand",
            Self::Hand => "hand",
            Self::Link => "link",
        }
    }

    /// What its body asks for.
    ///
    /// # Errors
    /// It makes no sense.
    pub fn read(self, holder: Holder, body: &[u8]) -> Result<Ask, Refusal> {
        Ok(match self {
            Self::Vote => {
                let VoteBody { trial, answer, sequence } = understood(body)?;
                Ask::Vote { holder, trial, answer, sequence }
            }
            Self::TypedHand => {
                let TypedBody { text } = understood(body)?;
                Ask::TypeHand { holder, text }
            }
            Self::Hand => match understood(body)? {
                HandBody { hash: Some(hash), hand: None } => Ask::CloseHand { holder, hash },
                HandBody { hash: None, hand: Some(hand) } => Ask::OpenHand { holder, hand },
                HandBody { .. } => return Err(Refusal::Malformed),
            },
            Self::Link => match understood(body)? {
                LinkBody { end: Some(end), link: None } => Ask::JoinWitness { holder, end },
                LinkBody { end: None, link: Some(link) } => Ask::OpenLink { holder, link },
                LinkBody { .. } => return Err(Refusal::Malformed),
            },
        })
    }
}

/// Reads a body.
///
/// # Errors
/// It makes no sense.
pub fn understood<T: DeserializeOwned>(body: &[u8]) -> Result<T, Refusal> {
    serde_json::from_slice(body).map_err(|_| Refusal::Malformed)
}

/// A phone joins.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JoinBody {
    /// The room's code.
    pub code: String,
    alias: String,
    seat: Option<u32>,
    table: Option<u32>,
}

impl JoinBody {
    /// What is asked for, once the code was found to be right.
    pub fn ask(self) -> Ask {
        Ask::Join { alias: self.alias, seat: self.seat, table: self.table }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct VoteBody {
    trial: String,
    answer: String,
    sequence: u64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TypedBody {
    text: String,
}

/// A phone's hand: closed, its hash; opened, its bytes.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HandBody {
    hash: Option<Digest>,
    hand: Option<Digest>,
}

/// A phone's chain: before the sealing its end, when a trial begins the trial's link.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LinkBody {
    end: Option<Digest>,
    link: Option<Digest>,
}

/// A witness of a sitting joins.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WitnessBody {
    /// The name that others see.
    pub name: String,
    /// The end of the chain of links.
    pub end: Digest,
    /// That the witness was invited.
    pub proof: String,
}

impl WitnessBody {
    /// The name is one that can be shown: 1 to 40 characters.
    pub fn is_named(&self) -> bool {
        let (name, shown) = (&self.name, self.name.trim());
        !shown.is_empty()
            && shown == name
            && name.chars().count() <= 40
            && !name.chars().any(char::is_control)
    }
}

/// A witness of a sitting opens a link.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OpenedBody {
    /// The link before it, or the chain's end.
    pub last: Digest,
    /// The link.
    pub link: Digest,
}

/// A page wants to be the operator's.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OperatorBody {
    /// What the page drew for itself.
    pub holder: Digest,
    /// That it knows the code.
    pub proof: String,
}

/// The operator has done a task.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DoneBody {
    /// The task's number.
    pub number: u64,
    /// That it is the operator who says so.
    pub proof: String,
}

impl Night {
    /// Does what a phone asks for.
    ///
    /// # Errors
    /// Why it is refused.
    pub fn asked(&mut self, at_ms: u64, ask: Ask) -> Result<(Due, Vec<Effect>), Refusal> {
        let done = |effects| (Due::Done, effects);
        Ok(match ask {
            Ask::Join { alias, seat, table } => {
                let (holder, effects) = self.join(at_ms, &alias, seat, table, Ballot::Phone)?;
                (Due::Seated(holder), effects)
            }
            Ask::Return { holder } => {
                let (holder, effects) = self.come_back(at_ms, holder)?;
                (Due::Seated(holder), effects)
            }
            Ask::Leave { holder } => done(self.leave(at_ms, holder)?),
            Ask::Vote { holder, trial, answer, sequence } => {
                let (id, effects) = self.vote(at_ms, holder, &trial, &answer, sequence)?;
                (Due::Voted { seat: holder.seat, id }, effects)
            }
            Ask::TypeHand { holder, text } => done(self.type_hand(at_ms, holder, &text)?),
            Ask::CloseHand { holder, hash } => done(self.close_hand(at_ms, holder, hash)?),
            Ask::OpenHand { holder, hand } => done(self.open_hand(at_ms, holder, hand)?),
            Ask::JoinWitness { holder, end } => done(self.join_witness(at_ms, holder, end)?),
            Ask::OpenLink { holder, link } => done(self.open_link(at_ms, holder, link)?),
        })
    }
}
