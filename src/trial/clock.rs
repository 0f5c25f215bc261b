//! The computer's clock at each record, held against the sitting's own time.
//!
//! A clock may be corrected while people listen, so nothing here is a fault of a journal; but it is said.

use super::journal::Journal;
use super::record::Record;

/// How far the two may drift apart between two records in milliseconds: a clock is corrected by less, and a night's clock
/// is read in whole seconds.
const TOLERANCE_MS: i64 = 5_000;
/// 2020 and 2200 in milliseconds since 1970: outside, no computer of today is set right.
const SENSIBLE_MS: std::ops::Range<i64> = 1_577_836_800_000..7_258_118_400_000;

/// What does not fit, in words.
pub(super) fn remarks(journal: &Journal) -> Vec<String> {
    let mut remarks = Vec::new();
    if let Some(first) = journal.utc_ms.iter().find(|utc_ms| !SENSIBLE_MS.contains(*utc_ms)) {
        remarks.push(format!(
            "it stood at {}, which no computer of today is set to",
            jiff::Timestamp::from_millisecond(*first)
                .map_or_else(|_| format!("{first} ms"), |time| time.to_string())
        ));
    }
    let moments = journal.records.iter().zip(&journal.utc_ms).enumerate();
    let mut before: Option<(i64, i64)> = None;
    for (index, (record, &utc_ms)) in moments {
        let at_ms = i64::try_from(record.at_ms()).unwrap_or(i64::MAX);
        if let Some((earlier_utc, earlier_at)) = before {
            let slipped = utc_ms.saturating_sub(earlier_utc).saturating_sub(at_ms.saturating_sub(earlier_at));
            let resumed = matches!(record, Record::Resumed { .. });
            let number = index + 1;
            if slipped < -TOLERANCE_MS {
                remarks.push(format!("before record {number} it was set back by {}", lasting(-slipped)));
            } else if slipped > TOLERANCE_MS && !resumed && !next_resumed(journal, index) {
                remarks.push(format!(
                    "before record {number} it went {} further than the sitting's own time: it was set, or the computer \
                     slept",
                    lasting(slipped)
                ));
            }
        }
        before = Some((utc_ms, at_ms));
    }
    remarks
}

/// The void attempt before a resumption is written with it.
fn next_resumed(journal: &Journal, index: usize) -> bool {
    matches!(journal.records.get(index + 1), Some(Record::Resumed { .. }))
}

/// A length of time, in words.
pub(super) fn lasting(milliseconds: i64) -> String {
    let seconds = milliseconds / 1000;
    match seconds {
        0..120 => format!("{seconds} s"),
        120..7_200 => format!("{} min", seconds / 60),
        7_200..172_800 => format!("{} h", seconds / 3_600),
        _ => format!("{} days", seconds / 86_400),
    }
}
