//! The picture of a trial in README is what the program shows: drawn here, held against the file. `EARWITNESS_BLESS=1` writes it anew.

use std::fmt::Write as _;
use std::path::Path;

use earwitness::screen::{Model, Palette, Stage, render};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::style::{Color, Modifier};

use super::{abx, scene};

const COLUMNS: u16 = 80;
const ROWS: u16 = 24;
/// Width and height of a character, in pixels of the picture.
const CELL: (f64, f64) = (9.0, 19.0);
const MARGIN: f64 = 14.0;

/// A terminal's frame as an SVG with letters that can be searched: runs of one style become one text of fixed length.
fn drawn() -> String {
    let scene = scene(Stage::Trial(abx()));
    let mut model = Model::new(COLUMNS, ROWS);
    model.meet(&scene);
    let mut terminal = Terminal::new(TestBackend::new(COLUMNS, ROWS)).expect("a test backend never fails");
    terminal
        .draw(|frame| render(&model, &scene, Palette::coloured(), frame))
        .expect("a test backend never fails");
    let buffer = terminal.backend().buffer();
    let (width, height) =
        (f64::from(COLUMNS) * CELL.0 + 2.0 * MARGIN, f64::from(ROWS) * CELL.1 + 2.0 * MARGIN);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" \
         role=\"img\" aria-label=\"A trial in the terminal, invented\">\n<rect width=\"{width}\" height=\"{height}\" rx=\"8\" \
         fill=\"#faf6ec\"/>\n<g font-family=\"ui-monospace, Menlo, Consolas, 'DejaVu Sans Mono', monospace\" font-size=\"15\" \
         fill=\"#28231c\" xml:space=\"preserve\">\n"
    );
    for row in 0..ROWS {
        let mut column = 0;
        while column < COLUMNS {
            let style = |at: u16| {
                let cell = &buffer[(at, row)];
                (cell.fg, cell.modifier)
            };
            let start = column;
            // Two blanks end a run: a picture's text would close them up.
            let mut run = String::new();
            while column < COLUMNS && style(column) == style(start) && !run.ends_with("  ") {
                run.push_str(buffer[(column, row)].symbol());
                column += 1;
            }
            if run.trim().is_empty() {
                continue;
            }
            let (colour, modifier) = style(start);
            let blank = run.chars().take_while(|letter| *letter == ' ').count();
            let run = run.trim();
            let x = MARGIN + (f64::from(start) + blank as f64) * CELL.0;
            let y = MARGIN + f64::from(row) * CELL.1 + 14.5;
            let mut look = String::new();
            if colour != Color::Reset {
                look.push_str(" fill=\"#008787\"");
            }
            if modifier.contains(Modifier::BOLD) {
                look.push_str(" font-weight=\"bold\"");
            }
            let run = run.replace('&', "&amp;").replace('<', "&lt;");
            let length = run.chars().count() as f64 * CELL.0;
            writeln!(svg, "<text x=\"{x}\" y=\"{y}\" textLength=\"{length}\"{look}>{run}</text>")
                .expect("a String takes everything");
        }
    }
    svg + "</g>\n</svg>\n"
}

#[test]
fn the_picture_of_a_trial_is_current() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/pictures/trial.svg");
    let is = drawn();
    if std::env::var_os("EARWITNESS_BLESS").is_some() {
        std::fs::write(&path, &is).expect("written");
    }
    let was = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(is, was, "after a change that is meant: EARWITNESS_BLESS=1");
}
