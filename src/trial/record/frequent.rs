//! The records that journals are full of, read as what they are.
//!
//! A record's kind may stand anywhere in it, so a reader that does not know it keeps all fields until it is found. A journal
//! has its kind first, and most of its records are answers or votes: those are read at once. Whatever is not read so is read as
//! everything else, and is refused with the same words.

use serde::Deserialize;

use super::{Ballot, Listening, Record, TrialId};
use crate::trial::chain::Recorded;

/// [`Record::Answer`].
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Answer<'a> {
    #[serde(rename = "kind")]
    _kind: &'a str,
    at_ms: u64,
    id: TrialId,
    answer: String,
    confidence: Option<u8>,
    listening: Listening,
}

/// [`Record::Vote`].
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Vote<'a> {
    #[serde(rename = "kind")]
    _kind: &'a str,
    at_ms: u64,
    id: TrialId,
    seat: u32,
    alias: String,
    answer: String,
    by: Ballot,
}

impl From<Answer<'_>> for Record {
    fn from(Answer { at_ms, id, answer, confidence, listening, .. }: Answer<'_>) -> Self {
        Self::Answer { at_ms, id, answer, confidence, listening }
    }
}

impl From<Vote<'_>> for Record {
    fn from(Vote { at_ms, id, seat, alias, answer, by, .. }: Vote<'_>) -> Self {
        Self::Vote { at_ms, id, seat, alias, answer, by }
    }
}

impl Recorded for Record {
    fn parse(bytes: &[u8]) -> serde_json::Result<Self> {
        let read = if bytes.starts_with(br#"{"kind":"answer","#) {
            serde_json::from_slice::<Answer<'_>>(bytes).ok().map(Self::from)
        } else if bytes.starts_with(br#"{"kind":"vote","#) {
            serde_json::from_slice::<Vote<'_>>(bytes).ok().map(Self::from)
        } else {
            None
        };
        read.map_or_else(|| serde_json::from_slice(bytes), Ok)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is read at once is what serde's own reader of the kind makes of it, or is left to that reader with its refusal.
    #[test]
    fn frequent_records_are_read_as_all_others_are() {
        let answer = r#"{"kind":"answer","at_ms":24364,"id":{"part":"main","trial":1,"attempt":1},"answer":"a","confidence":4,"listening":{"listens":[2,2,2],"heard_ms":[6221,6221,6221],"switches":6,"took_ms":18664,"events":["x"]}}"#;
        let vote = r#"{"kind":"vote","at_ms":9,"id":{"part":"warm-up","trial":2,"attempt":1},"seat":3,"alias":"Ida \"Q\"","answer":"b","by":"phone"}"#;
        for whole in [answer, vote] {
            let read = Record::parse(whole.as_bytes()).expect("a record");
            assert_eq!(read, serde_json::from_str::<Record>(whole).expect("a record"));
            assert_eq!(serde_json::to_string(&read).expect("written"), whole);
        }
        for (what, with) in [
            ("\"at_ms\":", "\"at_ms\":-"),
            ("\"at_ms\":", "\"unknown\":1,\"at_ms\":"),
            ("\"at_ms\":", "\"kind\":\"answer\",\"at_ms\":"),
            ("\"trial\":", "\"trials\":"),
            ("\"answer\":\"", "\"answer\":7,\"more\":\""),
            ("\"confidence\":4,", ""),
            ("\"confidence\":4", "\"confidence\":256"),
            ("\"by\":\"phone\"", "\"by\":\"pigeon\""),
            ("\"seat\":3,", ""),
            ("}}", "}} "),
            ("}", ""),
        ] {
            for whole in [answer, vote] {
                let other = whole.replacen(what, with, 1);
                let read = Record::parse(other.as_bytes()).map_err(|error| error.to_string());
                assert_eq!(read, serde_json::from_str(&other).map_err(|error| error.to_string()), "{other}");
            }
        }
    }
}
