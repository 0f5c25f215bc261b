//! The result: first the verdict in one sentence, then the score against chance, what it means, the receipt; then trial by
//! trial, as the journal has it.

use earwitness::screen::{Block, Mark, PageScene, Stage, StageKind, TrialScene, page};
use earwitness::sitting::Ending;
use earwitness::stats::Protocol;
use earwitness::trial::schedule::Draws;
use earwitness::trial::{Definition, Outcome, OutputKind, Side};

use super::played::{START, script};
use super::rig::{self, Sat, Setting, keys, sit};
use crate::blind;
use crate::commands::earwitness;

/// Goes through the first trials of an opened sitting and back to its result.
const LOOK: &str = " . . PgDn PgDn PgDn PgDn PgDn Enter . n . n x . [ . . ] w p . Esc . t . Esc . q";

fn verdict(sat: &Sat) -> &PageScene {
    let shown = sat.scenes.iter().find_map(|scene| match &scene.stage {
        Stage::Page(page) if page.kind == StageKind::Verdict => Some(page),
        _ => None,
    });
    shown.expect("a verdict was shown")
}

fn replays(sat: &Sat) -> Vec<&TrialScene> {
    let trials = sat.scenes.iter().filter_map(|scene| match &scene.stage {
        Stage::Trial(trial) if trial.kind == StageKind::Replay => Some(trial),
        _ => None,
    });
    trials.collect()
}

/// On a device, level left where it starts.
fn heard(session: &earwitness::session::Session, right: impl Fn(usize) -> bool, start: &str) -> Sat {
    let mut setting = Setting::new(session);
    setting.kind = OutputKind::Device;
    let text = script(session, |index, _| right(index)).replace(START, start);
    sit(&setting, keys(&format!("{text}{LOOK}")))
}

const ON_DEVICE: &str = ". PgDn PgDn PgDn Enter . h i Enter Enter . Enter .";

#[test]
fn the_verdict_comes_first_then_the_score_then_what_limits_it_then_the_receipt() {
    for (right, title) in [(9, "A difference was heard."), (5, "No difference was shown.")] {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let session = rig::session(folder.path(), "abx", 9, "", "");
        let sat = heard(&session, |index| index < right, ON_DEVICE);
        let page = verdict(&sat);
        assert_eq!(page.heading, title);
        let checked = crate::trial::kit::check(&sat.result.as_ref().expect("it ran").journal);
        let (_, _, findings) =
            earwitness::verdict::of_journal(&checked, &earwitness::verdict::OnPaper::default())
                .expect("closed");
        let found = &findings.comparisons[0].verdict;
        assert_eq!(page.heading, found.title, "screen and report say the same");
        let place =
            |wanted: &dyn Fn(&Block) -> bool| page.blocks.iter().position(wanted).expect("it is there");
        let order = [
            place(&|block| matches!(block, Block::Text(text) if *text == found.headline)),
            place(&|block| matches!(block, Block::Score { reached: Some(_), .. })),
            place(&|block| matches!(block, Block::Answers(_))),
            place(&|block| matches!(block, Block::Text(text) if *text == found.limits[0])),
            place(&|block| matches!(block, Block::Heading(text) if text.starts_with("Your receipt"))),
        ];
        assert!(order.is_sorted(), "{order:?}");
        // What is printed afterwards begins with it, too.
        assert_eq!(sat.result.expect("it ran").lines[0], title);
    }
}

/// In every protocol each trial is shown as it was: its sounds under their names, the answer as it was given, the mark as the
/// verifier has it; and what is played again is what was presented.
#[test]
fn trial_by_trial_is_what_the_journal_says() {
    for protocol in Protocol::ALL {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let head =
            if protocol == Protocol::TwoAfc { "attribute = \"rounder\"\nattribute_side = \"b\"" } else { "" };
        let session = rig::session(folder.path(), protocol.name(), 3, head, "");
        let sat = heard(&session, |index| index % 2 == 0, ON_DEVICE);
        let finished = sat.result.as_ref().unwrap_or_else(|error| panic!("{protocol}: {error}"));
        assert_eq!(finished.ending, Ending::Closed(Outcome::AllTrials), "{protocol}");
        let checked = crate::trial::kit::check(&finished.journal);
        assert_eq!(
            checked.problems,
            [],
            "{protocol}: going through the trials leaves nothing in the journal"
        );
        let opening = checked.opening.as_ref().expect("an opening");
        let definition = Definition::of(protocol);
        let (replays, page) = (replays(&sat), verdict(&sat));
        let list = page::plain_lines(&page.folds[0].blocks, 200).join("\n");
        for (index, answered) in checked.answers.iter().enumerate() {
            let said = definition.alternatives[answered.answer.expect("answered")].label(Some("rounder"));
            assert!(
                list.lines().nth(index).expect("a line").contains(&format!("You said: {said}.")),
                "{list}"
            );
            let Some(scene) = replays.iter().find(|scene| scene.done as usize == index) else {
                panic!("{protocol}: trial {index} was not gone to");
            };
            assert!(
                scene.question.ends_with(&format!("You said: {said}.")),
                "{protocol}: {}",
                scene.question
            );
            let sides = answered.presented.expect("opened").sides(opening);
            let names: Vec<&str> =
                sides.iter().map(|side| if *side == Side::A { "flex" } else { "none" }).collect();
            let roles: Vec<&str> = scene.slots.iter().map(|slot| slot.role.as_str()).collect();
            assert_eq!(roles, names, "{protocol}");
            let mark = match answered.right {
                Some(true) => Mark::Right,
                Some(false) => Mark::Wrong,
                None => Mark::Neither,
            };
            assert_eq!(scene.trail[index], mark, "{protocol}");
        }
        let closed = format!("load {}", vec!["16000x1@8000"; definition.slots.len()].join(" "));
        let loads = sat.calls.iter().filter(|call| **call == closed).count();
        assert!(loads >= 2 * 3, "{protocol}: each trial is loaded again: {:?}", sat.calls);
    }
}

/// Where the seal drew which cable is A, the result says which it was, and the trials are gone through under those names.
#[test]
fn the_result_names_the_cable_that_was_drawn_as_a() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let panel = "[panel]\nlisteners = 4\ncable_a = \"drawn\"";
    let draft = {
        let session = rig::session(folder.path(), "abx", 2, "", panel);
        blind::draft_of_session(&session, &rig::stimuli(&session))
    };
    for exchanged in [false, true] {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let session = rig::session(folder.path(), "abx", 2, "", panel);
        let mut setting = Setting::new(&session);
        setting.kind = OutputKind::Device;
        setting.secret = (0..50)
            .map(blind::secret)
            .find(|secret| {
                let draws = Draws::new(&blind::opening(&draft, secret), secret.key(2, [b"hi".as_slice()]));
                draws.once().expect("drawn once").is_exchanged(0) == exchanged
            })
            .expect("one of fifty");
        let answer = " a . b . x . j Enter .";
        let sat = sit(&setting, keys(&format!("{ON_DEVICE}{answer}{answer}{LOOK}")));
        let (a, b) = if exchanged { ("none", "flex") } else { ("flex", "none") };
        let wanted = Block::pair("Drawn", format!("flex-none: A was {a}, B was {b}"));
        let page = verdict(&sat);
        assert!(page.blocks.contains(&wanted), "{:?}", page.blocks);
        let replays = replays(&sat);
        assert!(!replays.is_empty());
        for trial in replays {
            let roles: Vec<&str> = trial.slots.iter().map(|slot| slot.role.as_str()).collect();
            assert_eq!(roles[..2], [a, b], "{}", trial.heading);
            let x = if trial.question.starts_with("X was A.") { a } else { b };
            assert_eq!(roles[2], x, "{}", trial.question);
        }
    }
}

#[test]
fn stopped_early_and_not_qualified_say_so_first() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = rig::session(folder.path(), "abx", 4, "", "");
    let mut setting = Setting::new(&session);
    setting.kind = OutputKind::Device;
    let stopped = sit(&setting, keys(&format!("{ON_DEVICE} x . . j Enter . q s . Enter{LOOK}")));
    assert_eq!(verdict(&stopped).heading, "Stopped before the end: no verdict.");

    let folder = tempfile::tempdir().expect("a temporary folder");
    let control = "[[controls]]\nkind = \"level\"\namount = \"3 dB\"\ntrials = 1";
    let qualification = "qualification = { trials = 4, correct = 3 }";
    let session = rig::session(folder.path(), "triangle", 2, qualification, control);
    let missed = heard(&session, |_| false, ON_DEVICE);
    assert_eq!(verdict(&missed).heading, "The qualification was not passed.");
    assert_eq!(replays(&missed)[0].heading, "Qualification 1 of 4: wrong. The seal is open.");

    // Nobody can go through the trials of a sitting that is only left.
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = rig::session(folder.path(), "abx", 4, "", "");
    let left = sit(
        &Setting::new(&session),
        keys(". Enter . h i Enter Enter . Enter . x . . j Enter . n . p . t . Ctrl-C"),
    );
    assert_eq!(left.result.as_ref().expect("it ran").ending, Ending::Left);
    assert_eq!(replays(&left).len(), 0);
}

/// At the end, and only there, a word writes the report: the one that the command writes.
#[test]
fn the_report_is_a_word_away_once_the_seal_is_open() {
    crate::unless_sound_drops_out(|| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        rig::session(folder.path(), "abx", 2, "", "");
        let arguments = ["run", ".", "--listener", "Mara", "--plain", "--output", "silent"];
        let answer = "x\nwait 1.2\nanswer 1\nrecord\n";
        // Where the report's folder should be lies a file, and in the first trial there is no such word.
        let report = folder.path().join("report");
        std::fs::write(&report, "in the way").expect("written");
        let typed = format!("\n\n\n\nreport\n{answer}{answer}report\nleave\n");
        let ran = rig::piped(folder.path(), &arguments, &typed);
        assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
        assert_eq!(ran.out.matches("\"report\" is not understood here.").count(), 1, "{}", ran.out);
        assert!(ran.out.contains("There is no report."), "{}", ran.out);
        assert_eq!(std::fs::read_to_string(&report).expect("it is there"), "in the way");

        std::fs::remove_file(&report).expect("removed");
        let ran = rig::piped(folder.path(), &arguments, &format!("\n\n\n\n{answer}{answer}report\nleave\n"));
        assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
        assert!(
            ran.out.contains("Type trials, or report, or leave") && ran.out.contains("Written: "),
            "{}",
            ran.out
        );
        let named = ran.out.lines().rev().find_map(|line| line.strip_prefix("Report: ")).expect("its place");
        let page = std::fs::read_to_string(folder.path().join(named)).expect("the page");
        let command = earwitness(folder.path(), &["report", "."]);
        assert_eq!(command.code, 0, "{}", command.err);
        assert!(
            page == std::fs::read_to_string(report.join("report.html")).expect("the page"),
            "the same page"
        );
    });
}
