//! How many keys it takes from the command to the first trial, and what a listener does not have to set again.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::time::Duration;

use earwitness::screen::{Input, Intent, Scene, Stage};
use earwitness::session;
use earwitness::sitting::{self, Ending, Face, FaceError, Resuming};
use earwitness::trial::{OutputKind, Record, journal};

use super::rig::{self, Sat, Setting, keys, sit};
use super::terminal::Terminal;
use crate::commands::PROGRAM;

/// Headings of everything that was shown, each once in a row.
fn headings(sat: &Sat) -> Vec<&str> {
    let mut found: Vec<&str> = sat.scenes.iter().map(heading).collect();
    found.dedup();
    found
}

pub(super) fn heading(scene: &Scene) -> &str {
    match &scene.stage {
        Stage::Page(page) => &page.heading,
        Stage::Trial(trial) => &trial.heading,
    }
}

fn pressed(script: &[Option<Input>]) -> usize {
    script.iter().filter(|input| input.is_some()).count()
}

/// The shipped bet, on a device, at 80 x 24: two people accept, each may type a hand, the level is raised to -12 dB.
#[test]
fn the_bet_comes_to_its_first_trial_in_fewer_than_ten_keys() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("session.toml");
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions/bet-at-home/session.toml");
    std::fs::copy(shipped, &file).expect("the session can be copied");
    let session = session::load(&file).unwrap_or_else(|error| panic!("{error}"));
    let mut setting = Setting::new(&session);
    setting.kind = OutputKind::Device;
    let script = keys(". Enter . Enter . Enter . Enter . + + + + . Enter .");
    let count = pressed(&script);
    assert!(count < 10, "{count} keys");
    let sat = sit(&setting, script);
    assert_eq!(
        headings(&sat),
        [
            "The terms, before anything is heard",
            "The seal: your hand and the computer's secret decide every trial",
            "Set the level",
            "Warm-up 1 of 2",
        ]
    );
    let finished = sat.result.expect("it ran");
    assert_eq!(finished.ending, Ending::Left);
    let records = journal::read(&finished.journal).expect("it reads").records;
    let parties: Vec<&str> = records
        .iter()
        .filter_map(|record| if let Record::Accepted { by, .. } = record { Some(by.as_str()) } else { None })
        .collect();
    assert_eq!(parties, ["Ida", "Jorin"], "both accepted");
    assert!(
        records.iter().any(|record| matches!(record, Record::Level { level_db, .. } if *level_db == -12.0))
    );
}

/// A person who reads the terms until nothing is being prepared behind them, and goes on to the level.
struct Reader<'r> {
    /// Told when the terms have been shown.
    shown: Option<Sender<()>>,
    ready: &'r AtomicBool,
    /// Headings, and whether the stimuli were ready by then.
    seen: Vec<(String, bool)>,
    /// Nothing is done on what is shown but to wait.
    waits: bool,
}

impl Face for Reader<'_> {
    fn show(&mut self, scene: &Scene) -> Result<(), FaceError> {
        let ready = self.ready.load(Ordering::SeqCst);
        let seen = (heading(scene).to_owned(), ready);
        if self.seen.last() != Some(&seen) {
            self.seen.push(seen);
        }
        self.waits = matches!(&scene.stage, Stage::Page(page) if page.progress.is_some());
        if let Some(shown) = self.shown.take() {
            shown.send(()).expect("somebody prepares");
        }
        Ok(())
    }

    fn wait(&mut self, _wait: Duration) -> Result<Vec<Intent>, FaceError> {
        std::thread::yield_now();
        let over = self.seen.last().is_some_and(|(heading, _)| heading == "Set the level");
        Ok(match (over, self.waits) {
            (true, _) => vec![Intent::Leave],
            (false, true) => Vec::new(),
            (false, false) => vec![Intent::Proceed],
        })
    }
}

/// No clock decides this: the preparation ends only after the terms were shown, and the level is shown only after it ended.
#[test]
fn in_every_shipped_session_the_terms_come_first_and_the_stimuli_are_ready_before_the_level() {
    for name in ["bet-at-home", "club-night", "reviewer-panel"] {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions").join(name).join("session.toml");
        let mut session = session::load(&shipped).unwrap_or_else(|error| panic!("{error}"));
        session.folder = folder.path().to_path_buf();
        session.facts.clear();
        let mut setting = Setting::new(&session);
        setting.kind = OutputKind::Device;
        let ready = Arc::new(AtomicBool::new(false));
        let (shown, was_shown) = channel();
        let (_, _, seen) = rig::in_front(&setting, Vec::new(), |environment, _| {
            let mut environment = environment.clone();
            let (made, is_ready) = (environment.prepare.clone(), Arc::clone(&ready));
            let was_shown = std::sync::Mutex::new(was_shown);
            environment.in_background = true;
            environment.prepare = Arc::new(move |session, progress| {
                progress.step(1, 2, "measuring");
                was_shown.lock().expect("nobody panicked").recv().expect("somebody reads");
                let stimuli = made(session, progress);
                is_ready.store(true, Ordering::SeqCst);
                stimuli
            });
            let mut reader = Reader { shown: Some(shown), ready: &ready, seen: Vec::new(), waits: true };
            let finished = sitting::conduct(&rig::request(&setting), &environment, &mut reader);
            assert_eq!(finished.expect("it ran").ending, Ending::Left, "{name}");
            reader.seen
        });
        let first = ("The terms, before anything is heard".to_owned(), false);
        assert_eq!(seen.first(), Some(&first), "{name}: {seen:?}");
        let last = ("Set the level".to_owned(), true);
        assert_eq!(seen.last(), Some(&last), "{name}: {seen:?}");
        assert!(seen.iter().all(|(heading, _)| !heading.starts_with("Preparing")), "{name}: {seen:?}");
    }
}

#[test]
fn the_demonstration_comes_to_its_first_trial_in_three_keys() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let line = ["demo", "--silent", "--dir", "here"];
    let mut terminal = Terminal::start(folder.path(), Path::new(PROGRAM), &line, &[]);
    for page in ["Enter accept", "your hand (an empty line: none)", "Enter start"] {
        terminal.wait(&[page]);
        terminal.press("\r");
    }
    terminal.wait(&["Trial 1 of 12"]);
    terminal.press("\x03");
    terminal.end();
}

/// A loop is kept for its clip from trial to trial, a level over an interruption; a level from before plays nothing until it
/// is kept.
#[test]
fn a_loop_is_kept_over_trials_and_a_level_over_an_interruption() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = rig::session(folder.path(), "abx", 3, "", "");
    let mut setting = Setting::new(&session);
    setting.kind = OutputKind::Device;
    let first = sit(
        &setting,
        keys(". Enter . Enter . + + + . Enter . x . . [ . . ] . j Enter . x . j Enter . w x . ."),
    );
    assert_eq!(first.result.as_ref().expect("it ran").ending, Ending::Left);
    let regions: Vec<(String, bool)> = first
        .scenes
        .iter()
        .filter_map(|scene| match &scene.stage {
            Stage::Trial(trial) => Some((trial.heading.clone(), trial.region.is_some())),
            Stage::Page(_) => None,
        })
        .collect();
    let ever = |heading: &str, looped: bool| regions.contains(&(heading.to_owned(), looped));
    assert!(ever("Trial 1 of 3", true) && ever("Trial 2 of 3", true), "{regions:?}");
    assert!(!ever("Trial 2 of 3", false), "it was set before the trial was shown: {regions:?}");
    assert!(ever("Trial 3 of 3", true) && ever("Trial 3 of 3", false), "w ends it: {regions:?}");

    setting.resuming = Resuming::Resume;
    let again = sit(&setting, keys(". . Enter . . Enter . x . ."));
    assert!(headings(&again).contains(&"The level is as before"), "{:?}", headings(&again));
    let load = again.calls.iter().position(|call| call.starts_with("load")).expect("a trial is loaded");
    let play = again.calls.iter().position(|call| call == "play").expect("something is played");
    assert!(again.calls[load].matches('@').count() == 3 && load < play, "{:?}", again.calls);
    let path = again.result.expect("it ran").journal;
    let levels: Vec<f64> = journal::read(&path)
        .expect("it reads")
        .records
        .iter()
        .filter_map(|record| if let Record::Level { level_db, .. } = record { Some(*level_db) } else { None })
        .collect();
    assert_eq!(levels, [-18.0, -18.0]);

    // Set anew it begins at the softest; on another output nothing is kept.
    let anew = sit(&setting, keys(". . Enter . . + . + . Enter . x . ."));
    let path = anew.result.expect("it ran").journal;
    let text = std::fs::read_to_string(path).expect("the journal");
    assert!(text.lines().any(|line| line.contains("\"level_db\":-30.0")), "{text}");
}

/// A listener who gives no hand takes nobody else's away: Tab is somebody else's turn, and in a wager the skeptic's comes last
/// whatever was pressed.
#[test]
fn somebody_else_may_give_a_hand_where_the_listener_gives_none() {
    for (tail, script, expected) in [
        ("", ". Enter . Tab . m i n e Enter . K a i Enter . Enter . .", &["Kai: mine"][..]),
        ("", ". Enter . Enter . .", &[]),
        (
            rig::WAGER,
            ". Enter . Enter . Tab . m i n e Enter . K a i Enter . Enter . l a s t Enter . .",
            &["Kai: mine", "Tomas: last"],
        ),
        (rig::WAGER, ". Enter . Enter . Enter . l a s t Enter . .", &["Tomas: last"]),
    ] {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let session = rig::session(folder.path(), "abx", 2, "", tail);
        let sat = sit(&Setting::new(&session), keys(script));
        assert_eq!(headings(&sat).last(), Some(&"The trials that count"), "{script}");
        let checked = crate::trial::kit::check(&sat.result.expect("it ran").journal);
        assert_eq!(checked.problems, []);
        let hands: Vec<String> =
            checked.hands.iter().map(|hand| format!("{}: {}", hand.by, hand.text())).collect();
        assert_eq!(hands, expected, "{script}");
    }
}
