//! Witnesses: people whose phones hold the other half of every draw.
//!
//! # The written format, for strangers
//!
//! - A link is 32 bytes; the link before it is `SHA-256("earwitness link v2" || link)`. A phone draws the last link of a
//!   long chain and gives the first one, the chain's end, before the sealing.
//! - When an attempt at a trial begins, each witness of the sealing opens the link that leads to the one it gave last.
//! - A night does not wait for ever: a link that is not there after [`LINKS_WAIT_MS`] is named and passed over, and so is at once
//!   that of a phone which was passed over at the attempt before, or whose seat has left. It may open the next one again, and
//!   skips those that came too late.
//! - The attempt is drawn under `SHA-256("earwitness trial v2" || key || link of each witness that opened it, in the order in
//!   which they joined)`: first which of the part's unfinished trials it is, then its order.
//!
//! Nobody who lacks one of the links can know an attempt before it begins, with the secret, the key and every file of the
//! folder in hand; and a phone's holder, who has the links, lacks the secret.

use rand::TryRng as _;

use super::digest::Digest;

/// Most witnesses of one sealing.
pub const MAX_WITNESSES: usize = 100;

/// So long a night waits for the links of phones before an attempt begins without them.
pub const LINKS_WAIT_MS: u64 = 5000;

/// Longest name of a witness in bytes.
pub const MAX_NAME: usize = 160;

/// The link that stands before this one in its chain: whoever knows a link knows all before it, and none after it.
pub fn before(link: &Digest) -> Digest {
    Digest::of_parts(&[b"earwitness link v2", &link.0])
}

/// The key under which an attempt is drawn.
pub fn trial_key(key: &Digest, links: &[Digest]) -> Digest {
    let mut parts: Vec<&[u8]> = vec![b"earwitness trial v2", &key.0];
    parts.extend(links.iter().map(|link| link.0.as_slice()));
    Digest::of_parts(&parts)
}

/// One witness of a sealing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Witness {
    /// Whose phone it is.
    pub name: String,
    /// The link that was given last: the chain's end, then each link that was opened.
    pub last: Digest,
    /// The link for the attempt that is on or comes next is open.
    pub opened: bool,
    /// A night's: the seat.
    pub seat: Option<u32>,
    /// That attempt began without it.
    pub passed: bool,
    /// So many attempts began without it since its last link.
    pub missed: u32,
}

impl Witness {
    /// Somebody who joins.
    pub fn new(name: &str, end: Digest, seat: Option<u32>) -> Self {
        Self { name: name.to_owned(), last: end, opened: false, seat, passed: false, missed: 0 }
    }

    /// The attempt is over: the next link is asked for when the next one begins.
    pub(super) fn rest(&mut self) {
        self.missed = if self.passed { self.missed.saturating_add(1) } else { 0 };
        (self.opened, self.passed) = (false, false);
    }

    /// Whether this link leads to the one that was given last: directly, or over one for each attempt that began without it,
    /// for a phone never gives a link twice that came too late.
    pub fn leads_on(&self, link: &Digest) -> bool {
        let earlier = std::iter::successors(Some(before(link)), |link| Some(before(link)));
        earlier.take(self.missed as usize + 1).any(|link| link == self.last)
    }
}

/// A chain of links, for whoever is a witness: kept whole, given link by link.
#[derive(Clone, PartialEq, Eq)]
pub struct Links {
    /// The end first.
    links: Vec<Digest>,
}

impl std::fmt::Debug for Links {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "Links({} sealed)", self.links.len())
    }
}

impl Links {
    /// A chain whose last link comes from the operating system, long enough for so many attempts.
    ///
    /// # Errors
    /// The operating system gives no randomness.
    pub fn draw(attempts: usize) -> std::io::Result<Self> {
        let mut last = [0; 32];
        rand::rngs::SysRng.try_fill_bytes(&mut last).map_err(std::io::Error::other)?;
        Ok(Self::from_last(Digest(last), attempts))
    }

    /// The chain that this last link gives.
    pub fn from_last(last: Digest, attempts: usize) -> Self {
        let mut links = vec![last];
        for _ in 0..attempts {
            links.push(before(&links[links.len() - 1]));
        }
        links.reverse();
        Self { links }
    }

    /// The last link, from which all others follow, and for how many attempts they are.
    pub fn last(&self) -> (Digest, usize) {
        (self.links[self.links.len() - 1], self.links.len() - 1)
    }

    /// The chain's end, given before the sealing.
    pub fn end(&self) -> Digest {
        self.links[0]
    }

    /// The link of an attempt, from 1; `None` beyond the chain.
    pub fn link(&self, attempt: usize) -> Option<Digest> {
        self.links.get(attempt).copied().filter(|_| attempt > 0)
    }
}
