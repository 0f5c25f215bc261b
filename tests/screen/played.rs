//! Whole sittings played by keys through the screen, with the real conductor, journal and verifier. What was drawn is
//! re-derived from the secret that these sittings are given, so that a script can be right or wrong on purpose.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use earwitness::clip::dither::WordLength;
use earwitness::player::PlayerEvent;
use earwitness::screen::render::body;
use earwitness::screen::trial_stage::{Spot, spot};
use earwitness::screen::{Input, Notice, Scene, Stage, StageKind, page};
use earwitness::session::Session;
use earwitness::sitting::Ending;
use earwitness::stats::tally::Tally;
use earwitness::trial::OutputKind;
use earwitness::trial::record::StimulusTerms;
use earwitness::trial::schedule::{Draws, Presented, Subject};
use earwitness::trial::wager::Settlement;
use earwitness::trial::{Definition, Outcome, Part, Record, Terms, TrialId, journal, verify};

use super::rig::{self, Sat, Setting, keys, sit};
use crate::trial::kit;

/// The hand that every script types.
const HAND: &str = "hi";
/// From the terms to the first announcement: one party, one hand with a name.
pub(super) const START: &str = ". PgDn PgDn PgDn PgDn PgDn PgDn Enter . h i Enter Enter . PgDn PgDn Enter .";
/// Reads the result to its end and closes it.
const END: &str = " . . PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn Enter . n . p Esc . q";

/// Everything that a sitting of this session draws, attempt by attempt; `voids` are the trials (of the main part) whose
/// first attempt is disturbed.
fn drawn(session: &Session, voids: &[u32]) -> Vec<Presented> {
    let draft = earwitness::trial::Draft {
        stimuli: StimulusTerms::of(&rig::stimuli(session)),
        ..kit::draft(Terms::of(session))
    };
    let opening = kit::opening(&draft, &rig::secret());
    let mut draws = Draws::new(&opening, rig::secret().key(2, [HAND.as_bytes()]));
    let mut found = Vec::new();
    for part in [Part::Qualification, Part::WarmUp, Part::Main] {
        for trial in 1..=earwitness::trial::schedule::trials_of(&opening, part) {
            let attempts = 1 + u32::from(part == Part::Main && voids.contains(&trial));
            for attempt in 1..=attempts {
                found.push(draws.present(TrialId { part, trial, attempt }).expect("it was drawn"));
            }
        }
    }
    found
}

/// Index of the right alternative of an attempt.
fn right(session: &Session, presented: &Presented) -> usize {
    let draft = earwitness::trial::Draft {
        stimuli: StimulusTerms::of(&rig::stimuli(session)),
        ..kit::draft(Terms::of(session))
    };
    presented.right(&kit::opening(&draft, &rig::secret())).unwrap_or(0)
}

/// Listens to everything and records the alternative with this index.
fn answer(session: &Session, choice: usize, confidence: Option<u8>) -> String {
    let mut text = String::new();
    for slot in Definition::of(session.protocol).slots {
        let _ = write!(text, " {} .", slot.label.to_lowercase());
    }
    text.push_str(&" Down".repeat(choice + 1));
    text.push_str(" Enter");
    if let Some(sure) = confidence {
        let _ = write!(text, " . {sure}");
    }
    text.push_str(" .");
    text
}

/// A script that answers every attempt, right where `hears` says so, and goes on from each announcement.
pub(super) fn script(session: &Session, hears: impl Fn(usize, &Presented) -> bool) -> String {
    let count = Definition::of(session.protocol).alternatives.len();
    let mut text = String::from(START);
    let mut part = None;
    for (index, presented) in drawn(session, &[]).iter().enumerate() {
        if part.is_some_and(|part| part != presented.id.part) {
            text.push_str(" . PgDn PgDn Enter .");
        }
        part = Some(presented.id.part);
        let right = right(session, presented);
        let choice = if hears(index, presented) { right } else { (right + 1) % count };
        text.push_str(&answer(session, choice, session.confidence.then_some(1 + (index % 5) as u8)));
    }
    text
}

fn played(session: &Session, text: &str) -> Sat {
    sit(&Setting::new(session), keys(&format!("{text}{END}")))
}

/// What a page said, also behind its keys, in plain lines; empty for a trial.
fn words(scene: &Scene) -> String {
    match &scene.stage {
        Stage::Page(shown) => {
            let folds = shown.folds.iter().flat_map(|fold| &fold.blocks);
            let blocks: Vec<_> = shown.blocks.iter().chain(folds).cloned().collect();
            format!("{}\n{}", shown.heading, page::plain_lines(&blocks, 78).join("\n"))
        }
        Stage::Trial(_) => String::new(),
    }
}

fn said(sat: &Sat, text: &str) -> bool {
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    sat.scenes
        .iter()
        .any(|scene| words(scene).split_whitespace().collect::<Vec<_>>().join(" ").contains(&text))
}

fn closed(sat: &Sat, outcome: Outcome) -> verify::Checked {
    let finished = sat.result.as_ref().unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(finished.ending, Ending::Closed(outcome), "{:?}", sat.scenes.last().map(words));
    let checked = kit::check(&finished.journal);
    assert!(checked.is_sound(), "{:?}", checked.problems);
    checked
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

const SEQUENTIAL: &str =
    "stopping = { kind = \"sequential\", alpha = 0.05, beta = 0.1, proportion = 0.75 }\nwarm_up = 1";

#[test]
fn a_sequential_rule_ends_the_sitting_early_and_says_so() {
    let folder = folder();
    let session = rig::session(folder.path(), "abx", 60, SEQUENTIAL, "");
    let heard = played(&session, &script(&session, |_, _| true));
    let checked = closed(&heard, Outcome::Sequential);
    // ln((1 - .1)/.05) / ln(.75/.5) = 7.13: eight right answers in a row decide.
    assert_eq!(checked.total(), Some((8, 8).into()));
    let session_rule =
        earwitness::stats::sequential::SequentialTest::new(session.protocol, 0.05, 0.1, 0.75, 60)
            .expect("a rule");
    for (proportion, words) in [(0.5, "of guessers, after"), (0.75, "of sittings: \"no difference\" in")] {
        let exact = session_rule.exact(proportion).expect("a proportion");
        let risk = if proportion == 0.5 { exact.difference } else { 1.0 - exact.difference };
        assert!(
            said(&heard, &format!("{} {words}", earwitness::units::printed::percent(risk))),
            "{risk} {words}"
        );
    }
    assert!(said(&heard, "at most 60 that count"));
    assert!(said(&heard, "at most 60 trials") && said(&heard, "after each answer Wald's test decides"));
    assert!(said(&heard, "The agreed rule for stopping has decided, after 8 of at most 60"));

    let folder = self::folder();
    let session = rig::session(folder.path(), "abx", 60, SEQUENTIAL, "");
    let guessed = played(&session, &script(&session, |index, _| index % 2 == 0));
    let checked = closed(&guessed, Outcome::Sequential);
    let Tally { trials, correct } = checked.total().expect("it is closed");
    assert!(trials < 60 && correct < trials, "{correct} of {trials}");
    assert!(said(&guessed, &format!("after {trials} of at most 60 trials that count")));
}

#[test]
fn a_rest_is_offered_after_the_agreed_minutes_and_taken_on_a_key() {
    let folder = folder();
    let session = rig::session(folder.path(), "abx", 3, "rest_after = \"2 min\"", "");
    let mut setting = Setting::new(&session);
    // A second and a half passes with each key: twenty of them are half a minute of listening.
    setting.pace = 30;
    let mut text = String::from(START);
    // Also with an answer chosen and not recorded: it is still chosen after the rest.
    text.push_str(" x Down z . Enter . Esc");
    for trial in 0..3 {
        let _ = write!(text, " x{}", " .".repeat(if trial == 1 { 90 } else { 3 }));
        text.push_str(" Down Enter .");
        if trial == 1 {
            text.push_str(" . . Enter .");
        }
    }
    let sat = sit(&setting, keys(&format!("{text}{END}")));
    let checked = closed(&sat, Outcome::AllTrials);
    assert_eq!(checked.rests, 2);
    let rests: Vec<String> =
        sat.scenes.iter().map(words).filter(|text| text.contains("Rest your ears")).collect();
    assert!(rests.iter().any(|text| text.contains("Ears tire before you")), "{rests:?}");
    assert!(rests.iter().any(|text| text.contains("Trial 3 of 3")), "{rests:?}");
    assert!(rests.iter().any(|text| text.contains("less than a minute")), "{rests:?}");
}

const QUALIFICATION: &str = "qualification = { trials = 4, correct = 3 }\nwarm_up = 1";
const LEVEL: &str = "[[controls]]\nkind = \"level\"\namount = \"3 dB\"\ntrials = 1";

#[test]
fn a_qualification_is_passed_or_ends_the_sitting() {
    for (missed, outcome) in [(1, Outcome::AllTrials), (2, Outcome::NotQualified)] {
        let folder = folder();
        let session = rig::session(folder.path(), "triangle", 2, QUALIFICATION, LEVEL);
        let sat = played(&session, &script(&session, |index, _| index >= missed));
        let checked = closed(&sat, outcome);
        assert!(said(&sat, "3 of them must be right, or the trials that count do not start"));
        let counts = checked.counts.clone().expect("it is closed");
        assert_eq!((counts.qualification.correct, counts.qualification.trials), (4 - missed as u64, 4));
        let lines = sat.result.as_ref().expect("it ran").lines.join(" ");
        assert!(lines.contains(&format!("{} right of 4", 4 - missed)), "{lines}");
        let refused = lines.contains("the agreed 3 of 4 was not reached");
        assert_eq!(refused, outcome == Outcome::NotQualified, "{lines}");
        assert_eq!(kit::has_verdict(&checked), outcome == Outcome::AllTrials);
        assert_eq!(counts.comparisons[0].trials, if refused { 0 } else { 2 });
        assert_eq!(counts.warm_up.trials, u64::from(!refused));
    }
}

#[test]
fn a_wager_is_confirmed_by_both_and_decided_in_the_words_agreed_before() {
    // Six trials at 5 %: six right are needed.
    for (missed, words, wins) in [
        (0, "Mara wins: Tomas cooks for four", Some(true)),
        (1, "Tomas wins: Mara never mentions cables at dinner again", Some(false)),
    ] {
        let folder = folder();
        let session = rig::session(folder.path(), "abx", 6, "", rig::WAGER);
        let mut setting = Setting::new(&session);
        setting.kind = OutputKind::Device;
        // The second party accepts too; the level is set before the first announcement.
        let text = script(&session, |index, _| index >= missed).replace(
            START,
            ". PgDn PgDn PgDn Enter . PgDn PgDn PgDn Enter . h i Enter Enter Enter . Enter .",
        );
        let sat = sit(&setting, keys(&format!("{text}{END}")));
        let checked = closed(&sat, Outcome::AllTrials);
        assert_eq!(checked.settlement.and_then(Settlement::claimant_won), wins);
        let records = journal::read(&checked.file).expect("it reads").records;
        let accepted: Vec<&str> = records
            .iter()
            .filter_map(|record| match record {
                Record::Accepted { by, .. } => Some(by.as_str()),
                _ => None,
            })
            .collect();
        assert_eq!(accepted, ["Mara", "Tomas"]);
        let asks = |party: &str| {
            sat.scenes.iter().any(
                |scene| matches!(&scene.stage, Stage::Page(page) if page.proceed.as_deref() == Some(party)),
            )
        };
        assert!(asks("Mara accepts") && asks("Tomas accepts"));
        for agreed in [
            "Score needed",
            "6 of 6 right",
            "a guesser gets there once in 64 tests",
            "75 % of the time fails in 82 of 100 such tests",
            "in 47 of 100 such tests",
        ] {
            assert!(said(&sat, agreed), "{agreed}");
        }
        let lines = sat.result.expect("it ran").lines.join(" ");
        assert!(lines.contains(words), "{lines}");
    }
}

const MANY: &str = r#"
[cables.thin]
construction = "parallel-pair"
length = "6 m"
conductor = "0.5 mm2"
spacing = "3 mm"
[clips.slow]
synth = "slow-chord"
length = "2 s"
[[comparisons]]
name = "thin-none"
a = "thin"
b = "none"
clips = ["plucked", "slow"]
[[controls]]
kind = "level"
amount = "2 dB"
trials = 2
[[controls]]
kind = "tilt"
amount = "2 dB"
trials = 2
[[controls]]
kind = "head-movement"
amount = "10 cm"
trials = 2
[[controls]]
kind = "identical"
trials = 2
"#;

#[test]
fn comparisons_clips_and_every_kind_of_control_are_shuffled_and_look_alike() {
    for protocol in ["abx", "duo-trio"] {
        let folder = folder();
        let session = rig::session(folder.path(), protocol, 4, "confidence = true", MANY);
        let sat = played(&session, &script(&session, |index, _| index % 3 > 0));
        let checked = closed(&sat, Outcome::AllTrials);
        let counts = checked.counts.clone().expect("it is closed");
        assert!(counts.comparisons.iter().all(|count| count.trials == 4), "{counts:?}");
        assert!(counts.controls.iter().all(|count| count.trials == 2), "{counts:?}");
        let lines = sat.result.as_ref().expect("it ran").lines.join("\n");
        for control in ["level", "tilt", "head-movement", "identical"] {
            assert!(lines.contains(&format!("Control: {control}")), "{control} is missing in\n{lines}");
        }
        // Blocks: each holds both comparisons, controls aside; both clips come equally often.
        let order: Vec<Subject> =
            checked.answers.iter().map(|answer| answer.presented.expect("opened").subject).collect();
        let compared: Vec<&Subject> =
            order.iter().filter(|subject| matches!(subject, Subject::Comparison(_))).collect();
        assert!(compared.chunks(2).all(|block| block[0] != block[1]), "{order:?}");
        let tail = order.iter().rev().take_while(|subject| matches!(subject, Subject::Control(_))).count();
        assert!(tail < 8, "the controls are shuffled in: {order:?}");
        let mut clips: BTreeMap<usize, u32> = BTreeMap::new();
        let opening = checked.opening.as_ref().expect("an opening");
        for answer in checked.answers.iter().filter(|answer| answer.control().is_none()) {
            if opening.stimuli[answer.presented.expect("opened").stimulus].comparison == 1 {
                *clips
                    .entry(opening.stimuli[answer.presented.expect("opened").stimulus].clip)
                    .or_default() += 1;
            }
        }
        assert_eq!(clips.values().copied().collect::<Vec<_>>(), [2, 2]);
        // Nothing that a trial shows tells what it is about.
        let mut alike: Vec<_> = sat
            .scenes
            .iter()
            .filter_map(|scene| match &scene.stage {
                Stage::Trial(trial) if trial.kind != StageKind::Replay => {
                    Some((trial.about.clone(), trial.length.to_bits(), trial.question.clone()))
                }
                Stage::Trial(_) | Stage::Page(_) => None,
            })
            .filter(|(_, _, question)| !question.contains("sure"))
            .collect();
        alike.dedup();
        assert_eq!(alike.len(), 1, "{alike:?}");
        // Confidence is asked with each answer, and each step is taken.
        let sure: Vec<u8> = checked.answers.iter().filter_map(|answer| answer.confidence).collect();
        assert_eq!(sure.len(), 16);
        assert!((1..=5).all(|step| sure.contains(&step)), "{sure:?}");
    }
}

/// The first cell of a spot on the trial screen of a scene.
fn cell(scene: &Scene, wanted: Spot) -> Input {
    let Stage::Trial(trial) = &scene.stage else { panic!("no trial") };
    for row in 0..24 {
        for column in 0..80 {
            let found = spot(body(80, 24), scene, trial, column, row);
            let same = match (found, wanted) {
                (Some(Spot::Time(seconds)), Spot::Time(near)) => (seconds - near).abs() < 0.05,
                (found, wanted) => found == Some(wanted),
            };
            if same {
                return Input::Click { column, row };
            }
        }
    }
    panic!("{wanted:?} is nowhere on the screen");
}

#[test]
fn a_sitting_can_be_played_with_the_mouse() {
    let folder = folder();
    let session = rig::session(folder.path(), "triangle", 2, "confidence = true", "");
    // What the screen looks like before and after an answer was chosen, and where confidence is asked: as by keys.
    let keyed = played(&session, &script(&session, |_, _| true));
    closed(&keyed, Outcome::AllTrials);
    let find = |wanted: fn(&earwitness::screen::TrialScene) -> bool| {
        keyed
            .scenes
            .iter()
            .find(|scene| matches!(&scene.stage, Stage::Trial(trial) if wanted(trial)))
            .expect("such a scene was shown")
    };
    let listening = find(|trial| trial.kind == StageKind::Trial && trial.chosen.is_none());
    let chosen = find(|trial| trial.kind == StageKind::Trial && trial.chosen.is_some());
    let asked = find(|trial| trial.kind == StageKind::Confidence);
    let folder = self::folder();
    let session = rig::session(folder.path(), "triangle", 2, "confidence = true", "");
    let mut script = keys(START);
    for trial in 0..2_u8 {
        for slot in 0..3 {
            script.extend([Some(cell(listening, Spot::Slot(slot))), None]);
        }
        script.push(Some(cell(listening, Spot::Time(1.0))));
        script.push(Some(Input::Wheel(2)));
        script.push(Some(cell(listening, Spot::Answer(usize::from(trial)))));
        script.push(Some(cell(chosen, Spot::Record)));
        script.push(Some(cell(asked, Spot::Confidence(trial + 4))));
        script.push(None);
    }
    script.extend(keys(END));
    let sat = sit(&Setting::new(&session), script);
    let checked = closed(&sat, Outcome::AllTrials);
    let answers: Vec<_> = checked.answers.iter().map(|answer| (answer.answer, answer.confidence)).collect();
    assert_eq!(answers, [(Some(0), Some(4)), (Some(1), Some(5))]);
    assert!(checked.answers.iter().all(|answer| answer.listening.listens == [1, 1, 1]));
    assert!(sat.calls.iter().any(|call| call.starts_with("seek")), "{:?}", sat.calls);
}

/// On a busy machine every attempt may drop out: the listener is not left to wonder.
#[test]
fn sound_that_drops_out_again_and_again_says_what_to_do() {
    let folder = folder();
    let session = rig::session(folder.path(), "abx", 3, "", "");
    let mut setting = Setting::new(&session);
    (setting.disturb_after, setting.disturb_times) = (3, 3);
    let sat = sit(&setting, keys(&format!("{START}{}", " x . . . . . .".repeat(4))));
    let mut notices: Vec<&str> =
        sat.scenes.iter().filter_map(|scene| scene.notice.as_ref().map(Notice::text)).collect();
    notices.retain(|notice| notice.contains("drawn again"));
    notices.dedup();
    assert_eq!(
        notices,
        [
            "This trial is drawn again and repeated: the sound dropped out.",
            "This trial is drawn again and repeated: the sound dropped out. If that goes on, close other programs; leaving keeps \
             everything, and the same command goes on.",
        ]
    );
    assert!(
        sat.scenes
            .iter()
            .any(|scene| matches!(&scene.stage, Stage::Trial(trial) if trial.heading.contains("try 4")))
    );
}

#[test]
fn a_trial_is_void_when_the_sound_went_elsewhere_or_ran_at_another_rate() {
    for (event, cause) in [
        (PlayerEvent::DeviceChanged, "another device"),
        (PlayerEvent::RateSuspected { measured_hz: 43_900 }, "43900 Hz"),
        (PlayerEvent::Underrun, "dropped out"),
        (PlayerEvent::DeviceLost { reason: "it was unplugged".to_string() }, "it was unplugged"),
    ] {
        let folder = folder();
        let session = rig::session(folder.path(), "abx", 3, "", "");
        let mut setting = Setting::new(&session);
        setting.disturb_after = 3;
        setting.disturb_with = event.clone();
        let lost = matches!(event, PlayerEvent::DeviceLost { .. });
        let mut text = format!("{START} x . . . . .");
        if !lost {
            for presented in drawn(&session, &[1]).iter().filter(|presented| presented.id != first()) {
                text.push_str(&answer(&session, right(&session, presented), None));
            }
            text.push_str(END);
        }
        let sat = sit(&setting, keys(&text));
        let finished = sat.result.as_ref().unwrap_or_else(|error| panic!("{error}"));
        let checked = kit::check(&finished.journal);
        assert_eq!(checked.problems, [], "{event:?}");
        assert_eq!(checked.void, 1, "{event:?}");
        let void = checked.answers[0].void.as_ref().expect("the first attempt is void");
        assert!(void.cause.contains(cause), "{void:?}");
        if lost {
            assert!(said(&sat, "The sound device is gone"));
            continue;
        }
        // A fresh draw: right answers to what was drawn anew are right, and the count says what was repeated.
        closed(&sat, Outcome::AllTrials);
        assert_eq!(checked.answers[1].id, TrialId { attempt: 2, ..first() });
        assert_eq!(checked.total(), Some((3, 3).into()), "{event:?}");
        assert!(said(&sat, "1 trial was drawn again and repeated"), "{event:?}");
        let notices: Vec<&str> =
            sat.scenes.iter().filter_map(|scene| scene.notice.as_ref().map(Notice::text)).collect();
        assert!(notices.iter().any(|notice| notice.contains("drawn again and repeated")), "{notices:?}");
        assert!(sat.scenes.iter().any(
            |scene| matches!(&scene.stage, Stage::Trial(trial) if trial.heading == "Trial 1 of 3, second try: the first was not finished")
        ));
    }
}

/// While the level is set nothing is tested yet: what happens to the sound is written down, and no trial is lost.
#[test]
fn what_happens_to_the_sound_before_the_first_trial_is_noted_and_voids_nothing() {
    for (event, cause) in [
        (PlayerEvent::DeviceChanged, "the system moved the sound to another device"),
        (PlayerEvent::RateSuspected { measured_hz: 43_900 }, "the device seems to run at 43900 Hz"),
    ] {
        let folder = folder();
        let session = rig::session(folder.path(), "abx", 2, "", "");
        let mut setting = Setting::new(&session);
        (setting.kind, setting.format) = (OutputKind::Device, "s16");
        (setting.disturb_after, setting.disturb_with) = (2, event.clone());
        let level = ". PgDn PgDn PgDn PgDn PgDn PgDn Enter . h i Enter Enter . . . . . . Enter .";
        let text = script(&session, |_, _| true).replace(START, level);
        let sat = sit(&setting, keys(&format!("{text}{END}")));
        let checked = closed(&sat, Outcome::AllTrials);
        assert_eq!((checked.void, checked.total()), (0, Some((2, 2).into())), "{event:?}");
        let noted: Vec<&Record> = checked.noted.iter().map(|(_, record)| record).collect();
        let [
            Record::Note { text, .. },
            Record::Level { level_db, .. },
            Record::Resolution { resolved, .. },
            ..,
        ] = &noted[..]
        else {
            panic!("{noted:?}");
        };
        assert!(text.starts_with(cause), "{text}");
        let resolved = resolved.facts().expect("a bit depth");
        assert_eq!((resolved.word, resolved.noise_db, *level_db), (WordLength::Bits16, -93.3, -36.0));
        let notices: Vec<&str> =
            sat.scenes.iter().filter_map(|scene| scene.notice.as_ref().map(Notice::text)).collect();
        assert!(notices.iter().any(|notice| notice[1..].starts_with(&cause[1..])), "{notices:?}");
    }
}

fn first() -> TrialId {
    TrialId { part: Part::Main, trial: 1, attempt: 1 }
}
