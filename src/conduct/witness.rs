//! Between a sitting and the phones of its witnesses: what they are shown, and what they ask.
//!
//! Nothing in [`Shown`] depends on what was drawn: it is made from the conductor's view, and from the digests of records.

use std::path::Path;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::trial::conductor::Conductor;
use crate::trial::hands::Progress;
use crate::trial::{Digest, Part, Record, Stage, TrialId};

/// What a phone asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ask {
    /// To be a witness of the sealing that is on.
    Join {
        /// Whose phone it is.
        name: String,
        /// The end of its chain of links.
        end: Digest,
    },
    /// To open its link.
    Open {
        /// The link given last, which says whose it is.
        last: Digest,
        /// The link.
        link: Digest,
    },
}

/// What a phone asks for, and where it waits: it is told when the record is on the disk, or why there is none.
pub struct Request {
    /// What.
    pub ask: Ask,
    /// Takes the answer.
    pub reply: Box<dyn FnOnce(Result<(), &'static str>) + Send>,
}

impl std::fmt::Debug for Request {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.ask.fmt(formatter)
    }
}

/// How people become witnesses.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Invitation {
    /// What is opened on a phone.
    pub address: String,
    /// The same as a code for a camera, as lines.
    pub code: Vec<String>,
}

/// What witnesses are served by.
pub trait WitnessService {
    /// The sitting with this journal is open: witnesses may come, and those of an interruption before come back.
    ///
    /// # Errors
    /// Why nobody can come.
    fn open(&mut self, journal: &Path) -> Result<Invitation, String>;
    /// What was asked for next; waits at most this long.
    fn next(&mut self, wait: Duration) -> Option<Request>;
    /// Shows this to every witness from now on.
    fn publish(&mut self, shown: Shown);
}

/// What the sitting is at, for a witness.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum At {
    /// The sitting is not open.
    #[default]
    Before,
    /// Witnesses may join.
    Joining,
    /// The draws are sealed, no trial is on.
    Sealed,
    /// A trial begins: links are asked for.
    Asking,
    /// A trial is on.
    Trial,
    /// A rest.
    Rest,
    /// The seal is open.
    Closed,
    /// Nothing goes on.
    Stopped,
}

/// A witness of the sealing that is on, as all may see it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Seen {
    /// Whose phone.
    pub name: String,
    /// The link given last.
    pub last: Digest,
    /// The link for this trial is open.
    pub opened: bool,
}

/// Everything that a witness is shown. The receipts are the journal's lines, digest by digest.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Shown {
    /// What the sitting is at.
    pub at: At,
    /// The session's title.
    pub title: String,
    /// Who listens.
    pub listener: String,
    /// The commitment of the sealing that is on: each has its own witnesses.
    pub commitment: String,
    /// Links that a chain needs.
    pub links: usize,
    /// The trial that is on or comes next.
    pub trial: Option<TrialId>,
    /// Trials in its part.
    pub of: u32,
    /// Milliseconds of the sitting.
    pub at_ms: u64,
    /// Void attempts, with what disturbed them.
    pub void: Vec<String>,
    /// Events of the sound that voided nothing.
    pub events: usize,
    /// Trials of the main part that were answered under links.
    pub witnessed: u32,
    /// Trials of the main part that were answered.
    pub answered: u32,
    /// Fresh seals and interruptions.
    pub sealings: u32,
    /// Witnesses, in the order in which they joined.
    pub witnesses: Vec<Seen>,
    /// Digest of each record, the first of the opening.
    #[serde(skip)]
    pub receipts: Vec<Digest>,
}

/// Most links of a chain: a phone makes so many in a second or two.
const MOST_LINKS: usize = 2000;

/// Counts what records say to witnesses.
#[derive(Debug, Clone, Default)]
pub struct Watched {
    receipts: Vec<Digest>,
    void: Vec<String>,
    events: usize,
    answered: u32,
    witnessed: u32,
    sealings: u32,
    links: u32,
}

impl Watched {
    /// A record is on the disk.
    pub fn written(&mut self, record: &Record, digest: Digest) {
        self.receipts.push(digest);
        match record {
            Record::LinkOpened { .. } => self.links += 1,
            Record::Answer { id, listening, .. } => {
                let main = u32::from(id.part == Part::Main);
                self.answered += main;
                self.witnessed += main * self.links.min(1);
                self.events += listening.events.len();
                self.links = 0;
            }
            Record::Void { cause, listening, .. } => {
                self.void.push(cause.clone());
                self.events += listening.events.len();
                self.links = 0;
            }
            Record::Resealed { .. } | Record::Resumed { .. } => {
                self.sealings += 1;
                self.links = 0;
            }
            _ => {}
        }
    }

    /// Fresh seals and interruptions so far.
    pub fn sealings(&self) -> u32 {
        self.sealings
    }

    /// Answers in the main part under links, and all of them.
    pub fn witnessed(&self) -> (u32, u32) {
        (self.witnessed, self.answered)
    }

    /// What witnesses may see now.
    pub fn shown(&self, conductor: &Conductor, at_ms: u64) -> Shown {
        let view = conductor.view();
        let sealing = conductor.sealing();
        let (at, trial, of) = match &view.stage {
            Stage::Terms { .. } => (At::Joining, None, 0),
            Stage::Sealing { .. } if sealing.progress == Progress::Taking => (At::Joining, None, 0),
            Stage::Sealing { .. } => (At::Sealed, None, 0),
            Stage::Announce { next, of } => (At::Sealed, Some(*next), *of),
            Stage::Waiting { next, of, .. } => (At::Asking, Some(*next), *of),
            Stage::Trial(trial) => (At::Trial, Some(trial.id), trial.of),
            Stage::Rest { next, of, .. } => (At::Rest, Some(*next), *of),
            Stage::ConfirmStop { .. } | Stage::Counting | Stage::Closing => (At::Rest, None, 0),
            Stage::Result(_) => (At::Closed, None, 0),
            Stage::Stopped { .. } => (At::Stopped, None, 0),
        };
        let witness = |witness: &crate::trial::witness::Witness| Seen {
            name: witness.name.clone(),
            last: witness.last,
            opened: witness.opened,
        };
        let trials: u32 = [Part::Qualification, Part::WarmUp, Part::Main]
            .into_iter()
            .map(|part| crate::trial::schedule::trials_of(conductor.opening(), part))
            .sum();
        Shown {
            at,
            title: view.terms.title.clone(),
            listener: view.listener.clone(),
            commitment: view.commitment.hex(),
            links: (2 * trials as usize + 50).min(MOST_LINKS),
            trial,
            of,
            at_ms,
            void: self.void.clone(),
            events: self.events,
            witnessed: self.witnessed,
            answered: self.answered,
            sealings: self.sealings,
            witnesses: sealing.witnesses.iter().map(witness).collect(),
            receipts: self.receipts.clone(),
        }
    }
}
