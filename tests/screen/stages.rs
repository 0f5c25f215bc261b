//! Every stage at 80x24 and at 60x20, as (state, expected screen). No colour is involved: what can be read here can be
//! read on any terminal.

use earwitness::conduct::Stopped;
use earwitness::screen::keys::StageKind;
use earwitness::screen::model::Overlay;
use earwitness::screen::{
    Block, Input, Intent, Key, Mark, Model, Notice, Progress, Stage, TrialScene, update,
};
use earwitness::session::Session;
use earwitness::session::caution::Caution;
use earwitness::sitting::brief::{self, Around};
use earwitness::sitting::hands::{self, Turn};
use earwitness::sitting::pages;
use earwitness::sitting::passphrase::{self, Asking, Whose};
use earwitness::stats::Protocol;
use earwitness::trial::{Digest, Part, Stage as Stages, Terms, TrialId};

use crate::trial::kit;

use super::{abx, drawn, preparing, rig, scene, shown, slot, typing};

const CONTROLS: &str = r#"
[[controls]]
kind = "level"
amount = "2 dB"
trials = 2
"#;

fn session(protocol: &str, head: &str, tail: &str) -> Session {
    let folder = tempfile::tempdir().expect("a temporary folder");
    rig::session(folder.path(), protocol, 16, head, tail)
}

fn both(name: &str, stage: Stage) {
    for (columns, rows) in [(80, 24), (60, 20)] {
        insta::assert_snapshot!(format!("{name}-{columns}x{rows}"), shown(columns, rows, stage.clone()));
    }
}

#[test]
fn terms_with_a_wager() {
    let terms = Terms::of(&session("abx", "", &format!("{}{CONTROLS}", rig::WAGER)));
    let parties = ["Mara".to_string(), "Tomas".to_string()];
    let around = Around {
        standing: vec!["This is the first sitting.".to_string()],
        cautions: Caution::usual().to_vec(),
        remarks: vec!["A note.".to_string()],
        gone: None,
        changed: None,
    };
    let progress = Progress { label: "filtering".to_string(), done: 3, total: 8 };
    let waiting = brief::terms(&terms, &around, &parties, &[], Some(progress));
    assert_eq!(waiting.proceed.as_deref(), Some("Mara accepts"), "nobody has to wait for the stimuli");
    both("terms-preparing", Stage::Page(waiting));
    let half = brief::terms(&terms, &around, &parties, &parties[..1], None);
    assert_eq!(half.proceed.as_deref(), Some("Tomas accepts"));
    both("terms-half-accepted", Stage::Page(half.clone()));
    // Behind a key each waits whole: every caution, everything that is agreed on, every note.
    for (name, key, words) in
        [("cautions", 'c', "A changed copy of this program can look honest."), ("details", 't', "A note.")]
    {
        let scene = scene(Stage::Page(half.clone()));
        let mut model = Model::new(80, 24);
        let press = |model: &mut Model, key: Key| update(model, &scene, &Input::Key(key));
        assert_eq!(press(&mut model, Key::Character(key)), []);
        insta::assert_snapshot!(format!("terms-{name}-80x24"), drawn(&model, &scene));
        let mut read = drawn(&model, &scene);
        for _ in 0..9 {
            assert_eq!(press(&mut model, Key::Enter), [], "reading accepts nothing");
            read += &drawn(&model, &scene);
            if model.overlay == Overlay::None {
                break;
            }
        }
        assert!(read.contains(words), "{words} is missing in\n{read}");
        assert_eq!(press(&mut model, Key::Enter), [Intent::Proceed], "then it is the page again");
    }
}

#[test]
fn the_seal_and_its_hands() {
    let mut scripted = kit::in_memory(&kit::full(Protocol::Abx), 4);
    scripted.hands = vec![("Ottilie Invented", "amber"), ("", "river")];
    let ask = |scripted: &kit::Scripted<kit::Memory>, turn: Turn| {
        let view = scripted.conductor.view();
        let Stages::Sealing { hands: given, .. } = &view.stage else { panic!("not sealing") };
        Stage::Page(hands::page(&view, &turn, given))
    };
    while !matches!(scripted.conductor.view().stage, Stages::Sealing { .. }) {
        scripted.step();
    }
    both("seal", ask(&scripted, Turn::Listener("Ottilie Invented".to_string())));
    scripted.step();
    both("seal-others", ask(&scripted, Turn::Others));
    scripted.step();
    both("seal-skeptic", ask(&scripted, Turn::Skeptic("Jorin".to_string())));
    both("seal-who", Stage::Page(hands::whose(2)));
    let scene = scene(Stage::Page(typing()));
    let mut model = Model::new(60, 20);
    model.meet(&scene);
    model.typed = "a hand that is longer than the line it is typed on, and then some more of it".to_string();
    insta::assert_snapshot!("typing-60x20", drawn(&model, &scene));
}

#[test]
fn a_passphrase_is_not_shown() {
    let scene = scene(Stage::Page(passphrase::page(&Asking::New, Whose::OtherParty)));
    let mut model = Model::new(80, 24);
    model.meet(&scene);
    model.typed = "correct horse".to_string();
    let screen = drawn(&model, &scene);
    assert!(!screen.contains("horse") && screen.contains("•••••••••••••"), "{screen}");
}

#[test]
fn pages_between_trials() {
    let terms = Terms::of(&session("abx", "warm_up = 2", &format!("{}{CONTROLS}", rig::WAGER)));
    let at = |part, trial| TrialId { part, trial, attempt: 1 };
    let next = pages::announcement(&terms, at(Part::WarmUp, 1), 2, true);
    both("level", Stage::Page(pages::level(-18.0, -36.0, next)));
    let next = pages::announcement(&terms, at(Part::Main, 5), 18, true);
    both("level-kept", Stage::Page(pages::level_kept(-12.0, -36.0, next)));
    both("announce-warm-up", Stage::Page(pages::announce(&terms, at(Part::WarmUp, 1), 2, true, &[])));
    both("announce-main", Stage::Page(pages::announce(&terms, at(Part::Main, 1), 18, false, &[])));
    both(
        "rest",
        Stage::Page(pages::rest(1_230_000, true, at(Part::Main, 9), 18, Some(Digest::of(b"a record")))),
    );
    both("device-lost", Stage::Page(pages::device_lost("no block was asked for within 500 ms")));
    both("stop", Stage::Page(pages::confirm_stop(7)));
    let full = Stopped::Journal { reason: "no space left on device".to_string() };
    both("stopped", Stage::Page(pages::stopped(&full.to_string(), full.remedy())));
    both("resume", Stage::Page(pages::resume("2026-01-05T19:30:00Z", 5, Some(-12.0))));
    both("preparing", Stage::Page(preparing()));
}

fn trial(labels: &str, answers: &[&str]) -> TrialScene {
    TrialScene {
        slots: labels.chars().map(|label| slot(label, "")).collect(),
        answers: answers.iter().map(ToString::to_string).collect(),
        ..abx()
    }
}

#[test]
fn trials_of_every_protocol() {
    both("abx", Stage::Trial(abx()));
    let mut fresh = abx();
    (fresh.hearing, fresh.playing, fresh.region, fresh.chosen, fresh.position) =
        (None, false, None, None, 0.0);
    fresh.slots[2].unheard = true;
    both("abx-untouched", Stage::Trial(fresh));
    both(
        "duo-trio",
        Stage::Trial(trial("R12", &["1 is the same as the reference", "2 is the same as the reference"])),
    );
    both("triangle", Stage::Trial(trial("123", &["1 is different", "2 is different", "3 is different"])));
    let pairs = ["1 with 2, 3 with 4", "1 with 3, 2 with 4", "1 with 4, 2 with 3"];
    both("tetrad", Stage::Trial(trial("1234", &pairs)));
    both("two-afc", Stage::Trial(trial("12", &["1 is brighter", "2 is brighter"])));
    let trail = vec![Mark::Right, Mark::Right, Mark::Wrong, Mark::Right, Mark::Right, Mark::Wrong];
    let mut replayed = TrialScene {
        kind: StageKind::Replay,
        heading: "Trial 5 of 6: right. The seal is open.".to_string(),
        about: "plucked".to_string(),
        question: "X was B. You said: same as B.".to_string(),
        trail,
        answers: Vec::new(),
        chosen: None,
        ..abx()
    };
    for (slot, role) in replayed.slots.iter_mut().zip(["flex", "none", "none"]) {
        slot.role = role.to_string();
    }
    both("replay", Stage::Trial(replayed));
    both("confidence", Stage::Trial(TrialScene { kind: StageKind::Confidence, ..abx() }));
    let receipt = Some(Digest::of(b"a record").in_words());
    both("receipt", Stage::Trial(TrialScene { receipt, ..abx() }));
    insta::assert_snapshot!("abx-120x40", shown(120, 40, Stage::Trial(abx())));
}

#[test]
fn overlays() {
    for (overlay, name) in [(Overlay::Keys, "keys"), (Overlay::Leave, "leave")] {
        for (columns, rows) in [(80, 24), (60, 20)] {
            let scene = scene(Stage::Trial(abx()));
            let mut model = Model::new(columns, rows);
            model.meet(&scene);
            model.overlay = overlay;
            insta::assert_snapshot!(format!("overlay-{name}-{columns}x{rows}"), drawn(&model, &scene));
        }
    }
}

#[test]
fn a_long_notice_is_read_whole() {
    let words = "The sound device's 16 bits could hide the difference of the first comparison on the slowest of all clips: use \
                 a device with 24 or 32 bits, or turn the level here up and the amplifier down";
    for (columns, rows) in [(80, 24), (60, 20)] {
        let mut noted = scene(Stage::Trial(abx()));
        noted.notice = Some(Notice::warning(words));
        let mut model = Model::new(columns, rows);
        model.meet(&noted);
        let screen = drawn(&model, &noted).split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(screen.ends_with(&format!("! {words}")), "{screen}");
        // Good news has no mark.
        noted.notice = Some(Notice::news("The sound device is back."));
        let screen = drawn(&model, &noted);
        assert!(screen.contains("The sound device is back.") && !screen.contains('!'), "{screen}");
    }
}

#[test]
fn another_heading_is_read_from_its_top_and_what_is_typed_stays() {
    let mut page = typing();
    page.blocks = vec![Block::text("so many words. ".repeat(200))];
    let mut model = Model::new(80, 24);
    let joining = scene(Stage::Page(page.clone()));
    let down = earwitness::screen::Input::Key(earwitness::screen::Key::Down);
    earwitness::screen::update(&mut model, &joining, &down);
    model.typed = "30 a b".to_owned();
    assert_eq!(model.scroll, 1);
    model.meet(&joining);
    assert_eq!(model.scroll, 1);
    page.heading = "Warm-up 1 of 1".to_owned();
    model.meet(&scene(Stage::Page(page)));
    assert_eq!((model.scroll, model.typed.as_str()), (0, "30 a b"));
}

#[test]
fn too_small_says_so_and_any_size_is_drawn_without_a_panic() {
    insta::assert_snapshot!("too-small", shown(50, 10, Stage::Trial(abx())));
    let mut score = typing();
    score.blocks = vec![
        Block::Score { trials: 16, needed: Some(12), chance: 8.0, reached: Some(13) },
        Block::Score { trials: 0, needed: None, chance: 0.0, reached: Some(0) },
        Block::Answers(vec![true; 90]),
        Block::Level { decibels: -12.0, softest: -36.0 },
        Block::Copy("Journal".into(), "/a/very/long/path/without/any/space/".repeat(9)),
    ];
    for columns in 1..=130 {
        for rows in [1, 2, 3, 7, 19, 20, 21, 24, 37, 60] {
            shown(columns, rows, Stage::Page(score.clone()));
            shown(columns, rows, Stage::Trial(abx()));
        }
    }
}

#[test]
fn names_of_any_script_and_length_fit() {
    let mut wide = scene(Stage::Trial(abx()));
    wide.title = "耳で聴くケーブル".repeat(20);
    wide.listener = "Zoë 🎧\u{7}\u{1b}[31m".repeat(12);
    for (columns, rows) in [(80, 24), (60, 20)] {
        let mut model = Model::new(columns, rows);
        model.meet(&wide);
        let screen = drawn(&model, &wide);
        assert!(screen.lines().all(|line| line.chars().filter(|c| c.is_control()).count() == 0), "{screen}");
        assert!(screen.contains("earwitness"), "{screen}");
    }
}
