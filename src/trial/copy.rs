//! A witness's copy: what the phone kept, held against a journal.
//!
//! A chain proves order, not honesty: whoever holds the file could write all of it anew. The phone cannot be written anew:
//! it has the receipt of every record as it came, and the receipt at which it opened each link.

use std::io::Read as _;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::digest::Digest;
use super::journal::Journal;
use super::record::{Part, Record, TrialId};
use super::verify::Problem;
use crate::files;
use crate::units::foreign;

/// Longest copy that is read, in bytes: that of some ten thousand records.
const LONGEST: u64 = 4 << 20;

/// The first words of a copy.
pub const SCHEMA: &str = "earwitness.witness/1";

/// What a witness kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WitnessCopy {
    /// [`SCHEMA`].
    pub schema: String,
    /// Whose it is.
    pub name: String,
    /// Digest of the sitting's first record.
    pub sitting: Digest,
    /// Digest of each record from the first, as far as the witness saw them.
    pub receipts: Vec<Digest>,
    /// Each link that was opened, with the receipt at which it was asked for.
    pub opened: Vec<(Digest, Digest)>,
}

/// What a copy says of a journal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Vouched {
    /// Whose copy it is.
    pub name: String,
    /// Answered trials of the main part that this witness opened a link for.
    pub trials: u32,
    /// Answered trials of the main part.
    pub of: u32,
    /// Records whose receipts it has.
    pub records: u64,
    /// Records of the journal after those.
    pub records_after: u64,
    /// Links that were opened for an attempt that never began: the sitting was interrupted, or another witness was lost.
    pub wasted: u32,
    /// Links of a night that are not in the draws: they came too late, and the attempt began without them.
    pub late: u32,
    /// The copy holds a link at all.
    pub has_links: bool,
    /// What does not fit.
    pub problems: Vec<Problem>,
}

impl WitnessCopy {
    /// Reads a copy.
    ///
    /// # Errors
    /// It cannot be read, or is none.
    pub fn read(path: &Path) -> Result<Self, String> {
        let said = |error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
        let mut text = String::new();
        let file = files::open(path).map_err(|error| said(&files::reason(&error)))?;
        file.take(LONGEST).read_to_string(&mut text).map_err(|error| said(&files::reason(&error)))?;
        let copy: Self = serde_json::from_str(&text)
            .map_err(|error| said(&format!("this is not a witness's copy: {}", foreign::message(&error))))?;
        if copy.schema != SCHEMA || copy.receipts.first() != Some(&copy.sitting) {
            return Err(said(&format!(
                "this is not a witness's copy: it begins with \"schema\": \"{SCHEMA}\", and its first receipt is the sitting's"
            )));
        }
        Ok(copy)
    }

    /// Holds the copy against a journal; `None` if it is another sitting's.
    pub fn against(&self, journal: &Journal) -> Option<Vouched> {
        if journal.digests.first() != Some(&self.sitting) {
            return None;
        }
        let mut vouched = Vouched {
            name: self.name.clone(),
            trials: 0,
            of: 0,
            records: self.receipts.len() as u64,
            records_after: journal.digests.len().saturating_sub(self.receipts.len()) as u64,
            wasted: 0,
            late: 0,
            has_links: !self.opened.is_empty(),
            problems: Vec::new(),
        };
        let there = journal.digests.len();
        let changed = self.receipts.iter().zip(&journal.digests).position(|(kept, found)| kept != found);
        if let Some(index) = changed {
            vouched.problem(index, "it is not the record that the witness saw: the journal was written anew");
        } else if self.receipts.len() > there {
            let message = format!("the witness saw {} records: those after it are gone", self.receipts.len());
            vouched.problem(there - 1, &message);
        }
        let mut opened: Vec<TrialId> = Vec::new();
        for (link, receipt) in &self.opened {
            if let Some(id) = Self::opened_there(journal, *link, *receipt, &mut vouched) {
                opened.push(id);
            }
        }
        self.others_links(journal, &mut vouched);
        for record in &journal.records {
            match record {
                Record::Answer { id, .. } | Record::VotesClosed { id, .. } if id.part == Part::Main => {
                    vouched.of += 1;
                    vouched.trials += u32::from(opened.contains(id));
                }
                Record::VotesVoid { id, .. } if id.part == Part::Main => {
                    vouched.of -= 1;
                    vouched.trials -= u32::from(opened.contains(id));
                }
                _ => {}
            }
        }
        Some(vouched)
    }

    /// The attempt that a link was opened for, if it stands in the journal right after the receipt at which it was asked for.
    fn opened_there(
        journal: &Journal,
        link: Digest,
        receipt: Digest,
        vouched: &mut Vouched,
    ) -> Option<TrialId> {
        let Some(asked) = journal.digests.iter().position(|digest| *digest == receipt) else {
            // What stands for the record is named already.
            if vouched.problems.is_empty() {
                vouched.problem(0, "a link was asked for at a record that is not in it");
            }
            return None;
        };
        let after = journal.records.iter().enumerate().skip(asked + 1);
        for (index, record) in after {
            match record {
                Record::LinkOpened { id, link: found, .. } if *found == link => return Some(*id),
                Record::LinksPassed { .. } => {
                    vouched.late += 1;
                    return None;
                }
                Record::Answer { .. } | Record::Void { .. } | Record::VotesClosed { .. } => {
                    let early = "a link that the witness opened before it stands after it, or nowhere: a trial was known early";
                    vouched.problem(index, early);
                    return None;
                }
                Record::Resumed { .. } | Record::Resealed { .. } | Record::Closing(_) => break,
                _ => {}
            }
        }
        vouched.wasted += 1;
        None
    }

    /// Links that pretend to be this witness's, among the records that it saw.
    fn others_links(&self, journal: &Journal, vouched: &mut Vouched) {
        let ours = |link: &Digest| self.opened.iter().any(|(own, _)| own == link);
        let mut numbers: Vec<u32> = Vec::new();
        // From the end: the numbers that are this witness's in a sealing are known by one link.
        let mut missing: Vec<(usize, u32)> = Vec::new();
        let seen = journal.records.iter().enumerate().take(self.receipts.len());
        for (index, record) in seen {
            if record.commitment().is_some() {
                missing.retain(|(_, witness)| numbers.contains(witness));
                for (index, _) in missing.drain(..) {
                    vouched.problem(index, "the witness did not open this link");
                }
                numbers.clear();
            }
            if let Record::LinkOpened { witness, link, .. } = record {
                if ours(link) {
                    numbers.push(*witness);
                } else {
                    missing.push((index, *witness));
                }
            }
        }
        for (index, _) in missing.into_iter().filter(|(_, witness)| numbers.contains(witness)) {
            vouched.problem(index, "the witness did not open this link");
        }
    }
}

impl Vouched {
    fn problem(&mut self, index: usize, message: &str) {
        let message = format!("{}'s copy does not fit: {message}", self.name);
        self.problems.push(Problem { record: Some(index as u64 + 1), message });
    }

    /// Trials were answered, and the copy vouches for none of them.
    pub fn confirms_no_trial(&self) -> bool {
        self.of > 0 && self.trials == 0
    }

    /// What the copy says, in words.
    pub fn sentence(&self) -> String {
        // Where nothing was answered, no link is missing.
        let links = if self.has_links || self.of == 0 {
            ""
        } else {
            "; the copy holds no link that the phone opened: ask for the file as the phone saved it"
        };
        let wasted = match self.wasted {
            0 => String::new(),
            1 => "; 1 link was opened for a trial that did not begin".to_owned(),
            count => format!("; {count} links were opened for trials that did not begin"),
        };
        let late = match self.late {
            0 => String::new(),
            1 => "; 1 link came too late and was passed over".to_owned(),
            count => format!("; {count} links came too late and were passed over"),
        };
        let part = match self.records_after {
            0 => String::new(),
            after => format!(
                "; it holds records 1 to {}, and says nothing about the {after} after them",
                self.records
            ),
        };
        format!("{} of {} trials witnessed by {}{links}{wasted}{late}{part}", self.trials, self.of, self.name)
    }
}
