//! The log of what was refused: for the host, beside the journal, bounded. Names nobody's address.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Write as _;
use std::path::Path;

use serde::Serialize;

use super::NightError;
use crate::files;
use crate::units::printed;

/// Lines that one night's log may hold. What comes after is only counted: a flood must not fill the disk.
const MOST_LINES: usize = 20_000;

/// A refused request, as a line of JSON.
#[derive(Debug, Serialize)]
pub(crate) struct Refused<'r> {
    /// Milliseconds of the night.
    pub(crate) at_ms: u64,
    /// What was asked for: `join`, `vote`, `typed-hand`, `leave`, `return`, `state`, `door`.
    pub(crate) asked: &'static str,
    /// Why not: [`Refusal::name`](super::Refusal::name).
    pub(crate) why: &'r str,
    /// The seat, if its token was good.
    pub(crate) seat: Option<u32>,
}

/// The log.
#[derive(Debug)]
pub(crate) struct Log {
    file: File,
    lines: usize,
    counts: BTreeMap<(&'static str, String), u64>,
}

impl Log {
    /// The log that belongs to a journal; a restart goes on with it.
    pub(crate) fn beside(journal: &Path) -> Result<Self, NightError> {
        let path = journal.with_extension("refused");
        let lines = files::read(&path, files::LARGEST_TABLE_BYTES)
            .map_or(0, |bytes| bytes.iter().filter(|&&byte| byte == b'\n').count());
        let file = files::append(&path).map_err(|error| NightError::file(&path, "opened", &error))?;
        Ok(Self { file, lines, counts: BTreeMap::new() })
    }

    /// Takes note. A log that cannot be written is no reason to stop the night: it is counted all the same.
    pub(crate) fn note(&mut self, refused: &Refused<'_>) {
        *self.counts.entry((refused.asked, refused.why.to_owned())).or_default() += 1;
        if self.lines >= MOST_LINES {
            return;
        }
        if let Ok(mut line) = serde_json::to_vec(refused) {
            line.push(b'\n');
            if self.file.write_all(&line).is_ok() {
                self.lines += 1;
            }
        }
    }

    /// How often what was refused, for the journal's note at the end of each trial; empty if nothing was.
    pub(crate) fn summary(&mut self) -> Option<String> {
        let counts = std::mem::take(&mut self.counts);
        let words: Vec<String> =
            counts.into_iter().map(|((asked, why), count)| in_words(asked, &why, count)).collect();
        (!words.is_empty()).then(|| format!("refused: {}", words.join(", ")))
    }
}

/// What was refused, for people: "a vote (not open) 3 times".
fn in_words(asked: &str, why: &str, times: u64) -> String {
    let wanted = match asked {
        "join" => "a seat",
        "vote" => "a vote",
        "typed-hand" => "words for the draws",
        "leave" => "leaving",
        "return" => "a return",
        "state" => "a look at the night",
        "door" => "the door",
        other => other,
    };
    format!("{wanted} ({}) {}", why.replace('-', " "), printed::count(times, "time"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_is_counted_and_does_not_fill_the_disk() {
        let folder = tempfile::tempdir().expect("a folder");
        let journal = folder.path().join("night.jsonl");
        let mut log = Log::beside(&journal).expect("a log");
        for _ in 0..MOST_LINES + 5 {
            log.note(&Refused { at_ms: 1, asked: "vote", why: "not-open", seat: Some(3) });
        }
        let text = std::fs::read_to_string(journal.with_extension("refused")).expect("text");
        assert_eq!(text.lines().count(), MOST_LINES);
        assert_eq!(text.lines().next(), Some(r#"{"at_ms":1,"asked":"vote","why":"not-open","seat":3}"#));
        assert_eq!(log.summary(), Some(format!("refused: a vote (not open) {} times", MOST_LINES + 5)));
        assert_eq!(log.summary(), None);
        let again = Log::beside(&folder.path().join("night.jsonl")).expect("the same log");
        assert_eq!(again.lines, MOST_LINES, "a restart does not start the count anew");
    }
}
