//! What others ask of a record.

use super::Record;
use crate::trial::digest::Digest;

impl Record {
    /// Whether the sitting goes on without anything to be heard from this record on: it opens, resumes or goes on with
    /// it on an output that [is silent](super::Output::is_silent). A sitting with one such record is no listening test, whatever followed.
    pub fn is_silent(&self) -> bool {
        match self {
            Self::Opening(opening) => opening.output.is_silent(),
            Self::Resumed { output, .. } | Self::OutputChanged { output, .. } => output.is_silent(),
            _ => false,
        }
    }

    /// Of a record that a lock guards (a resumption, a fresh sealing, the closing): its proof that the passphrase was at hand,
    /// if it has one.
    pub fn guarded(&self) -> Option<Option<Digest>> {
        match self {
            Self::Resumed { proof, .. } | Self::Resealed { proof, .. } => Some(*proof),
            Self::Closing(closing) => Some(closing.proof),
            _ => None,
        }
    }
}
