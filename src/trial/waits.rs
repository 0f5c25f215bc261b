//! Times and labels of real cables that are switched: from the seal's key, and from nothing that is drawn for a trial.
//!
//! How long nothing is connected varies a little from presentation to presentation, so that nobody learns anything from how
//! long a relay or a person took. Whoever has the opened key derives the same times; before, they look like chance, and
//! they are the same whichever side is in which slot.

use super::Digest;
use super::record::{Listening, Part, SwitcherTerms, TrialId};

/// Most presentations that one attempt may begin.
pub const MOST_PRESENTATIONS: usize = 1000;

/// Part, trial and attempt, as what is derived for an attempt is named.
pub(super) fn name(id: TrialId) -> String {
    let part = match id.part {
        Part::Qualification => "qualification",
        Part::WarmUp => "warm-up",
        Part::Main => "main",
    };
    format!("{part} {} {}", id.trial, id.attempt)
}

/// Milliseconds for which nothing is connected in the presentation with this number (from 1) of an attempt.
pub fn apart_ms(key: &Digest, terms: &SwitcherTerms, id: TrialId, number: usize) -> u64 {
    let place = format!("{} {number}", name(id));
    let digest = Digest::of_parts(&[b"earwitness wait v2", &key.0, place.as_bytes()]);
    let number = u64::from_be_bytes(digest.0[..8].try_into().expect("8 of 32 bytes"));
    // A spread is at most two minutes: no wait is likelier than another by more than 1e-14.
    terms.apart_ms + number % (terms.spread_ms.unwrap_or(0) + 1)
}

/// Whether the cable that is named second gets the label of terminal 1.
pub fn labels_turned(key: &Digest, terms: &SwitcherTerms) -> bool {
    let digest = Digest::of_parts(&[b"earwitness labels v2", &key.0]);
    terms.labels_drawn == Some(true) && digest.0[0] & 1 == 1
}

/// Milliseconds of silence between one sound and the next over real cables, in an attempt that ended at `end_ms`: from when
/// the first one's cable was disconnected to the sound over the next. A presentation that was given up before its sound is
/// part of the silence, and so is a filling.
pub fn silences_ms(terms: &SwitcherTerms, listening: &Listening, end_ms: u64) -> Vec<u64> {
    let presented = listening.presented.as_deref().unwrap_or_default();
    let mut silent_since = None;
    let mut found = Vec::new();
    for (index, own) in presented.iter().enumerate() {
        let sounds_ms = own.at_ms + own.apart_ms + terms.settle_ms;
        let until_ms = presented.get(index + 1).map_or(end_ms, |next| next.at_ms);
        if sounds_ms < until_ms && own.slot < listening.listens.len() {
            found.extend(silent_since.map(|since| sounds_ms.saturating_sub(since)));
            silent_since = Some(until_ms);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::record::Presentation;

    #[test]
    fn silence_lasts_from_one_cable_to_the_sound_over_the_next() {
        let terms = SwitcherTerms {
            kind: "serial".to_owned(),
            terminals: ["one".to_owned(), "two".to_owned()],
            apart_ms: 400,
            settle_ms: 500,
            starts_anew: true,
            spread_ms: Some(99),
            labels_drawn: None,
            measured: None,
            filled: None,
        };
        let presented = |times: &[(u64, u64)]| Listening {
            listens: vec![1],
            presented: Some(
                times
                    .iter()
                    .map(|(at_ms, apart_ms)| Presentation { slot: 0, at_ms: *at_ms, apart_ms: *apart_ms })
                    .collect(),
            ),
            ..Listening::default()
        };
        // Sound from 900; from 5000 silence until 5930; the third is given up at 9200, the fourth sounds at 10150.
        let listening = presented(&[(0, 400), (5000, 430), (9000, 410), (9200, 450)]);
        assert_eq!(silences_ms(&terms, &listening, 20_000), [930, 1150]);
        assert_eq!(silences_ms(&terms, &listening, 10_000), [930], "it ended before the last sound");
        assert!(silences_ms(&terms, &Listening::default(), 9).is_empty());
        // The second is a filling: silence from 5000 until the third sounds at 9910.
        let mut filled = presented(&[(0, 400), (5000, 430), (9000, 410)]);
        filled.presented.as_mut().expect("three")[1].slot = 1;
        assert_eq!(silences_ms(&terms, &filled, 20_000), [4910]);
    }

    #[test]
    fn waits_are_spread_evenly_and_labels_fall_both_ways() {
        let terms = SwitcherTerms {
            kind: "operator".to_owned(),
            terminals: ["one".to_owned(), "two".to_owned()],
            apart_ms: 400,
            settle_ms: 500,
            starts_anew: true,
            spread_ms: Some(99),
            labels_drawn: Some(true),
            measured: None,
            filled: None,
        };
        let (mut sum, mut turned) = (0, 0);
        for trial in 1..=2000 {
            let key = Digest::of(&u32::to_be_bytes(trial));
            let id = TrialId { part: Part::Main, trial: 1 + trial % 7, attempt: 1 };
            let wait = apart_ms(&key, &terms, id, 1);
            assert!((400..500).contains(&wait), "{wait}");
            sum += wait;
            turned += u32::from(labels_turned(&key, &terms));
        }
        // Uniform on 400 to 499: mean 449.5, standard error 0.65. Binomial with one half: standard deviation 22.
        assert!((sum as f64 / 2000.0 - 449.5).abs() < 4.0, "{sum}");
        assert!(turned.abs_diff(1000) < 112, "{turned}");
        // The vector of FORMAT.md.
        let key = Digest::from_hex("0c1b794a1cffc05d494b70e60ef38b60641ccaaf736f010695a5c7e5f55030ce")
            .expect("hex");
        let id = TrialId { part: Part::Main, trial: 3, attempt: 1 };
        let plain = SwitcherTerms { labels_drawn: None, ..terms.clone() };
        assert!(!labels_turned(&key, &plain));
        assert_eq!((apart_ms(&key, &terms, id, 2), labels_turned(&key, &terms)), (413, false));
    }
}
