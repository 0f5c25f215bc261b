//! A night holds its sound device's words against the difference, as a sitting does.

use earwitness::clip::Playable;
use earwitness::stimulus::StimulusSet;

use std::sync::Arc;

use super::stage::{Host, Recorder, real_environment, request_of, session, stimuli};

/// The night's stimuli, the comparison's sides so far apart at their peaks.
fn apart(difference: f32) -> StimulusSet {
    let tone = |level: f32| Playable {
        rate_hz: 8000,
        channels: 1,
        samples: (0..8000).map(|n| level * (n as f32 * 0.3).sin()).collect(),
    };
    let mut set = stimuli();
    (set.pairs[0].a, set.pairs[0].b) = (tone(0.1).into(), tone(0.1 - difference).into());
    set
}

#[test]
fn what_the_devices_words_resolve_is_in_the_nights_journal() {
    for (format, difference, hidden) in [("s16", 0.05, false), ("s16", 1e-7, true), ("f32", 1e-7, false)] {
        let folder = tempfile::tempdir().expect("a folder");
        let session = session(folder.path(), "abx", 2, "");
        let recorder = Recorder::default();
        recorder.0.lock().expect("the tape").format = Some(format);
        let host = Host::start(move || {
            let mut environment = real_environment(&recorder);
            environment.common.prepare = Arc::new(move |_, _| Ok(apart(difference)));
            (request_of(session), environment)
        })
        .unwrap_or_else(|error| panic!("{error}"));
        let path = host.journal.clone();
        let notes = host.notes.clone();
        host.leave();
        let journal = std::fs::read_to_string(path).expect("the journal is there");
        let words = if format == "s16" {
            "\"bit_depth\":16,\"noise_db\":-93.3,\"level_db\":0.0"
        } else {
            "\"bit_depth\":32"
        };
        assert!(journal.contains(words), "{format} {difference}: {journal}");
        let caution = "the sound device's 16-bit samples could hide the difference of";
        assert_eq!(
            notes.iter().any(|note| note.contains(caution)),
            hidden,
            "{format} {difference}: {notes:?}"
        );
    }
}

/// The written form holds the facts whole, and refuses what no device has.
#[test]
fn what_a_device_resolves_is_written_as_data() {
    use earwitness::clip::dither::WordLength;
    use earwitness::stimulus::WordFacts;
    use earwitness::stimulus::device_words::Faintest;
    use earwitness::trial::record::{Record, ResolutionFacts};

    for word in [WordLength::Bits16, WordLength::Bits24, WordLength::Float32] {
        let faintest = Some(Faintest { comparison: 1, clip: 2, margin_db: -3.4 });
        let facts = WordFacts { word, noise_db: -93.3, level_db: -36.0, faintest };
        let record = Record::Resolution { at_ms: 7, resolved: facts.into() };
        assert_eq!(*record.formats().start(), 2, "format 1 has no such record");
        let text = serde_json::to_string(&record).expect("JSON");
        let Ok(Record::Resolution { resolved, .. }) = serde_json::from_str(&text) else { panic!("{text}") };
        assert_eq!(resolved.facts(), Some(facts), "{text}");
        assert_eq!(ResolutionFacts { bit_depth: 17, ..resolved }.facts(), None);
    }
}
