//! How many seats each sender took in a night, also before its host's program was started again.
//!
//! Senders are kept as digests that the night's own secret salts, beside the journal, readable by the owner only, until the
//! night is closed. They are no evidence and stand in none.

use std::collections::HashMap;
use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::NightError;
use super::guard::Sender;
use super::pass::Passes;
use crate::files;
use crate::trial::Digest;

/// Most bytes that are read again: many times what every seat of a night needs.
const LARGEST_BYTES: u64 = 4 << 20;
/// Hex digits of a sender's digest.
const DIGITS: usize = 32;

/// Seats by the sender that took them.
#[derive(Debug)]
pub(crate) struct SeatsOf {
    counts: HashMap<String, u32>,
    passes: Passes,
    /// Nothing where nobody takes seats any more.
    file: Option<File>,
}

impl SeatsOf {
    /// Those of the night that this journal is of; a restart goes on with them.
    ///
    /// # Errors
    /// The file beside the journal cannot be opened.
    pub(crate) fn beside(journal: &Path, passes: &Passes) -> Result<Self, NightError> {
        let path = of(journal);
        let mut counts = HashMap::new();
        for line in String::from_utf8_lossy(&files::read(&path, LARGEST_BYTES).unwrap_or_default()).lines() {
            *counts.entry(line.to_owned()).or_default() += 1;
        }
        let file = files::append(&path).map_err(|error| NightError::file(&path, "opened", &error))?;
        Ok(Self { counts, passes: passes.clone(), file: Some(file) })
    }

    /// Nobody's: the night is closed.
    pub(crate) fn closed(journal: &Path, passes: &Passes) -> Self {
        let _ = std::fs::remove_file(of(journal));
        Self { counts: HashMap::new(), passes: passes.clone(), file: None }
    }

    fn name(&self, sender: Sender) -> String {
        let text = sender.to_string();
        let digest = Digest::of_parts(&[b"earwitness address v1", self.passes.secret(), text.as_bytes()]);
        digest.hex()[..DIGITS].to_owned()
    }

    /// Counts one more seat for this sender, if it may have one: before it is taken, or joins that arrive together would all
    /// find the same seat free.
    pub(crate) fn reserve(&mut self, sender: Sender, most: Option<u32>) -> bool {
        let taken = self.counts.entry(self.name(sender)).or_default();
        let may = most.is_none_or(|most| *taken < most);
        *taken += u32::from(may);
        may
    }

    /// The seat that was counted was not taken.
    pub(crate) fn give_back(&mut self, sender: Sender) {
        if let Some(taken) = self.counts.get_mut(&self.name(sender)) {
            *taken = taken.saturating_sub(1);
        }
    }

    /// The seat that was counted was taken: a restart is to know. Where that cannot be written the night goes on all the same.
    pub(crate) fn keep(&mut self, sender: Sender) {
        let line = format!("{}\n", self.name(sender));
        if let Some(file) = &mut self.file {
            let _ = file.write_all(line.as_bytes());
        }
    }
}

fn of(journal: &Path) -> PathBuf {
    journal.with_extension("addresses")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_restart_knows_who_took_seats_and_nobody_reads_an_address() {
        let folder = tempfile::tempdir().expect("a folder");
        let journal = folder.path().join("night.jsonl");
        let passes = Passes::from_bytes([3; 32]);
        let open = || SeatsOf::beside(&journal, &passes).expect("a file");
        let sender = |text: &str| Sender::from(text.parse::<std::net::IpAddr>().expect("an address"));
        let (guest, other) = (sender("192.168.1.20"), sender("192.168.1.21"));
        let mut seats = open();
        for _ in 0..2 {
            assert!(seats.reserve(guest, Some(2)));
            seats.keep(guest);
        }
        assert!(!seats.reserve(guest, Some(2)));
        // One that was counted and refused afterwards is not kept.
        assert!(seats.reserve(other, Some(2)));
        seats.give_back(other);
        let mut again = open();
        assert!(!again.reserve(guest, Some(2)), "a restart gives no more");
        assert!(!again.reserve(sender("::ffff:192.168.1.20"), Some(2)), "nor another spelling");
        assert!(again.reserve(guest, None), "but where guests share an address");
        assert!(again.reserve(other, Some(1)));
        // A phone that takes another address in its network of IPv6 takes its seats along.
        for (address, gets_one) in [("2001:db8::1", true), ("2001:db8::2", false), ("2001:db8:0:1::1", true)]
        {
            assert_eq!(again.reserve(sender(address), Some(1)), gets_one, "{address}");
        }
        let text = std::fs::read_to_string(of(&journal)).expect("the file");
        assert_eq!(text.lines().count(), 2);
        assert!(!text.contains("192.168"), "{text}");
        // Another night's secret makes another digest of the same address.
        assert_ne!(seats.name(guest), SeatsOf::closed(&journal, &Passes::from_bytes([4; 32])).name(guest));
        assert!(!of(&journal).exists(), "the closed night keeps none");
    }
}
