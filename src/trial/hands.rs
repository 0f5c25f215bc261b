//! Hands: what people put into the draws after the commitment was shown, and a sealing, which they all go into.
//!
//! A typed hand is open from the start, so whoever knows the secret and types last could choose it. A phone's hand is
//! given as a hash first and opened when nothing can be added any more, so nobody can choose a hand that suits the others.

use super::digest::Digest;
use super::witness::Witness;

/// Where a hand comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Typed on the machine that conducts.
    Typed,
    /// From the phone of a seat.
    Phone {
        /// The seat.
        seat: u32,
        /// Its hash, given before the sealing.
        hash: Digest,
    },
}

/// What one person puts into the draws.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hand {
    /// Who; may be empty.
    pub by: String,
    /// From where.
    pub source: Source,
    /// Its bytes; `None` while it is closed.
    pub bytes: Option<Vec<u8>>,
}

impl Hand {
    /// The hand as people read it: the typed text, or hex digits; empty while it is closed.
    pub fn text(&self) -> String {
        let bytes = self.bytes.as_deref().unwrap_or_default();
        match self.source {
            Source::Typed => String::from_utf8_lossy(bytes).into_owned(),
            Source::Phone { .. } => super::digest::hex(bytes),
        }
    }
}

/// How far a sealing is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Progress {
    /// Hands are taken.
    Taking,
    /// No hand is taken any more; the phones open theirs.
    Opening,
    /// The key is made.
    Sealed,
}

/// One commitment with the hands that were added to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sealing {
    /// The commitment to the secret.
    pub commitment: Digest,
    /// Hands in the order of their commitment.
    pub hands: Vec<Hand>,
    /// How far it is.
    pub progress: Progress,
    /// How often it had to start over because a hand stayed closed.
    pub started_over: u32,
    /// Whose phones hold the other half of its draws, in the order in which they joined.
    pub witnesses: Vec<Witness>,
}

impl Sealing {
    /// Nothing but a commitment.
    pub fn new(commitment: Digest) -> Self {
        Self {
            commitment,
            hands: Vec::new(),
            progress: Progress::Taking,
            started_over: 0,
            witnesses: Vec::new(),
        }
    }

    /// The key is made.
    pub fn is_sealed(&self) -> bool {
        self.progress == Progress::Sealed
    }

    /// Witnesses, from 1, whose links for the attempt that begins are still closed.
    pub fn awaited(&self) -> Vec<u32> {
        let closed = |(index, witness): (usize, &Witness)| {
            (!witness.opened && !witness.passed).then_some(index as u32 + 1)
        };
        self.witnesses.iter().enumerate().filter_map(closed).collect()
    }

    /// The links that were opened for the attempt that is on, in the order of their witnesses.
    pub fn links(&self) -> Vec<Digest> {
        self.witnesses.iter().filter(|witness| witness.opened).map(|witness| witness.last).collect()
    }

    /// The bytes that go into the key, hand by hand.
    pub fn bytes(&self) -> impl Iterator<Item = &[u8]> {
        self.hands.iter().filter_map(|hand| hand.bytes.as_deref())
    }

    /// Seats whose hands are closed, in order of their numbers.
    pub fn closed(&self) -> Vec<u32> {
        let mut seats: Vec<u32> = self
            .hands
            .iter()
            .filter(|hand| hand.bytes.is_none())
            .filter_map(|hand| match hand.source {
                Source::Phone { seat, .. } => Some(seat),
                Source::Typed => None,
            })
            .collect();
        seats.sort_unstable();
        seats
    }

    /// What this seat's phone has to do with its hand.
    pub fn asked_of(&self, wanted: u32) -> Asked {
        let ours = self
            .hands
            .iter()
            .find(|hand| matches!(hand.source, Source::Phone { seat, .. } if seat == wanted));
        match (self.progress, ours.map(|hand| hand.bytes.is_some())) {
            (Progress::Taking, None) => Asked::Wanted,
            (Progress::Taking, Some(_)) => Asked::Closed,
            (Progress::Opening, Some(false)) => Asked::Asked,
            (_, Some(true)) => Asked::Opened,
            _ => Asked::Nothing,
        }
    }

    /// A hand that was typed.
    pub(super) fn typed(&mut self, by: &str, text: &str) {
        self.hands.push(Hand {
            by: by.to_owned(),
            source: Source::Typed,
            bytes: Some(text.as_bytes().to_vec()),
        });
    }

    /// The closed hand of a seat's phone, in place of an earlier one.
    pub(super) fn close(&mut self, by: &str, seat: u32, hash: Digest) {
        self.forget(seat);
        self.hands.push(Hand { by: by.to_owned(), source: Source::Phone { seat, hash }, bytes: None });
    }

    /// The closed hand of this seat is not asked for any more.
    pub(super) fn forget(&mut self, gone: u32) {
        self.hands.retain(|hand| !matches!(hand.source, Source::Phone { seat, .. } if seat == gone));
    }

    /// The phone of a seat opens its hand.
    pub(super) fn open(&mut self, opened: u32, hand: &Digest) -> Result<(), &'static str> {
        for known in &mut self.hands {
            if let Source::Phone { seat, hash } = known.source
                && seat == opened
                && known.bytes.is_none()
            {
                if super::seal::hand_hash(hand) != hash {
                    return Err("the hand that was opened is not the one that was closed");
                }
                known.bytes = Some(hand.0.to_vec());
                return Ok(());
            }
        }
        Err("a hand was opened that was not closed")
    }

    /// The phones' hands are void, and hands are taken again.
    pub(super) fn start_over(&mut self) {
        self.hands.retain(|hand| hand.source == Source::Typed);
        self.progress = Progress::Taking;
        self.started_over += 1;
    }

    /// Who could have known everything else when the last hand was chosen.
    pub fn last_word(&self) -> LastWord {
        if !self.witnesses.is_empty() {
            return LastWord::Witnesses;
        }
        let phones = self.hands.iter().filter(|hand| hand.source != Source::Typed).count();
        match (phones, self.hands.last()) {
            (0, None) => LastWord::NoHand,
            (0, Some(last)) => LastWord::Typed(last.by.clone()),
            (1, _) => LastWord::OnePhone,
            _ => LastWord::Nobody,
        }
    }
}

/// What a phone has to do with its hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Asked {
    /// It has none in this sealing.
    Nothing,
    /// Give the hash of a fresh one.
    Wanted,
    /// Nothing: it is given, and closed.
    Closed,
    /// Open it.
    Asked,
    /// Nothing: it is in.
    Opened,
}

/// Whose hand could have been chosen to suit the others, by somebody who had read the secret on the machine.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LastWord {
    /// Only the machine drew: its owner need only have read the secret's file.
    NoHand,
    /// The last typed one, of this person.
    #[serde(rename = "typed_by")]
    Typed(String),
    /// One phone gave its hand closed: nobody but its holder, together with the machine's owner.
    OnePhone,
    /// Witnesses' phones held the other half of every draw: no hand could be chosen to suit it.
    Witnesses,
    /// Phones gave their hands closed: nobody, unless all their holders worked together with the machine's owner.
    Nobody,
}

impl LastWord {
    /// Who could have chosen the last hand, in a sentence without its full stop; of a sitting that was resumed so often, whose
    /// last seal alone it is about.
    pub fn sentence(&self, resumed: u32) -> String {
        let since = if resumed > 0 { "since the last interruption, " } else { "" };
        format!("{since}{}", self.words())
    }

    fn words(&self) -> String {
        match self {
            Self::NoHand => {
                "no hand went in: anybody who read the secret on this computer knew every draw".to_owned()
            }
            Self::Typed(by) => format!(
                "the last hand was typed by {}, who could have chosen it to suit the others after reading the secret",
                if by.is_empty() { "somebody unnamed" } else { by }
            ),
            Self::OnePhone => {
                "one phone gave its hand closed: nobody could choose the last one, unless its holder and the \
                               owner of this computer worked together"
                    .to_owned()
            }
            Self::Witnesses => {
                "witnesses' phones held the other half of every draw: no hand could be chosen to suit it, unless all of them and \
                 the owner of this computer worked together"
                    .to_owned()
            }
            Self::Nobody => {
                "several phones gave their hands closed: nobody could choose the last one, unless all their \
                             holders and the owner of this computer worked together"
                    .to_owned()
            }
        }
    }
}
