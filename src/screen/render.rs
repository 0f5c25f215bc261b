//! The frame around every stage, pages, and what lies over them. Pure: a model, a scene and an area give a frame.

use ratatui::Frame;
use ratatui::layout::{Position, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Clear, Paragraph};
use unicode_width::UnicodeWidthStr;

use super::keys::{Action, StageKind, bindings};
use super::model::{Model, Overlay};
use super::page::{Block, cut, lines, wrap};
use super::palette::Palette;
use super::scene::{Notice, PageScene, Scene, Stage, shown};
use super::shapes;
use super::trial_stage;

/// Fewest columns that the screen can be used at.
pub const LEAST_COLUMNS: u16 = 60;
/// Fewest rows that the screen can be used at.
pub const LEAST_ROWS: u16 = 20;
/// Wider than this, lines are hard to read: the rest stays empty.
const WIDEST: u16 = 100;
/// Higher than this, things that belong together drift apart.
const HIGHEST: u16 = 36;

/// Most lines of a notice.
const MOST_NOTICE_LINES: usize = 5;

/// The terminal is too small to be used.
pub fn too_small(columns: u16, rows: u16) -> bool {
    columns < LEAST_COLUMNS || rows < LEAST_ROWS
}

/// What is drawn on: the terminal, or the middle of a very large one.
fn canvas(columns: u16, rows: u16) -> Rect {
    let width = columns.min(WIDEST);
    Rect { x: (columns - width) / 2, y: 0, width, height: rows.min(HIGHEST) }
}

/// Where a stage is drawn: below title and marks, above the help line, with a margin on both sides.
pub fn body(columns: u16, rows: u16) -> Rect {
    let canvas = canvas(columns, rows);
    Rect {
        x: canvas.x + 2,
        y: canvas.y + 2,
        width: canvas.width.saturating_sub(4),
        height: canvas.height.saturating_sub(3),
    }
}

/// Draws a scene.
pub fn render(model: &Model, scene: &Scene, palette: Palette, frame: &mut Frame<'_>) {
    draw(model, scene, palette, frame);
    if palette.is_ascii() {
        shapes::frame_in_ascii(frame.buffer_mut());
    }
}

fn draw(model: &Model, scene: &Scene, palette: Palette, frame: &mut Frame<'_>) {
    let area = frame.area();
    if too_small(area.width, area.height) {
        small(area, frame);
        return;
    }
    let canvas = canvas(area.width, area.height);
    let body = body(area.width, area.height);
    title(scene, palette, Rect { height: 1, ..canvas }, frame);
    marks(scene, palette, Rect { y: canvas.y + 1, height: 1, x: body.x, width: body.width }, frame);
    match &scene.stage {
        Stage::Page(page) => match folded(model, page) {
            Some(fold) => draw_page(model, &fold, model.keys_from, palette, body, frame),
            None => draw_page(model, page, model.scroll, palette, body, frame),
        },
        Stage::Trial(trial) => trial_stage::draw(trial, palette, body, frame),
    }
    let foot = Rect { y: canvas.y + canvas.height - 1, height: 1, x: body.x, width: body.width };
    match &scene.notice {
        Some(notice) => {
            let mark = if matches!(notice, Notice::Warning(_)) { "! " } else { "" };
            // What it says is said whole: a long one lies over the last lines until the next key.
            let mut text = wrap(&format!("{mark}{}", notice.text()), foot.width.into());
            text.truncate(MOST_NOTICE_LINES);
            let height = text.len() as u16;
            let area = Rect { y: foot.y + 1 - height, height, ..foot };
            frame.render_widget(Clear, area);
            let styled = text.into_iter().map(|line| Line::from(Span::styled(line, palette.strong())));
            frame.render_widget(Paragraph::new(styled.collect::<Vec<_>>()), area);
        }
        None => frame.render_widget(help_line(model, scene, palette, foot.width.into()), foot),
    }
    if let Stage::Trial(trial) = &scene.stage
        && let Some(receipt) = &trial.receipt
    {
        receipt_overlay(receipt, palette, canvas, frame);
    }
    match model.overlay {
        Overlay::None | Overlay::Fold(_) => {}
        Overlay::Keys => keys_overlay(model, scene, palette, canvas, frame),
        Overlay::Leave => leave_overlay(&scene.stage, palette, canvas, frame),
    }
}

fn small(area: Rect, frame: &mut Frame<'_>) {
    let text = format!(
        "This terminal has {} x {} cells. Earwitness needs {LEAST_COLUMNS} x {LEAST_ROWS}: please make it larger. \
         Nothing can be answered meanwhile. Ctrl-C leaves.",
        area.width, area.height
    );
    let lines: Vec<Line<'_>> = wrap(&text, area.width.max(1).into()).into_iter().map(Line::from).collect();
    frame.render_widget(Paragraph::new(lines), area);
}

/// A cable across the top, from the program's name to the listener's.
fn title(scene: &Scene, palette: Palette, area: Rect, frame: &mut Frame<'_>) {
    let width = usize::from(area.width);
    let listener = cut(&scene.listener, 20);
    let room = width.saturating_sub("╺━ earwitness ━━  ━ ".width() + listener.width() + " ━╸".width());
    let session = cut(&scene.title, room);
    let cable = "━".repeat(room - session.width());
    let line = Line::from(vec![
        Span::styled("╺━ ", palette.accent()),
        Span::styled("earwitness", palette.strong()),
        Span::styled(" ━━ ", palette.accent()),
        Span::raw(session),
        Span::styled(format!(" {cable}━ "), palette.accent()),
        Span::raw(listener),
        Span::styled(" ━╸", palette.accent()),
    ]);
    frame.render_widget(line, area);
}

fn marks(scene: &Scene, palette: Palette, area: Rect, frame: &mut Frame<'_>) {
    let width = usize::from(area.width);
    let mut spans: Vec<Span<'_>> = Vec::new();
    let mut used = 0;
    for mark in &scene.marks {
        let text = format!(" {} ", cut(mark, width.saturating_sub(used + 3)));
        used += text.width() + 1;
        spans.push(Span::styled(text, palette.bar()));
        spans.push(Span::raw(" "));
    }
    frame.render_widget(Line::from(spans), area);
}

/// As many hints as there is room for; the way to all keys is always among them.
fn help_line(model: &Model, scene: &Scene, palette: Palette, width: usize) -> Line<'static> {
    if let Overlay::Fold(_) = model.overlay {
        let on = if model.keys_from < page_overflow(model, scene) { " read on   " } else { " back   " };
        return Line::from(vec![
            Span::styled("Enter", palette.strong()),
            Span::raw(on),
            Span::styled("↑ ↓", palette.strong()),
            Span::raw(" scroll   "),
            Span::styled("Esc", palette.strong()),
            Span::raw(" back"),
        ]);
    }
    let proceed = match &scene.stage {
        Stage::Page(page) if page.entry.is_none() && model.scroll < page_overflow(model, scene) => {
            page.proceed.as_ref().map(|_| "read on".to_string())
        }
        Stage::Page(page) => page.proceed.clone(),
        Stage::Trial(_) => None,
    };
    let mut hints: Vec<(String, String)> = Vec::new();
    for binding in bindings(scene.stage.kind()).filter(|binding| !binding.hint.is_empty()) {
        let hint = match (binding.action, &scene.stage, &proceed) {
            (Action::Proceed, _, Some(what)) => what.clone(),
            (Action::Proceed, Stage::Page(_), None) => continue,
            (Action::TogglePause, Stage::Trial(trial), _) if trial.in_rounds => "a round".to_string(),
            (opens @ (Action::Cautions | Action::Details | Action::Trials), Stage::Page(page), _)
                if page.fold(opens).is_none() =>
            {
                continue;
            }
            (Action::Others, Stage::Page(page), _)
                if !page.entry.as_ref().is_some_and(|entry| entry.others) =>
            {
                continue;
            }
            _ => binding.hint.to_string(),
        };
        hints.push((shown(binding, &scene.stage), hint));
    }
    if scene.stage.kind() == StageKind::Question {
        hints.insert(1, ("Esc".to_string(), "back".to_string()));
    }
    let long = |(key, hint): &(String, String)| key.width() + 1 + hint.width() + 3;
    let last = hints.pop();
    let mut room = width.saturating_sub(last.as_ref().map_or(0, long));
    let fitting = hints.iter().take_while(|hint| {
        let fits = long(hint) <= room;
        room = room.saturating_sub(long(hint));
        fits
    });
    let fitting = fitting.count();
    hints.truncate(fitting);
    let mut spans = Vec::new();
    for (key, hint) in hints.into_iter().chain(last) {
        spans.push(Span::styled(key, palette.strong()));
        spans.push(Span::raw(format!(" {hint}   ")));
    }
    Line::from(spans)
}

/// The text that lies over a page, as a page.
fn folded(model: &Model, page: &PageScene) -> Option<PageScene> {
    let Overlay::Fold(index) = model.overlay else { return None };
    let fold = page.folds.get(index)?;
    Some(PageScene {
        heading: fold.heading.clone(),
        blocks: fold.blocks.clone(),
        entry: None,
        progress: None,
        folds: Vec::new(),
        ..page.clone()
    })
}

/// Height of the part of a page that scrolls.
fn page_rows(page: &PageScene, body: Rect) -> u16 {
    body.height.saturating_sub(if page.entry.is_some() { 4 + above_entry(page) } else { 2 })
}

/// Empty lines above what is typed: none below a code for a camera, which needs all there is on 24 lines and ends in white.
fn above_entry(page: &PageScene) -> u16 {
    u16::from(!page.blocks.iter().any(|block| matches!(block, Block::Beside(..))))
}

/// Lines of the page, or of what lies over it, that do not fit: how far it can be scrolled.
pub fn page_overflow(model: &Model, scene: &Scene) -> u16 {
    let Stage::Page(page) = &scene.stage else { return 0 };
    let fold = folded(model, page);
    let page = fold.as_ref().unwrap_or(page);
    let body = body(model.columns, model.rows);
    let room = page_rows(page, body);
    let count = lines(&page.blocks, (body.width.into(), room.into()), Palette::plain()).len();
    u16::try_from(count).unwrap_or(u16::MAX).saturating_sub(room)
}

fn draw_page(
    model: &Model,
    page: &PageScene,
    from: u16,
    palette: Palette,
    body: Rect,
    frame: &mut Frame<'_>,
) {
    let width = usize::from(body.width);
    let room = page_rows(page, body);
    let text = lines(&page.blocks, (width, room.into()), palette);
    let overflow = u16::try_from(text.len()).unwrap_or(u16::MAX).saturating_sub(room);
    let scroll = from.min(overflow);
    let more = if scroll < overflow { "more below ↓" } else { "" };
    let heading =
        cut(&page.heading, width.saturating_sub(if more.is_empty() { 0 } else { more.width() + 2 }));
    let gap = " ".repeat(width.saturating_sub(heading.width() + more.width()));
    frame.render_widget(
        Line::from(vec![
            Span::styled(heading, palette.strong()),
            Span::raw(gap),
            Span::styled(more, palette.strong()),
        ]),
        Rect { height: 1, ..body },
    );
    // The rule below the heading fills while something is prepared, so that nothing moves when it is done.
    let rule = match &page.progress {
        // A verdict is the largest thing that is ever said here.
        None if page.kind == StageKind::Verdict => {
            Line::from(Span::styled("━".repeat(width), palette.accent()))
        }
        None => Line::from(Span::styled("─".repeat(width), palette.line())),
        Some(progress) => {
            let share = (100 * progress.done).checked_div(progress.total).unwrap_or(0).min(100);
            let words = cut(&format!("  {}, {share} %", progress.label), width / 2);
            let cells = width - words.width();
            let filled = cells * share / 100;
            Line::from(vec![
                Span::styled("━".repeat(filled), palette.accent()),
                Span::styled("┄".repeat(cells - filled), palette.line()),
                Span::raw(words),
            ])
        }
    };
    frame.render_widget(rule, Rect { y: body.y + 1, height: 1, ..body });
    frame.render_widget(
        Paragraph::new(text).scroll((scroll, 0)),
        Rect { y: body.y + 2, height: room, ..body },
    );
    let row = body.y + 2 + room;
    if let Some(entry) = &page.entry {
        let above = above_entry(page);
        frame.render_widget(
            Line::from(Span::styled(cut(&entry.label, width), palette.label())),
            Rect { y: row + above, height: 1, ..body },
        );
        let typed =
            if entry.hidden { "•".repeat(model.typed.chars().count()) } else { model.typed.clone() };
        let tail = tail(&typed, width.saturating_sub(4));
        let column = body.x + 2 + tail.width() as u16;
        frame.render_widget(
            Line::from(vec![Span::styled("▸ ", palette.accent()), Span::raw(tail)]),
            Rect { y: row + above + 1, height: 1, ..body },
        );
        if model.overlay == Overlay::None {
            frame.set_cursor_position(Position { x: column, y: row + above + 1 });
        }
    }
}

/// The end of a text, at most `width` cells of it.
fn tail(text: &str, width: usize) -> String {
    let mut kept: Vec<char> = Vec::new();
    let mut used = 0;
    for character in text.chars().rev() {
        let cells = unicode_width::UnicodeWidthChar::width(character).unwrap_or(0);
        if used + cells > width {
            break;
        }
        used += cells;
        kept.push(character);
    }
    kept.into_iter().rev().collect()
}

fn boxed(title: &str, text: Vec<Line<'static>>, palette: Palette, canvas: Rect, frame: &mut Frame<'_>) {
    let width = text.iter().map(Line::width).max().unwrap_or(0).max(title.width()) as u16 + 4;
    let width = width.min(canvas.width.saturating_sub(4));
    let height = (text.len() as u16 + 4).min(canvas.height.saturating_sub(2));
    let area = Rect {
        x: canvas.x + (canvas.width - width) / 2,
        y: canvas.y + (canvas.height - height) / 2,
        width,
        height,
    };
    frame.render_widget(Clear, area);
    let frame_line = |left: char, right: char| {
        Line::from(Span::styled(
            format!("{left}{}{right}", "━".repeat(usize::from(width).saturating_sub(2))),
            palette.accent(),
        ))
    };
    frame.render_widget(frame_line('┏', '┓'), Rect { height: 1, ..area });
    frame.render_widget(frame_line('┗', '┛'), Rect { y: area.y + height - 1, height: 1, ..area });
    for row in area.y + 1..area.y + height - 1 {
        let side = Span::styled("┃", palette.accent());
        frame.render_widget(side.clone(), Rect { x: area.x, y: row, width: 1, height: 1 });
        frame.render_widget(side, Rect { x: area.x + width - 1, y: row, width: 1, height: 1 });
    }
    let inner = Rect { x: area.x + 2, y: area.y + 1, width: width - 4, height: height - 2 };
    frame.render_widget(Line::from(Span::styled(title.to_string(), palette.strong())), inner);
    frame.render_widget(
        Paragraph::new(text),
        Rect { y: inner.y + 1, height: inner.height.saturating_sub(1), ..inner },
    );
}

/// Lines of the overlay that lists the keys, and how many of them fit at once.
fn keys_lines(scene: &Scene, palette: Palette, canvas: Rect) -> (Vec<Line<'static>>, usize) {
    let room = usize::from(canvas.width).saturating_sub(18);
    let mut text = Vec::new();
    let mut entry = |keys: String, says: &str| {
        for (index, line) in wrap(says, room).into_iter().enumerate() {
            let keys = if index == 0 { keys.as_str() } else { "" };
            text.push(Line::from(vec![
                Span::styled(format!("{keys:>8}"), palette.strong()),
                Span::raw(format!("  {line}")),
            ]));
        }
    };
    for binding in bindings(scene.stage.kind()) {
        let keys = shown(binding, &scene.stage);
        if !keys.is_empty() {
            entry(keys, binding.says);
        }
    }
    if let Stage::Trial(_) = scene.stage {
        entry("mouse".to_string(), "click a slot, the timeline, an answer");
    }
    (text, usize::from(canvas.height).saturating_sub(6).max(1))
}

/// Whether the overlay that lists the keys has another part behind the one that starts at this line, and where.
pub fn next_keys(model: &Model, scene: &Scene) -> Option<u16> {
    let (text, fitting) = keys_lines(scene, Palette::plain(), canvas(model.columns, model.rows));
    let next = usize::from(model.keys_from) + fitting;
    (next < text.len()).then_some(next as u16)
}

fn keys_overlay(model: &Model, scene: &Scene, palette: Palette, canvas: Rect, frame: &mut Frame<'_>) {
    let (text, fitting) = keys_lines(scene, palette, canvas);
    let from = usize::from(model.keys_from).min(text.len().saturating_sub(1));
    let more = from + fitting < text.len();
    let title = if more { "Keys here (any key shows more)" } else { "Keys here (any key closes this)" };
    boxed(title, text.into_iter().skip(from).take(fitting).collect(), palette, canvas, frame);
}

fn receipt_overlay(receipt: &str, palette: Palette, canvas: Rect, frame: &mut Frame<'_>) {
    let mut text = vec![Line::default()];
    let strong = Style::new().add_modifier(Modifier::BOLD);
    text.extend(wrap(receipt, 44).into_iter().map(|line| Line::from(Span::styled(line, strong))));
    text.push(Line::default());
    text.extend(
        wrap("Note it down. It shows later whether anything before this trial was changed.", 44)
            .into_iter()
            .map(Line::from),
    );
    boxed("The receipt so far (i closes this)", text, palette, canvas, frame);
}

fn leave_overlay(stage: &Stage, palette: Palette, canvas: Rect, frame: &mut Frame<'_>) {
    let stoppable = stage.stoppable();
    let strong = Style::new().add_modifier(Modifier::BOLD);
    let mut choices = vec![Span::styled("y", palette.strong()), Span::styled(" leave    ", strong)];
    if stoppable {
        choices.extend([Span::styled("s", palette.strong()), Span::styled(" stop for good    ", strong)]);
    }
    choices.extend([Span::styled("any other key", palette.strong()), Span::styled(" stay", strong)]);
    let words = if stoppable {
        "Everything recorded is kept, and the same command goes on from here. Stopping for good opens the seal: \
         then there is no verdict."
    } else if matches!(stage.kind(), StageKind::Sighted | StageKind::Training) {
        "Nothing that is heard or answered here counts."
    } else if stage.asks_before_leaving() {
        // Somebody conducts: there is a journal already.
        "Everything recorded is kept, and the same command goes on from here."
    } else {
        "No answer has been recorded, so nothing is lost."
    };
    let mut text = vec![Line::default()];
    text.extend(wrap(words, 50).into_iter().map(Line::from));
    text.push(Line::default());
    text.push(Line::from(choices));
    boxed("Leave now?", text, palette, canvas, frame);
}
