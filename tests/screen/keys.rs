//! Keys and clicks to intents.

use earwitness::screen::keys::{StageKind, TABLE};
use earwitness::screen::model::Overlay;
use earwitness::screen::{Block, Input, Intent, Key, Model, Stage, TrialScene, update};

use super::{abx, page, scene, shown, typing};

fn press(model: &mut Model, stage: &Stage, key: Key) -> Vec<Intent> {
    update(model, &scene(stage.clone()), &Input::Key(key))
}

#[test]
fn slots_have_their_labels_as_keys_of_either_case() {
    let stage = Stage::Trial(abx());
    let mut model = Model::new(80, 24);
    for (key, slot) in [('a', 0), ('A', 0), ('b', 1), ('x', 2), ('X', 2)] {
        assert_eq!(press(&mut model, &stage, Key::Character(key)), [Intent::Listen(slot)]);
    }
}

#[test]
fn an_answer_takes_two_steps_and_the_arrows_go_round() {
    let mut trial = abx();
    trial.chosen = None;
    let mut model = Model::new(80, 24);
    let stage = Stage::Trial(trial.clone());
    assert_eq!(press(&mut model, &stage, Key::Down), [Intent::Choose(0)]);
    assert_eq!(press(&mut model, &stage, Key::Up), [Intent::Choose(1)]);
    trial.chosen = Some(1);
    let stage = Stage::Trial(trial);
    assert_eq!(press(&mut model, &stage, Key::Down), [Intent::Choose(0)]);
    assert_eq!(press(&mut model, &stage, Key::Enter), [Intent::Confirm]);
    assert_eq!(press(&mut model, &stage, Key::Escape), [Intent::Back]);
    // One key chooses, and nothing but Enter records.
    for (key, choice) in [('j', 0), ('k', 1), ('K', 1)] {
        assert_eq!(press(&mut model, &stage, Key::Character(key)), [Intent::Choose(choice)]);
    }
    assert_eq!(press(&mut model, &stage, Key::Character('l')), [], "there is no third answer");
}

#[test]
fn digits_are_confidence_only_when_it_is_asked() {
    let mut trial = TrialScene { kind: StageKind::Confidence, ..abx() };
    for (slot, label) in trial.slots.iter_mut().zip(['1', '2', '3']) {
        slot.label = label;
    }
    let mut model = Model::new(80, 24);
    let asked = Stage::Trial(trial.clone());
    assert_eq!(press(&mut model, &asked, Key::Character('2')), [Intent::Confidence(2)]);
    assert_eq!(press(&mut model, &asked, Key::Character('7')), []);
    trial.kind = StageKind::Trial;
    assert_eq!(press(&mut model, &Stage::Trial(trial), Key::Character('2')), [Intent::Listen(1)]);
}

#[test]
fn in_rounds_of_real_cables_the_key_line_promises_no_pause() {
    let mut trial = abx();
    assert!(shown(80, 24, Stage::Trial(trial.clone())).contains("Space pause"));
    trial.in_rounds = true;
    let screen = shown(80, 24, Stage::Trial(trial));
    assert!(screen.contains("Space a round") && !screen.contains("pause"), "{screen}");
}

#[test]
fn leaving_asks_first_but_an_interrupt_does_not() {
    let stage = Stage::Trial(abx());
    let mut model = Model::new(80, 24);
    assert_eq!(press(&mut model, &stage, Key::Character('q')), []);
    assert_eq!(model.overlay, Overlay::Leave);
    assert_eq!(
        press(&mut model, &stage, Key::Character('a')),
        [],
        "a key that stays is not a key of the trial"
    );
    press(&mut model, &stage, Key::Character('q'));
    assert_eq!(press(&mut model, &stage, Key::Character('s')), [Intent::Stop]);
    press(&mut model, &stage, Key::Character('q'));
    assert_eq!(press(&mut model, &stage, Key::Character('y')), [Intent::Leave]);
    press(&mut model, &stage, Key::Character('?'));
    assert_eq!(model.overlay, Overlay::Keys);
    assert_eq!(press(&mut model, &stage, Key::Interrupt), [Intent::Leave]);
    model.columns = 30;
    assert_eq!(press(&mut model, &stage, Key::Interrupt), [Intent::Leave]);
    assert_eq!(
        press(&mut model, &stage, Key::Enter),
        [],
        "nothing is answered on a screen that shows nothing"
    );
}

#[test]
fn every_key_can_be_read_at_the_smallest_size() {
    let scene = scene(Stage::Trial(abx()));
    let mut model = Model::new(60, 20);
    press(&mut model, &scene.stage, Key::Character('?'));
    let mut read = String::new();
    while model.overlay == Overlay::Keys {
        read.push_str(&super::drawn(&model, &scene));
        press(&mut model, &scene.stage, Key::Character('?'));
    }
    for words in ["a b x", "Home", "show the receipt so far", "rest your ears", "show every key", "mouse"] {
        assert!(read.contains(words), "{words} is missing in\n{read}");
    }
}

#[test]
fn what_is_below_the_edge_is_seen_before_one_goes_on() {
    let long = page(StageKind::Page, (0..60).map(|n| Block::text(format!("line {n}"))).collect());
    let stage = Stage::Page(long);
    let mut model = Model::new(80, 24);
    let mut pressed = 0;
    while press(&mut model, &stage, Key::Enter).is_empty() {
        pressed += 1;
        assert!(pressed < 10, "Enter has to lead on at last");
    }
    assert!(pressed >= 2, "sixty lines do not fit three screens, but {pressed} keys were enough");
    assert!(super::drawn(&model, &scene(stage)).contains("line 59"));
}

#[test]
fn letters_are_text_where_text_is_typed() {
    let stage = Stage::Page(typing());
    let mut model = Model::new(80, 24);
    for character in "quit? no: yes é".chars() {
        assert_eq!(press(&mut model, &stage, Key::Character(character)), []);
    }
    press(&mut model, &stage, Key::Backspace);
    update(&mut model, &scene(stage.clone()), &Input::Paste("pasted\nwith a line end".into()));
    assert_eq!(
        press(&mut model, &stage, Key::Enter),
        [Intent::Typed("quit? no: yes pastedwith a line end".to_string())]
    );
    assert_eq!(press(&mut model, &stage, Key::Enter), [Intent::Proceed], "an empty line means: no more");
}

#[test]
fn a_new_page_starts_at_its_top_with_an_empty_line() {
    let mut model = Model::new(80, 24);
    let first = Stage::Page(typing());
    press(&mut model, &first, Key::Character('x'));
    let mut second = typing();
    second.id = 2;
    assert_eq!(press(&mut model, &Stage::Page(second), Key::Enter), [Intent::Proceed]);
}

#[test]
fn the_mouse_finds_slots_time_and_answers_at_every_size() {
    for (columns, rows) in [(80_u16, 24_u16), (60, 20), (120, 40)] {
        let scene = scene(Stage::Trial(abx()));
        let mut model = Model::new(columns, rows);
        let screen = super::drawn(&model, &scene);
        let mut click = |text: &str, into: u16| {
            let (row, line) = screen
                .lines()
                .enumerate()
                .find(|(_, line)| line.contains(text))
                .expect("it is on the screen");
            let column = line.split(text).next().expect("the text is there").chars().count() as u16 + into;
            update(&mut model, &scene, &Input::Click { column, row: row as u16 })
        };
        assert_eq!(click("key a", 0), [Intent::Listen(0)]);
        assert_eq!(click("key x", 0), [Intent::Listen(2)]);
        assert_eq!(click("same as B", 0), [Intent::Choose(1)]);
        assert_eq!(click("Enter records", 0), [Intent::Confirm]);
        match click("●", 0)[..] {
            [Intent::SeekTo(seconds)] => {
                assert!((seconds - 3.2).abs() < 0.15, "{seconds} at {columns}x{rows}");
            }

            ref other => panic!("{other:?}"),
        }
        assert_eq!(click("╺━ earwitness", 0), []);
    }
}

#[test]
fn every_key_of_the_table_says_what_it_does() {
    for binding in TABLE {
        assert!(!binding.says.is_empty() && !binding.stages.is_empty(), "{binding:?}");
        assert!(binding.hint.len() <= 12, "{} is too long for the help line", binding.hint);
    }
}
