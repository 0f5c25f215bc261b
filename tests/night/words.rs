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
    (set.pairs[0].a, set.pairs[0].b) = (tone(0.1), tone(0.1 - difference));
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
        let words = if format == "s16" { "16-bit words, noise -93.3 dB; at 0.0 dB" } else { "32-bit words" };
        assert!(journal.contains(words), "{format} {difference}: {journal}");
        let caution = "the sound device's 16-bit words could hide the difference of";
        assert_eq!(
            notes.iter().any(|note| note.contains(caution)),
            hidden,
            "{format} {difference}: {notes:?}"
        );
    }
}
