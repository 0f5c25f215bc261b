//! The folder of sittings: names, locks, modes, register, secrets.

use std::os::unix::fs::PermissionsExt as _;

use earwitness::stats::Protocol;
use earwitness::stats::tally::Tally;
use earwitness::trial::OutputKind;
use earwitness::trial::lock::LockError;
use earwitness::trial::record::EarlierSitting;
use earwitness::trial::rest::{self, SecretError};
use earwitness::trial::sittings::{safe_name, secret_file};
use earwitness::trial::terms::DecidingTerms;
use earwitness::trial::verify::{self, Registered, State};
use earwitness::trial::wager::{Settlement, Why};
use earwitness::trial::{Digest, Event, Outcome, Part, Sittings, SittingsError, Stage};

use super::kit::{self, Resume as _, UTC};

fn names(folder: &std::path::Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn a_whole_sitting_leaves_journal_and_register_and_no_secret() {
    for protocol in Protocol::ALL {
        let folder = kit::folder();
        let sittings = Sittings::lock(folder.path(), UTC).unwrap();
        let opened = sittings.open(kit::full(protocol), kit::secret(1), None).unwrap();
        let path = opened.writer.path();
        let hidden = secret_file(folder.path(), path.file_name().unwrap().to_str().unwrap());
        let mode = std::fs::metadata(&hidden).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "the secret is its owner's only");
        let mut scripted = kit::in_folder(opened);
        scripted.disturb = Some(5);
        let scripted = scripted.finish();
        assert!(!hidden.exists(), "the opened secret's file is gone");
        let receipt = scripted.conductor.view().receipt.unwrap();
        drop(scripted);
        assert_eq!(
            names(folder.path()),
            [".lock", "2026-01-31T20-15-00Z-Ottilie-Invented.jsonl", "register.jsonl"]
        );
        let checked = kit::check(&path);
        assert_eq!(checked.problems, [], "{protocol}");
        assert_eq!(checked.state, State::Closed);
        assert!(checked.is_sound() && kit::has_verdict(&checked));
        assert_eq!(checked.registered, Registered::Listed);
        assert_eq!(checked.receipt, Some(receipt));
        assert_eq!(checked.void, 1);
        assert_eq!(checked.hands.len(), 2);
        let counts = checked.counts.unwrap();
        assert_eq!(counts.comparisons.iter().map(|count| count.trials).collect::<Vec<_>>(), [4, 4]);
        assert_eq!(counts.controls.iter().map(|count| count.trials).collect::<Vec<_>>(), [1, 0, 1, 1]);
        let register = verify::register(folder.path());
        assert_eq!(register.problem, None);
        assert_eq!(register.announced.len(), 1);
        assert_eq!(register.announced[0].closed, Some((receipt, Outcome::AllTrials)));
        assert!(register.unregistered.is_empty());
    }
}

#[test]
fn a_register_that_was_exchanged_while_a_sitting_goes_on_is_said_and_made_up_for_once_it_is_back() {
    let folder = kit::folder();
    let (register, away) = (folder.path().join("register.jsonl"), folder.path().join("elsewhere"));
    let mut opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(kit::full(Protocol::Abx), kit::secret(7), None)
        .unwrap();
    let path = opened.writer.path();
    let closing = kit::in_memory(&kit::full(Protocol::Abx), 7).finish().journal.records.pop().unwrap();
    std::fs::rename(&register, &away).unwrap();
    std::fs::copy(&away, &register).unwrap();
    opened.writer.append(&closing).unwrap();
    let refused = opened.writer.close(Some(UTC)).unwrap_err();
    assert!(matches!(refused, SittingsError::Displaced { .. }), "{refused}");
    assert!(refused.to_string().contains("Put the register back"), "{refused}");
    drop(opened);
    std::fs::rename(&away, &register).unwrap();
    assert_eq!(verify::register(folder.path()).announced[0].closed, None);
    drop(Sittings::lock(folder.path(), UTC).unwrap());
    let receipt = earwitness::trial::journal::read(&path).unwrap().receipt();
    assert_eq!(verify::register(folder.path()).announced[0].closed.map(|(digest, _)| digest), receipt);
}

#[test]
fn a_register_that_a_second_program_wrote_to_is_left_alone_and_made_up_for_later() {
    let folder = kit::folder();
    let mut opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(kit::full(Protocol::Abx), kit::secret(7), None)
        .unwrap();
    let closing = kit::in_memory(&kit::full(Protocol::Abx), 7).finish().journal.records.pop().unwrap();
    // Without the lock's file a second program finds the folder free.
    std::fs::remove_file(folder.path().join(".lock")).unwrap();
    let second = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(kit::full(Protocol::Abx), kit::secret(8), None)
        .unwrap();
    opened.writer.append(&closing).unwrap();
    let refused = opened.writer.close(Some(UTC)).unwrap_err();
    assert!(matches!(refused, SittingsError::Displaced { .. }), "{refused}");
    drop((opened, second));
    drop(Sittings::lock(folder.path(), UTC).unwrap());
    let register = verify::register(folder.path());
    assert_eq!(register.problem, None);
    assert_eq!(register.announced.iter().map(|of| of.closed.is_some()).collect::<Vec<_>>(), [true, false]);
}

#[test]
fn an_abandoned_sitting_stays_in_the_register_and_can_be_resumed() {
    let folder = kit::folder();
    let opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(kit::full(Protocol::Abx), kit::secret(2), None)
        .unwrap();
    let path = opened.writer.path();
    let mut scripted = kit::in_folder(opened);
    for _ in 0..9 {
        scripted.step();
    }
    drop(scripted);
    let checked = kit::check(&path);
    assert_eq!((checked.state, checked.problems.as_slice()), (State::Unfinished, [].as_slice()));
    assert!(checked.counts.is_none() && checked.answers.iter().all(|answer| answer.right.is_none()));
    assert!(!checked.answers.is_empty());
    assert_eq!(verify::register(folder.path()).announced[0].closed, None);

    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    let unfinished = sittings.unfinished();
    assert_eq!(unfinished.len(), 1);
    assert!(!unfinished[0].locked);
    let opened = sittings.resume(&unfinished[0].journal, UTC, kit::silent(), kit::secret(999), None).unwrap();
    assert!(matches!(opened.conductor.view().stage, Stage::Sealing { .. }), "a fresh secret, sealed anew");
    kit::in_folder(opened).finish();
    let checked = kit::check(&path);
    assert_eq!(checked.problems, []);
    assert_eq!(checked.resumed, 1);
    assert!(checked.is_sound());
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    assert!(sittings.unfinished().is_empty());
    let name = path.file_name().unwrap().to_str().unwrap();
    let again = sittings.resume(name, UTC, kit::silent(), kit::secret(999), None);
    assert!(matches!(again, Err(SittingsError::Closed { .. })));
}

#[test]
fn stopping_for_good_opens_the_seal_and_gives_no_verdict() {
    let mut scripted = kit::in_memory(&kit::full(Protocol::Tetrad), 3);
    for _ in 0..8 {
        scripted.step();
    }
    scripted.event(Event::Stop);
    assert!(matches!(scripted.conductor.view().stage, Stage::ConfirmStop { .. }));
    scripted.event(Event::Back);
    assert!(matches!(scripted.conductor.view().stage, Stage::Trial(_) | Stage::Announce { .. }));
    scripted.event(Event::Stop);
    scripted.event(Event::Confirm);
    let Stage::Result(result) = scripted.conductor.view().stage else { panic!("no result") };
    let won = result.settlement.and_then(Settlement::claimant_won);
    assert_eq!((result.outcome, won), (Outcome::StoppedEarly, None));
    let (_folder, path) = kit::written(&scripted.journal.bytes);
    let checked = kit::check(&path);
    assert!(checked.is_sound() && !kit::has_verdict(&checked), "{:?}", checked.problems);
}

#[test]
fn a_second_sitting_on_a_folder_is_refused_with_the_reason() {
    let folder = kit::folder();
    let first = Sittings::lock(folder.path(), UTC).unwrap();
    let error = Sittings::lock(folder.path(), UTC).unwrap_err();
    assert!(matches!(error, SittingsError::Busy { .. }));
    assert!(error.to_string().contains("another sitting is going on"), "{error}");
    drop(first);
    assert!(Sittings::lock(folder.path(), UTC).is_ok());
}

#[test]
fn two_sittings_of_one_second_get_two_names_and_nothing_is_overwritten() {
    let folder = kit::folder();
    let mut paths = Vec::new();
    for seed in 0..3 {
        let sittings = Sittings::lock(folder.path(), UTC).unwrap();
        let opened = sittings.open(kit::full(Protocol::Abx), kit::secret(seed), None).unwrap();
        paths.push(opened.writer.path());
    }
    paths.dedup();
    assert_eq!(paths.len(), 3);
    let checked: Vec<_> = paths.iter().map(|path| kit::check(path)).collect();
    assert!(checked.iter().all(|checked| checked.problems.is_empty()));
    assert_eq!(verify::register(folder.path()).announced.len(), 3);
}

#[test]
fn names_of_any_kind_make_safe_file_names_and_stay_whole_inside() {
    let long = "x".repeat(300);
    for (name, safe) in [
        ("../../etc/passwd", "etc-passwd"),
        ("a/b\\c:d", "a-b-c-d"),
        ("🎻🎻🎻", "listener"),
        ("Zoë Ñandú 🎻", "Zoë-Ñandú"),
        ("聴く人", "聴く人"),
        (".hidden", "hidden"),
        ("-rf", "rf"),
        ("line\nbreak\0nul", "line-break-nul"),
        (long.as_str(), &long[..60]),
    ] {
        assert_eq!(safe_name(name), safe, "{name:?}");
        let folder = kit::folder();
        let mut draft = kit::draft(kit::terms(Protocol::Abx));
        name.clone_into(&mut draft.listener);
        let sittings = Sittings::lock(folder.path(), UTC).unwrap();
        let opened = sittings.open(draft, kit::secret(1), None).unwrap();
        let path = opened.writer.path();
        assert_eq!(path.parent(), Some(folder.path()));
        kit::in_folder(opened).finish();
        let checked = kit::check(&path);
        assert_eq!(checked.problems, [], "{name:?}");
        assert_eq!(checked.opening.unwrap().listener, name);
    }
    let folder = kit::folder();
    let mut draft = kit::draft(kit::terms(Protocol::Abx));
    draft.listener = String::new();
    let refused = Sittings::lock(folder.path(), UTC).unwrap().open(draft, kit::secret(1), None);
    assert!(matches!(refused, Err(SittingsError::Terms(_))));
    assert_eq!(names(folder.path()), [".lock", "register.jsonl"]);
}

#[test]
fn an_opponents_passphrase_locks_the_secret() {
    let folder = kit::folder();
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    let secret = kit::secret(9);
    let hex = earwitness::trial::Digest(*secret.bytes()).hex();
    let opened = sittings.open(kit::full(Protocol::Abx), secret.clone(), Some("Jorin's own words")).unwrap();
    let path = opened.writer.path();
    let name = path.file_name().unwrap().to_str().unwrap().to_owned();
    let mut scripted = kit::in_folder(opened);
    for _ in 0..8 {
        scripted.step();
    }
    drop(scripted);
    let hidden = secret_file(folder.path(), &name);
    let stored = std::fs::read_to_string(&hidden).unwrap();
    assert!(!stored.contains(&hex) && stored.contains("locked"));
    for file in names(folder.path()) {
        let bytes = std::fs::read(folder.path().join(&file)).unwrap();
        let found = bytes.windows(32).any(|window| window == secret.bytes());
        assert!(!found && !String::from_utf8_lossy(&bytes).contains(&hex), "{file} holds the secret");
    }
    assert!(matches!(rest::fetch(&hidden, None), Err(SecretError::Damaged(_))));
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    assert!(matches!(sittings.secrets(&name, None), Err(SittingsError::Secret(SecretError::Locked))));
    drop(sittings);
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    assert!(sittings.unfinished()[0].locked);
    let refused = sittings.resume(&name, UTC, kit::silent(), kit::secret(999), Some("another"));
    assert!(matches!(refused, Err(SittingsError::Secret(SecretError::Lock(LockError::WrongPassphrase)))));
    let before = std::fs::read(&path).unwrap();
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    let opened =
        sittings.resume(&name, UTC, kit::silent(), kit::secret(999), Some("Jorin's own words")).unwrap();
    assert!(std::fs::read(&path).unwrap().starts_with(&before));
    kit::in_folder(opened).finish();
    assert!(kit::check(&path).is_sound());
    assert!(!hidden.exists());
}

#[test]
fn a_damaged_secret_is_said_so_and_changes_nothing() {
    let folder = kit::folder();
    let opened = Sittings::lock(folder.path(), UTC)
        .unwrap()
        .open(kit::full(Protocol::Abx), kit::secret(4), None)
        .unwrap();
    let path = opened.writer.path();
    let name = path.file_name().unwrap().to_str().unwrap().to_owned();
    drop(opened);
    let before = std::fs::read(&path).unwrap();
    for content in
        ["", "{}", "not json", "{\"earwitness_secret\":2,\"secrets\":[\"00\"]}", "{\"earwitness_secret\":2}"]
    {
        std::fs::write(secret_file(folder.path(), &name), content).unwrap();
        let error = Sittings::lock(folder.path(), UTC)
            .unwrap()
            .resume(&name, UTC, kit::silent(), kit::secret(999), None)
            .unwrap_err();
        assert!(error.to_string().contains("damaged"), "{error}");
    }
    let other = earwitness::trial::Digest([1; 32]).hex();
    let content = format!("{{\"earwitness_secret\":2,\"secrets\":[\"{other}\"]}}");
    std::fs::write(secret_file(folder.path(), &name), content).unwrap();
    assert!(
        Sittings::lock(folder.path(), UTC)
            .unwrap()
            .resume(&name, UTC, kit::silent(), kit::secret(999), None)
            .is_err()
    );
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn a_qualification_that_is_not_passed_ends_the_sitting() {
    let mut draft = kit::full(Protocol::Abx);
    draft.terms.qualification =
        Some(earwitness::trial::record::QualificationTerms { trials: 6, correct: 6, protocol: None });
    let scripted = kit::in_memory(&draft, 11).finish();
    let Stage::Result(result) = scripted.conductor.view().stage else { panic!("no result") };
    assert_eq!(result.outcome, Outcome::NotQualified);
    let (_folder, path) = kit::written(&scripted.journal.bytes);
    let checked = kit::check(&path);
    assert!(checked.is_sound() && !kit::has_verdict(&checked));
    assert!(checked.answers.iter().all(|answer| answer.id.part == Part::Qualification));

    // A listener who is always right passes and goes on.
    draft.simulated = Some(1.0);
    let mut scripted = kit::in_memory(&draft, 12);
    scripted.answering = kit::Answering::Right;
    let scripted = scripted.finish();
    let Stage::Result(result) = scripted.conductor.view().stage else { panic!("no result") };
    assert_eq!(result.outcome, Outcome::AllTrials);
    assert_eq!(result.counts.qualification.correct, 6);
    assert!(result.counts.comparisons.iter().all(|count| count.correct == count.trials));
}

#[test]
fn a_rest_is_offered_after_the_sessions_minutes_of_listening() {
    let mut draft = kit::draft(kit::terms(Protocol::Abx));
    draft.terms.rest_after_minutes = 0.05;
    let mut scripted = kit::in_memory(&draft, 13);
    let mut offered = 0;
    loop {
        if let Stage::Rest { offered: true, listened_ms, .. } = scripted.conductor.view().stage {
            offered += 1;
            assert!(listened_ms >= 3000, "{listened_ms}");
        }
        if !scripted.step() {
            break;
        }
    }
    assert!(offered >= 2, "{offered} rests");
    let (_folder, path) = kit::written(&scripted.journal.bytes);
    let checked = kit::check(&path);
    assert!(checked.is_sound());
    assert_eq!(checked.rests, offered);
}

#[test]
fn the_sequential_rule_ends_the_sitting_when_it_has_decided() {
    use earwitness::trial::Decision;
    use earwitness::trial::record::StoppingTerms;
    let mut draft = kit::draft(kit::terms(Protocol::Abx));
    draft.terms.trials = 60;
    draft.terms.stopping = StoppingTerms::Sequential { alpha: 0.05, beta: 0.1, proportion: 0.75 };
    draft.simulated = Some(1.0);
    let mut scripted = kit::in_memory(&draft, 14);
    scripted.answering = kit::Answering::Right;
    let scripted = scripted.finish();
    let Stage::Result(result) = scripted.conductor.view().stage else { panic!("no result") };
    assert_eq!(result.outcome, Outcome::Sequential);
    assert_eq!(result.decisions, [Decision::Difference, Decision::Difference]);
    // ln((1 - .1)/.05) / ln(.75/.5) = 7.13: eight right answers in a row decide.
    assert!(result.counts.comparisons.iter().all(|count| (8..=9).contains(&count.trials)));
    let (_folder, path) = kit::written(&scripted.journal.bytes);
    let checked = kit::check(&path);
    assert!(checked.is_sound() && kit::has_verdict(&checked), "{:?}", checked.problems);
    assert_eq!(checked.decisions, [Decision::Difference, Decision::Difference]);
}

#[test]
fn the_wager_is_won_by_the_score_agreed_before() {
    let nobody = |why| Some(Settlement::Nobody(why));
    for (needed, won) in [(8, Settlement::Claimant), (9, Settlement::Skeptic)] {
        let mut draft = kit::full(Protocol::Abx);
        draft.listener = String::from("Ida");
        draft.terms.wager.as_mut().unwrap().needed = needed;
        draft.terms.qualification = None;
        // A person who happens to be right each time: the answers are taken from a simulated twin.
        let mut twin = draft.clone();
        twin.simulated = Some(1.0);
        let mut scripted = kit::in_memory(&twin, 15);
        scripted.answering = kit::Answering::Right;
        let scripted = scripted.finish();
        let Stage::Result(result) = scripted.conductor.view().stage else { panic!("no result") };
        assert_eq!(result.settlement, nobody(Why::Simulated), "nobody listened, nobody wins");
        let opening = kit::opening(&draft, &kit::secret(15));
        let counts = earwitness::trial::score::RunningCounts {
            counts: result.counts,
            decisions: Vec::new(),
            tracks: Vec::new(),
        };
        let settled = |opening: &earwitness::trial::Opening, outcome| {
            let ledger = earwitness::trial::ledger::Ledger::new(opening.clone()).unwrap();
            counts.settlement(&ledger, outcome)
        };
        assert_eq!(settled(&opening, Outcome::AllTrials), Some(won));
        assert_eq!(settled(&opening, Outcome::StoppedEarly), nobody(Why::Stopped));
        // Nothing was played, or it went into a file: nobody listened, nobody wins.
        for kind in [OutputKind::Silent, OutputKind::File] {
            let output = earwitness::trial::Output { kind, ..kit::silent() };
            let silent = earwitness::trial::Opening { output, ..opening.clone() };
            assert_eq!(settled(&silent, Outcome::AllTrials), nobody(Why::Silent), "{kind:?}");
        }
        // Somebody else's score pays nobody, however good it is; nor does a second try.
        let mut other = opening.clone();
        (other.listener, other.earlier) = ("Jorin".to_owned(), None);
        assert_eq!(settled(&other, Outcome::AllTrials), nobody(Why::NotTheClaimant));
        let before = |correct| EarlierSitting {
            commitment: Digest::of(b"an earlier one"),
            outcome: Some(Outcome::AllTrials),
            counted: earwitness::stats::tally::Tally { trials: 8, correct },
        };
        let mut second = earwitness::trial::Opening { earlier: Some(vec![before(2)]), ..opening.clone() };
        assert_eq!(settled(&second, Outcome::AllTrials), nobody(Why::Later { this: 2, of: 1 }));
        // Two together: the first alone decides nothing, both are added up.
        let deciding = Some(DecidingTerms::AllTogether { sittings: 2 });
        second.terms.wager.as_mut().unwrap().deciding = deciding;
        second.terms.wager.as_mut().unwrap().needed = needed + 2;
        assert_eq!(settled(&second, Outcome::AllTrials), Some(won));
        second.earlier = Some(Vec::new());
        assert_eq!(settled(&second, Outcome::AllTrials), nobody(Why::MoreToCome { this: 1, of: 2 }));
        second.earlier = Some(vec![EarlierSitting { outcome: None, ..before(8) }]);
        assert_eq!(settled(&second, Outcome::AllTrials), nobody(Why::EarlierOpen));
        second.earlier = Some(vec![before(8), before(8)]);
        assert_eq!(settled(&second, Outcome::AllTrials), nobody(Why::Later { this: 3, of: 2 }));
    }
}

/// A sitting of Ida's in the folder, answered right with this probability, in the order of draws of a secret.
fn idas(folder: &std::path::Path, seed: u64, steps: Option<usize>) -> std::path::PathBuf {
    let mut draft = kit::full(Protocol::Abx);
    draft.listener = String::from("Ida");
    draft.terms.qualification = None;
    let opened = Sittings::lock(folder, UTC).unwrap().open(draft, kit::secret(seed), None).unwrap();
    let path = opened.writer.path();
    let mut scripted = kit::in_folder(opened);
    match steps {
        Some(steps) => assert!((0..steps).all(|_| scripted.step())),
        None => drop(scripted.finish()),
    }
    path
}

#[test]
fn a_lost_bet_cannot_be_sat_again() {
    let folder = kit::folder();
    let earlier = |path: &std::path::Path| kit::check(path).opening.unwrap().earlier.unwrap();
    let first = idas(folder.path(), 1, None);
    assert!(earlier(&first).is_empty());
    let settled = kit::check(&first).settlement.unwrap();
    assert!(settled.claimant_won().is_some(), "{settled:?}");
    // The next one knows of it, whatever came of it, and decides nothing.
    let second = idas(folder.path(), 2, None);
    let told = earlier(&second);
    let checked = kit::check(&first);
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].commitment, checked.opening.as_ref().unwrap().commitment);
    assert_eq!(told[0].outcome, Some(Outcome::AllTrials));
    let Tally { trials, correct } = checked.total().unwrap();
    assert_eq!((told[0].counted.trials, told[0].counted.correct), (trials, correct));
    let settled = kit::check(&second).settlement.unwrap();
    assert_eq!(settled, Settlement::Nobody(Why::Later { this: 2, of: 1 }));
    // Nor does removing the journal help: the register announced it. Nor does leaving one in the middle.
    std::fs::remove_file(&first).unwrap();
    idas(folder.path(), 3, Some(3));
    let fourth = idas(folder.path(), 4, None);
    let told = earlier(&fourth);
    assert_eq!(
        told.iter().map(|one| one.outcome).collect::<Vec<_>>(),
        [None, Some(Outcome::AllTrials), None]
    );
    assert_eq!(kit::check(&fourth).settlement, Some(Settlement::Nobody(Why::Later { this: 4, of: 1 })));
}

/// Mode bits of every file in a folder, and of the folder itself under `.`.
fn modes(folder: &std::path::Path) -> Vec<(String, u32)> {
    let mode = |path: &std::path::Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    let mut modes: Vec<(String, u32)> =
        names(folder).into_iter().map(|name| (name.clone(), mode(&folder.join(&name)))).collect();
    modes.push((".".to_owned(), mode(folder)));
    modes
}

#[test]
fn nobody_else_reads_a_folder_before_its_sittings_are_closed() {
    let outer = kit::folder();
    let folder = outer.path().join("sittings");
    // What the umask of these tests lets others do, taken from a folder and a file that are made here.
    std::fs::create_dir(outer.path().join("plain")).unwrap();
    std::fs::write(outer.path().join("plain/file"), "").unwrap();
    let plain = modes(&outer.path().join("plain"));
    assert_ne!(plain[0].1 & 0o044, 0, "a umask that lets others read is needed to see a difference");
    let sittings = Sittings::lock(&folder, UTC).unwrap();
    let opened = sittings.open(kit::full(Protocol::Abx), kit::secret(1), None).unwrap();
    for (name, mode) in modes(&folder) {
        if name != ".lock" {
            assert_eq!(mode & 0o077, 0, "{name} can be read by others in mid-sitting");
        }
    }
    // Left in the middle: still nobody else's, also after the next one has come and gone.
    let mut scripted = kit::in_folder(opened);
    assert!((0..3).all(|_| scripted.step()));
    drop(scripted);
    assert_eq!(modes(&folder).last().unwrap().1, 0o700);
    let sittings = Sittings::lock(&folder, UTC).unwrap();
    let opened = sittings.open(kit::full(Protocol::Abx), kit::secret(2), None).unwrap();
    drop(kit::in_folder(opened).finish());
    assert_eq!(modes(&folder).last().unwrap().1, 0o700, "one is still open");
    // All closed: as the umask says.
    let sittings = Sittings::lock(&folder, UTC).unwrap();
    let name = sittings.unfinished()[0].journal.clone();
    let opened = sittings.resume(&name, UTC, kit::silent(), kit::secret(999), None).unwrap();
    drop(kit::in_folder(opened).finish());
    for (name, mode) in modes(&folder) {
        if name != ".lock" {
            assert_eq!(mode, if name == "." { plain[1].1 } else { plain[0].1 }, "{name}");
        }
    }
}
