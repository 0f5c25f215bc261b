//! Whatever colours a terminal has, every letter can be read on it and every shape seen: contrast as WCAG 2.2 defines it
//! (1.4.3: 4.5:1 for text; 1.4.11: 3:1 for shapes), computed from the cells that are drawn.

use earwitness::screen::model::Overlay;
use earwitness::screen::night::{self, NightScene};
use earwitness::screen::palette::ACCENT;
use earwitness::screen::{Block, Mark, Model, Notice, Palette, Scene, Stage, StageKind, TrialScene, render};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::style::{Color, Modifier};

use super::{abx, page, preparing, scene, typing};

type Rgb = [u8; 3];

/// Text and background of six terminals: black and white, the two of Solarized (its published values), a dark blue, a
/// cream.
const TERMINALS: [(&str, Rgb, Rgb); 6] = [
    ("black", [229, 229, 229], [0, 0, 0]),
    ("white", [0, 0, 0], [255, 255, 255]),
    ("solarized dark", [0x83, 0x94, 0x96], [0x00, 0x2b, 0x36]),
    ("solarized light", [0x65, 0x7b, 0x83], [0xfd, 0xf6, 0xe3]),
    ("dark blue", [220, 220, 240], [10, 16, 60]),
    ("cream", [40, 30, 20], [250, 240, 215]),
];

/// Number 30 of the 256 colours (xterm's table: 16 + 36 r + 6 g + b with steps 0, 95, 135, ...).
const TEAL: Rgb = [0, 135, 135];

fn luminance(colour: Rgb) -> f64 {
    let [red, green, blue] = colour.map(|part| {
        let part = f64::from(part) / 255.0;
        if part <= 0.04045 { part / 12.92 } else { ((part + 0.055) / 1.055).powf(2.4) }
    });
    0.2126 * red + 0.7152 * green + 0.0722 * blue
}

fn contrast(one: Rgb, other: Rgb) -> f64 {
    let (one, other) = (luminance(one), luminance(other));
    (one.max(other) + 0.05) / (one.min(other) + 0.05)
}

/// One of every kind of thing that a page can hold.
fn everything() -> Vec<Scene> {
    let blocks = vec![
        Block::heading("A heading"),
        Block::text("A paragraph."),
        Block::pair("Label", "value"),
        Block::loud("amber river"),
        Block::caution("Loud sound over time damages hearing."),
        Block::Score { trials: 16, needed: Some(12), chance: 8.0, reached: Some(14) },
        Block::Answers(vec![true, false, true]),
        Block::Level { decibels: -20.0, softest: -60.0 },
        Block::Digits("0123456789abcdef".repeat(4)),
        Block::Copy("Report".to_string(), "earwitness report .".to_string()),
    ];
    let confidence = TrialScene { kind: StageKind::Confidence, ..abx() };
    let mut receipt = abx();
    receipt.receipt = Some("amber river".to_string());
    let stages = [
        Stage::Page(page(StageKind::Page, blocks)),
        Stage::Page(typing()),
        Stage::Page(preparing()),
        Stage::Trial(abx()),
        Stage::Trial(confidence),
        Stage::Trial(receipt),
        Stage::Trial(TrialScene {
            kind: StageKind::Replay,
            trail: vec![Mark::Right, Mark::Wrong, Mark::Neither, Mark::Right, Mark::Right],
            answers: Vec::new(),
            ..abx()
        }),
    ];
    let mut scenes: Vec<Scene> = stages.into_iter().map(scene).collect();
    let mut marked = scene(Stage::Trial(abx()));
    marked.marks = vec!["simulated".to_string()];
    marked.notice = Some(Notice::warning("This trial is drawn again and repeated."));
    scenes.push(marked);
    // The host's screen while votes are taken, and once all is over.
    let voting = NightScene {
        title: "A night".to_string(),
        host: "Mara".to_string(),
        marks: vec!["invented data".to_string()],
        heading: "Trial 3 of 10".to_string(),
        hint: "Enter closes the votes".to_string(),
        question: "Is X the same as A or as B?".to_string(),
        slots: ["A", "B", "X"].map(str::to_string).to_vec(),
        playing: Some(2),
        left: Some(12),
        open: true,
        votes: (7, 24),
        missing: "3, 7-9".to_string(),
        news: vec!["Seat 4 has joined.".to_string()],
        ..NightScene::default()
    };
    let results = NightScene {
        heading: "The room".to_string(),
        results: vec!["The room heard a difference.".to_string(), "Score: 137 of 233".to_string()],
        cautions: vec!["Rest your ears.".to_string()],
        slots: Vec::new(),
        open: false,
        ..voting.clone()
    };
    scenes.extend([voting, results].map(|night| night::scene(&night, true)));
    scenes
}

#[test]
fn letters_and_shapes_stand_out_on_six_backgrounds() {
    assert_eq!(ACCENT, Color::Indexed(30), "the accent is the teal that is computed with here");
    let (mut letters, mut accents) = (0, 0);
    let overlays = [Overlay::None, Overlay::Keys, Overlay::Leave];
    let code = Block::Code(vec!["\u{2588}\u{2580}\u{2584} \u{2588}".to_string()]);
    let with_code = scene(Stage::Page(page(StageKind::Page, vec![code])));
    for (scene, overlay) in everything()
        .into_iter()
        .chain([with_code])
        .flat_map(|scene| overlays.map(|over| (scene.clone(), over)))
    {
        let mut model = Model::new(80, 24);
        model.meet(&scene);
        model.overlay = overlay;
        let mut terminal = Terminal::new(TestBackend::new(80, 24)).expect("a test backend never fails");
        terminal
            .draw(|frame| render(&model, &scene, Palette::coloured(), frame))
            .expect("a test backend never fails");
        for cell in &terminal.backend().buffer().content {
            let symbol = cell.symbol();
            if symbol.trim().is_empty() {
                continue;
            }
            let text = symbol.chars().any(char::is_alphanumeric);
            let dim = cell.modifier.contains(Modifier::DIM);
            assert!(!(text && dim), "\"{symbol}\" is dim text");
            // A code brings its own light and dark along, for cameras.
            if cell.bg == Color::Black && cell.fg == Color::White {
                assert!(!text, "\"{symbol}\" is a letter in colours of its own");
                continue;
            }
            assert_eq!(cell.bg, Color::Reset, "\"{symbol}\"");
            for (name, own, background) in TERMINALS {
                let colour = match cell.fg {
                    Color::Reset => own,
                    Color::Indexed(30) => TEAL,
                    other => panic!("\"{symbol}\" is drawn in {other:?}"),
                };
                // Nobody can do better than the terminal's own text, and Solarized's has 4.1:1.
                let least = if text { contrast(own, background).min(4.5) } else { 3.0 };
                let seen = contrast(colour, background);
                assert!(seen >= least, "\"{symbol}\" on {name}: {seen:.2}:1");
            }
            letters += u32::from(text);
            accents += u32::from(cell.fg != Color::Reset);
        }
    }
    assert!(letters > 1000 && accents > 100, "{letters} letters and {accents} shapes were looked at");
}

#[test]
fn in_ascii_everything_is_still_there() {
    for scene in everything() {
        let mut model = Model::new(80, 24);
        model.meet(&scene);
        let draw = |palette: Palette| {
            let mut terminal = Terminal::new(TestBackend::new(80, 24)).expect("a test backend never fails");
            terminal
                .draw(|frame| render(&model, &scene, palette, frame))
                .expect("a test backend never fails");
            terminal.backend().buffer().content.clone()
        };
        for (full, plain) in draw(Palette::plain()).iter().zip(draw(Palette::plain().in_ascii())) {
            assert!(plain.symbol().is_ascii(), "{}", plain.symbol());
            assert_eq!(full.symbol() == " ", plain.symbol() == " ", "{} is lost", full.symbol());
            assert!(plain.symbol() != "?" || full.symbol() == "?", "{} has no shape in ASCII", full.symbol());
        }
    }
}
