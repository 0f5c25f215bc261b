//! A witness without a phone: a second computer's terminal does what the page does.

use std::collections::{BTreeMap, HashMap};
use std::net::SocketAddr;
use std::time::Duration;

use serde::Deserialize;

use super::{Asked, Code};
use crate::ballot::display::exchange;
use crate::conduct::witness::At;
use crate::trial::copy::{SCHEMA, WitnessCopy};
use crate::trial::witness::Links;
use crate::trial::{Digest, TrialId};

/// How long the sitting is waited for: longer than it holds an answer back for news.
const PATIENCE: Duration = Duration::from_secs(9);

/// What the sitting tells a witness.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct Told {
    version: u64,
    /// What the sitting is at.
    pub at: At,
    /// The session's title.
    pub title: String,
    /// Who listens.
    pub listener: String,
    /// The trial that is on or comes next.
    pub trial: Option<TrialId>,
    /// Trials in its part.
    pub of: u32,
    /// Void attempts, with what disturbed them.
    pub void: Vec<String>,
    /// Answers in the main part under links.
    pub witnessed: u32,
    /// Answers in the main part.
    pub answered: u32,
    commitment: String,
    links: usize,
    first: usize,
    receipts: Vec<Digest>,
    records: usize,
    witnesses: Vec<Other>,
    asked: Option<Asked>,
}

#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
struct Other {
    last: Digest,
    opened: bool,
}

/// Takes what is to be kept.
pub type Keep<'k> = dyn FnMut(&WitnessCopy, &Chains) + 'k;

/// Why a witness cannot go on.
#[derive(Debug, thiserror::Error)]
pub enum WitnessError {
    /// The address is none of a sitting.
    #[error(
        "{0} is no address of a sitting: give address and code as it shows them, such as 192.168.1.20:8411 ACDEFHJKLMNPQRTU"
    )]
    Address(String),
    /// The sitting does not answer.
    #[error("the sitting does not answer: {}", crate::files::reason(.0))]
    Away(#[from] std::io::Error),
    /// The sitting refuses.
    #[error("the sitting refuses: {0}")]
    Refused(String),
    /// The copy is of another sitting.
    #[error(
        "this is another sitting than the one in your copy. If you have not watched this one yet, give --copy another file; \
         if you have, keep your copy: the journal was exchanged"
    )]
    Another,
    /// What it shows is not what it showed before.
    #[error("{0}: keep your copy, and do not believe this journal")]
    Changed(String),
}

/// What a witness needs to go on after its program ended in the middle, and nobody else is to read: the last link of each
/// chain with its length, by the commitment of its sealing, and the trials whose links were opened.
#[derive(Debug, Clone, PartialEq, Eq, Default, serde::Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chains {
    chains: BTreeMap<String, (Digest, usize)>,
    trials: Vec<String>,
}

impl Chains {
    /// Longest chain that is taken back: twice what a sitting asks for.
    const LONGEST: usize = 4000;
    /// Most chains: a sitting that was sealed more often is another one.
    const MOST: usize = 100;
}

/// A witness at a terminal.
#[derive(Debug)]
pub struct TerminalWitness {
    address: SocketAddr,
    code: Code,
    name: String,
    /// What is kept; the receipts begin with the sitting's.
    receipts: Vec<Digest>,
    opened: Vec<(Digest, Digest)>,
    trials: Vec<String>,
    chains: HashMap<String, Links>,
    version: u64,
}

impl TerminalWitness {
    /// Of the sitting with this address, under this name.
    ///
    /// # Errors
    /// The address is none.
    pub fn of(address: &str, name: &str) -> Result<Self, WitnessError> {
        let wrong = || WitnessError::Address(address.to_owned());
        let (host, code) = address.trim().split_once('#').ok_or_else(wrong)?;
        let host = host.trim_start_matches("http://").trim_end_matches('/');
        Ok(Self {
            address: host.parse().map_err(|_| wrong())?,
            code: Code::new(code),
            name: name.to_owned(),
            receipts: Vec::new(),
            opened: Vec::new(),
            trials: Vec::new(),
            chains: HashMap::new(),
            version: 0,
        })
    }

    /// Goes on with what was kept before.
    #[must_use]
    pub fn with(mut self, copy: WitnessCopy) -> Self {
        (self.receipts, self.opened) = (copy.receipts, copy.opened);
        self
    }

    /// Goes on with the chains of before, so that its links can still be opened.
    #[must_use]
    pub fn with_chains(mut self, kept: Chains) -> Self {
        let sound =
            kept.chains.into_iter().filter(|(_, (_, length))| *length <= Chains::LONGEST).take(Chains::MOST);
        self.chains = sound.map(|(of, (last, length))| (of, Links::from_last(last, length))).collect();
        self.trials = kept.trials;
        self
    }

    fn chains(&self) -> Chains {
        let chains = self.chains.iter().map(|(of, links)| (of.clone(), links.last())).collect();
        Chains { chains, trials: self.trials.clone() }
    }

    /// The sitting is on this computer, whose owner could read what is kept here.
    pub fn is_here(&self) -> bool {
        self.address.ip().to_canonical().is_loopback()
    }

    /// The copy as it is now; `None` before anything was seen.
    pub fn copy(&self) -> Option<WitnessCopy> {
        Some(WitnessCopy {
            schema: SCHEMA.to_owned(),
            name: self.name.clone(),
            sitting: *self.receipts.first()?,
            receipts: self.receipts.clone(),
            opened: self.opened.clone(),
        })
    }

    /// Waits for news, keeps them, and does what is asked of a witness. `keep` is given the copy, and what is needed to go
    /// on, before anything leaves.
    ///
    /// # Errors
    /// The sitting is away, refuses, or shows another past than before.
    pub fn step(&mut self, keep: &mut Keep<'_>) -> Result<Told, WitnessError> {
        // The first look begins with the first record: it says which sitting this is.
        let first_look = self.version == 0;
        let after = if first_look { 0 } else { self.receipts.len().saturating_sub(1) };
        let path = format!("/witness-state?seen={}&after={after}", self.version);
        let told: Told = serde_json::from_str(&self.send("GET", &path, None)?)
            .map_err(|error| WitnessError::Away(std::io::Error::other(error)))?;
        self.version = told.version;
        let another =
            |own: &Digest| told.first == 1 && told.receipts.first().is_some_and(|shown| shown != own);
        if first_look && self.receipts.first().is_some_and(another) {
            return Err(WitnessError::Another);
        }
        self.keep_receipts(&told)?;
        self.keep(keep);
        let own = self.chains.get(&told.commitment).and_then(|links| {
            let seen = |other: &&Other| (0..=told.links).any(|place| at(links, place) == Some(other.last));
            told.witnesses.iter().find(seen)
        });
        match (own, &told.asked) {
            (None, _) if told.at == At::Joining => self.join(&told, keep)?,
            (Some(own), Some(asked)) if !own.opened => self.open(&told, own.last, asked, keep)?,
            _ => {}
        }
        Ok(told)
    }

    fn keep_receipts(&mut self, told: &Told) -> Result<(), WitnessError> {
        if told.records < self.receipts.len() {
            let before = self.receipts.len();
            return Err(WitnessError::Changed(format!(
                "it shows {} records, and had shown {before}",
                told.records
            )));
        }
        for (place, receipt) in
            told.receipts.iter().enumerate().map(|(index, receipt)| (told.first - 1 + index, receipt))
        {
            match self.receipts.get(place) {
                Some(known) if known != receipt => {
                    return Err(WitnessError::Changed(format!(
                        "record {} is another one than before",
                        place + 1
                    )));
                }
                Some(_) => {}
                None => self.receipts.push(*receipt),
            }
        }
        Ok(())
    }

    fn keep(&self, keep: &mut Keep<'_>) {
        if let Some(copy) = self.copy() {
            keep(&copy, &self.chains());
        }
    }

    fn join(&mut self, told: &Told, keep: &mut Keep<'_>) -> Result<(), WitnessError> {
        let end = match self.chains.get(&told.commitment) {
            Some(links) => links.end(),
            None => {
                let links = Links::draw(told.links)?;
                let end = links.end();
                self.chains.insert(told.commitment.clone(), links);
                // A chain that is given and then lost would have to be waited for.
                self.keep(keep);
                end
            }
        };
        let proof = self.code.join(&self.name, end);
        let body = serde_json::json!({ "name": self.name, "end": end, "proof": proof }).to_string();
        match self.send("POST", "/witness-join", Some(&body)) {
            // Who was first may have closed the door: the next state says whether this one is in.
            Ok(_) | Err(WitnessError::Away(_)) => Ok(()),
            Err(error) => Err(error),
        }
    }

    fn open(
        &mut self,
        told: &Told,
        last: Digest,
        asked: &Asked,
        keep: &mut Keep<'_>,
    ) -> Result<(), WitnessError> {
        if self.code.ask(&asked.trial, asked.receipt) != asked.signature {
            return Err(WitnessError::Changed(
                "somebody asks for this witness's part of a draw without the sitting's signature".to_owned(),
            ));
        }
        let Some(links) = self.chains.get(&told.commitment) else { return Ok(()) };
        let place = (0..=told.links).find(|&place| at(links, place) == Some(last));
        let Some(link) = place.and_then(|place| links.link(place + 1)) else {
            return Err(WitnessError::Refused(
                "this witness has given out its part of every draw".to_owned(),
            ));
        };
        if self.trials.contains(&asked.trial) {
            if self.opened.last().is_none_or(|(own, _)| *own != link) {
                return Err(WitnessError::Changed("it asks twice for the part of one draw".to_owned()));
            }
        } else {
            self.trials.push(asked.trial.clone());
            self.opened.push((link, asked.receipt));
        }
        // Kept before it leaves: a link that was given and not kept could be denied.
        self.keep(keep);
        let body = serde_json::json!({ "last": last, "link": link }).to_string();
        match self.send("POST", "/witness-link", Some(&body)) {
            Ok(_) | Err(WitnessError::Away(_) | WitnessError::Refused(_)) => Ok(()),
            Err(error) => Err(error),
        }
    }

    fn send(&self, method: &str, path: &str, body: Option<&str>) -> Result<String, WitnessError> {
        let (address, look) = (self.address, self.code.look());
        let body = body.unwrap_or_default();
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: {address}\r\nOrigin: http://{address}\r\nX-Witness: {look}\r\nContent-Type: \
             application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
            body.len()
        );
        let (head, body) = exchange(address, PATIENCE, &request)?;
        if head.starts_with("HTTP/1.1 200") {
            return Ok(body);
        }
        let why = serde_json::from_str::<serde_json::Value>(&body).ok();
        let why = why.and_then(|value| value["refused"].as_str().map(str::to_owned));
        Err(match why {
            Some(why) if !head.starts_with("HTTP/1.1 5") => WitnessError::Refused(why),
            why => WitnessError::Away(std::io::Error::other(why.unwrap_or(head))),
        })
    }
}

/// The link at a place of a chain, its end at 0.
fn at(links: &Links, place: usize) -> Option<Digest> {
    if place == 0 { Some(links.end()) } else { links.link(place) }
}
