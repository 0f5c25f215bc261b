//! Screens as (state, keys, expected screen), and the real program in a pseudo-terminal.

mod backgrounds;
mod blindness;
pub(crate) mod cables;
mod countdown;
mod faces;
mod few_keys;
mod keys;
mod killed;
mod killed_watched;
mod passphrase;
mod pictures;
mod played;
mod protocols;
mod results;
pub(crate) mod rig;
mod silent;
mod stages;
pub(crate) mod terminal;
mod watched;

use earwitness::screen::{
    Block, Entry, Model, PageScene, Palette, Progress, Scene, Slot, Stage, StageKind, TrialScene, render,
};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

/// A scene around a stage, with invented names.
pub(crate) fn scene(stage: Stage) -> Scene {
    Scene {
        title: "Hall flex against the heavy pair".to_string(),
        listener: "Mara".to_string(),
        marks: Vec::new(),
        notice: None,
        stage,
    }
}

/// An ABX trial in its middle.
pub(crate) fn abx() -> TrialScene {
    TrialScene {
        kind: StageKind::Trial,
        heading: "Trial 5 of 16".to_string(),
        about: String::new(),
        done: 4,
        total: 16,
        question: "Is X the same as A or as B?".to_string(),
        slots: vec![slot('A', "side A"), slot('B', "side B"), slot('X', "A or B?")],
        hearing: Some(2),
        playing: true,
        position: 3.2,
        length: 8.0,
        region: Some((2.0, 6.0)),
        answers: vec!["same as A".to_string(), "same as B".to_string()],
        chosen: Some(0),
        elapsed: 763.0,
        stoppable: true,
        in_rounds: false,
        trail: Vec::new(),
        receipt: None,
    }
}

pub(crate) fn slot(label: char, role: &str) -> Slot {
    Slot { label, role: role.to_string(), unheard: false }
}

pub(crate) fn page(kind: StageKind, blocks: Vec<Block>) -> PageScene {
    PageScene {
        kind,
        id: 1,
        heading: "The terms, before anything is heard".to_string(),
        blocks,
        entry: None,
        proceed: Some("accept".to_string()),
        progress: None,
        stoppable: false,
        folds: Vec::new(),
    }
}

pub(crate) fn typing() -> PageScene {
    PageScene {
        entry: Some(Entry {
            label: "Hand 1 (an empty line: no more):".to_string(),
            hidden: false,
            others: false,
        }),
        ..page(
            StageKind::Typing,
            vec![Block::loud("amber river"), Block::Digits("0123456789abcdef".repeat(4))],
        )
    }
}

pub(crate) fn preparing() -> PageScene {
    PageScene {
        proceed: None,
        progress: Some(Progress { label: "filtering".to_string(), done: 3, total: 8 }),
        ..page(StageKind::Page, vec![Block::text("Words.")])
    }
}

/// What a terminal of this size shows, without trailing spaces.
pub(crate) fn drawn(model: &Model, scene: &Scene) -> String {
    let mut terminal =
        Terminal::new(TestBackend::new(model.columns, model.rows)).expect("a test backend never fails");
    terminal.draw(|frame| render(model, scene, Palette::plain(), frame)).expect("a test backend never fails");
    let buffer = terminal.backend().buffer();
    let mut text = String::new();
    for row in 0..model.rows {
        let line: String = (0..model.columns).map(|column| buffer[(column, row)].symbol()).collect();
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

pub(crate) fn shown(columns: u16, rows: u16, stage: Stage) -> String {
    let scene = scene(stage);
    let mut model = Model::new(columns, rows);
    model.meet(&scene);
    drawn(&model, &scene)
}
