//! A night and a sitting are carried out by one driver: what happens to sound and disk ends, voids and is journalled alike.

use std::path::Path;

use earwitness::ballot::Phase;
use earwitness::player::PlayerEvent;
use earwitness::sitting::{Resuming, SittingError};
use earwitness::stimulus::StimulusSet;
use earwitness::trial::OutputKind;
use earwitness::trial::{Record, journal};

use super::stage::{Host, Phone, Recorder, real_environment, request_of, session, stimuli};
use crate::screen::rig::{self, Setting, keys, sit};

fn records(path: &Path) -> Vec<Record> {
    journal::read(path).expect("a journal").records
}

fn causes(path: &Path) -> Vec<String> {
    let cause = |record| if let Record::Void { cause, .. } = record { Some(cause) } else { None };
    records(path).into_iter().filter_map(cause).collect()
}

/// A night whose votes on its first trial are open, with this happening to its sound then.
fn night_with(folder: &Path, recorder: &Recorder, event: Option<PlayerEvent>) -> (Host, Phone) {
    let session = session(folder, "abx", 2, "");
    let hers = recorder.clone();
    let host = Host::start(move || (request_of(session), real_environment(&hers))).expect("open");
    let ida = Phone::join(&host, "Ida", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    host.say("next").expect("announced");
    host.until(Phase::Voting);
    recorder.0.lock().expect("the tape").events.extend(event);
    (host, ida)
}

/// A sitting that leaves in its first trial, with this happening to its sound there.
fn sitting_with(folder: &Path, event: PlayerEvent) -> rig::Sat {
    let session = rig::session(folder, "abx", 3, "", "");
    let mut setting = Setting::new(&session);
    (setting.disturb_after, setting.disturb_with) = (3, event);
    let start = ". . PgDn PgDn PgDn PgDn PgDn PgDn Enter . h i Enter Enter . PgDn Enter";
    sit(&setting, keys(&format!("{start} x . . . . .")))
}

#[test]
fn what_happens_to_the_sound_is_told_alike() {
    for event in [
        PlayerEvent::Underrun,
        PlayerEvent::DeviceChanged,
        PlayerEvent::RateSuspected { measured_hz: 43_900 },
        PlayerEvent::DeviceLost { reason: "it was unplugged".to_owned() },
    ] {
        let (here, there) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
        let recorder = Recorder::default();
        let (host, _) = night_with(here.path(), &recorder, Some(event.clone()));
        for _ in 0..400 {
            if !causes(&host.journal).is_empty() {
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        let night = causes(&host.journal);
        host.leave();
        let sat = sitting_with(there.path(), event.clone());
        let sitting = causes(&sat.result.as_ref().expect("it was left").journal);
        assert_eq!(night.len(), 1, "{event:?}");
        assert_eq!(night, sitting, "{event:?}");
    }
}

#[test]
fn a_sound_file_that_cannot_be_written_ends_both() {
    let full = PlayerEvent::WriteFailed { reason: "no space left on device".to_owned() };
    let (here, there) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let (host, ida) = night_with(here.path(), &Recorder::default(), Some(full.clone()));
    let seen = host.until(Phase::Stopped);
    let why = "the sound file cannot be written: no space left on device";
    assert!(seen.message.as_ref().is_some_and(|message| message.contains(why)), "{:?}", seen.message);
    assert_ne!(ida.vote("practice-1-1", "a").status, 200, "nothing more is taken");
    assert!(!records(&host.journal).iter().any(|record| matches!(record, Record::Vote { .. })));
    host.leave();
    let sat = sitting_with(there.path(), full);
    match sat.result {
        Err(error @ SittingError::Stopped { .. }) => assert!(error.to_string().contains(why), "{error}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_night_journals_that_its_output_is_another_one() {
    let folder = tempfile::tempdir().expect("a folder");
    let recorder = Recorder::default();
    let (host, _) = night_with(folder.path(), &recorder, None);
    recorder.0.lock().expect("the tape").format = Some("s16");
    host.say("close").expect("the votes are closed");
    for _ in 0..400 {
        let text = std::fs::read_to_string(&host.journal).expect("the journal");
        if text.contains("s16") {
            host.leave();
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    panic!("{}", std::fs::read_to_string(&host.journal).expect("the journal"));
}

/// What was opened goes on only with the stimuli that were published, and only where it can be heard; and before that is
/// certain nothing is written.
#[test]
fn what_cannot_go_on_is_refused_before_anything_is_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = rig::session(folder.path(), "abx", 3, "", "");
    let start = ". . PgDn PgDn PgDn PgDn PgDn PgDn Enter . h i Enter Enter . PgDn PgDn Enter";
    let mut setting = Setting::new(&session);
    setting.kind = OutputKind::Device;
    let opened = sit(&setting, keys(start)).result.expect("it was left").journal;
    let before = std::fs::read(&opened).expect("the journal");
    setting.resuming = Resuming::Resume;
    for (kind, apart, word) in [
        (OutputKind::Silent, 0.1, "nothing is heard"),
        (OutputKind::File, 0.1, "nothing is heard"),
        (OutputKind::Device, 0.2, "its stimuli"),
    ] {
        (setting.kind, setting.apart) = (kind, apart);
        let error = sit(&setting, keys(".")).result.expect_err("refused");
        assert!(error.to_string().contains(word), "{error}");
        assert_eq!(std::fs::read(&opened).expect("the journal"), before, "{kind:?}: something was written");
    }

    let folder = tempfile::tempdir().expect("a folder");
    let (host, _) = night_with(folder.path(), &Recorder::default(), None);
    let opened = host.journal.clone();
    host.leave();
    let before = std::fs::read(&opened).expect("the journal");
    let again = super::stage::session(folder.path(), "abx", 2, "");
    let refused = Host::start(move || {
        let mut environment = real_environment(&Recorder::default());
        environment.common.prepare = std::sync::Arc::new(|_, _| {
            let StimulusSet { mut pairs, .. } = stimuli();
            pairs[0].digest_b = pairs[0].digest_a;
            Ok(StimulusSet { pairs, ..StimulusSet::default() })
        });
        (request_of(again), environment)
    });
    let message = refused.err().expect("refused").to_string();
    assert!(message.contains("its stimuli"), "{message}");
    assert_eq!(std::fs::read(&opened).expect("the journal"), before, "something was written");
}

/// What progress and its timing could say of a draw is nothing: the secret is drawn when the stimuli are ready, and until
/// then nothing is on the disk.
#[test]
fn no_secret_is_drawn_before_the_stimuli_are_ready() {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    let watched = |environment: &mut earwitness::conduct::Environment, folder: &Path| {
        let ready = Arc::new(AtomicBool::new(false));
        let (made, prepared, sittings) =
            (environment.prepare.clone(), ready.clone(), folder.join("sittings"));
        environment.prepare = Arc::new(move |session, progress| {
            for done in 0..5 {
                progress.step(done, 5, "filtering");
            }
            let stimuli = made(session, progress);
            assert!(!sittings.exists(), "something was written before the stimuli were ready");
            prepared.store(true, Ordering::SeqCst);
            stimuli
        });
        let (drawn, asked) = (environment.secret.clone(), Arc::new(AtomicBool::new(false)));
        let was_asked = asked.clone();
        environment.secret = Arc::new(move || {
            assert!(ready.load(Ordering::SeqCst), "a secret was drawn before the stimuli were ready");
            was_asked.store(true, Ordering::SeqCst);
            drawn()
        });
        asked
    };

    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 2, "");
    let mut environment = real_environment(&Recorder::default());
    let asked = watched(&mut environment.common, folder.path());
    Host::start(move || (request_of(session), environment)).expect("open").leave();
    assert!(asked.load(Ordering::SeqCst), "the night drew a secret");

    let folder = tempfile::tempdir().expect("a folder");
    let session = rig::session(folder.path(), "abx", 3, "", "");
    let start = ". . PgDn PgDn PgDn PgDn PgDn PgDn Enter .";
    let mut asked = None;
    rig::sit_in(&Setting::new(&session), keys(start), |environment| {
        asked = Some(watched(environment, folder.path()));
    });
    assert!(asked.is_some_and(|asked| asked.load(Ordering::SeqCst)), "the sitting drew a secret");
}

/// What the message says of it, and what is done to the journal.
type Attack<'a> = (&'a str, &'a dyn Fn(&Path));

/// What an attacker or a tidy person does to a journal while records are still written to it.
#[test]
fn nothing_is_taken_into_a_journal_that_is_no_longer_at_its_place() {
    use std::fs;

    let away = |path: &Path| fs::rename(path, path.with_extension("away")).expect("renamed");
    let removed = |path: &Path| fs::remove_file(path).expect("removed");
    let replaced = |path: &Path| {
        let bytes = fs::read(path).expect("the journal");
        fs::remove_file(path).expect("removed");
        fs::write(path, bytes).expect("another file with the same bytes");
    };
    let shortened = |path: &Path| {
        let file = fs::OpenOptions::new().write(true).open(path).expect("opened");
        file.set_len(10).expect("shortened");
    };
    let folder_gone = |path: &Path| fs::remove_dir_all(path.parent().expect("a folder")).expect("removed");
    let attacks: [Attack; 5] = [
        ("removed or renamed", &away),
        ("removed or renamed", &removed),
        ("another file", &replaced),
        ("shortened", &shortened),
        ("removed or renamed", &folder_gone),
    ];
    for (word, attack) in attacks {
        let folder = tempfile::tempdir().expect("a folder");
        let (host, ida) = night_with(folder.path(), &Recorder::default(), None);
        let whole = fs::read(&host.journal).expect("the journal");
        attack(&host.journal);
        assert_ne!(ida.vote("practice-1-1", "a").status, 200, "{word}: a vote was acknowledged");
        let seen = host.until(Phase::Stopped);
        let message = seen.message.clone().unwrap_or_default();
        assert!(message.contains(word), "{word}: {message}");
        host.leave();
        let kept = message.split("kept in ").nth(1).expect("where it is kept");
        let kept = fs::read(kept).expect("what it held is there");
        assert!(kept.starts_with(&whole), "{word}: everything acknowledged is kept");
    }
}
