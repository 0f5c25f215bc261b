//! The trial: slots, timeline, answers. One layout serves drawing and the mouse.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};
use unicode_width::UnicodeWidthStr;

use super::glyphs;
use super::keys::{StageKind, answer_key};
use super::page::{Mark, cut};
use super::palette::Palette;
use super::scene::{Scene, Slot, TrialScene};

/// What lies at a cell of the trial screen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Spot {
    /// The slot with this index.
    Slot(usize),
    /// This place in the clip, in seconds.
    Time(f64),
    /// The answer with this index.
    Answer(usize),
    /// The line that records the chosen answer.
    Record,
    /// Confidence 1 to 5.
    Confidence(u8),
}

/// Where everything stands.
struct Layout {
    heading: Rect,
    progress: Rect,
    slots: Vec<Rect>,
    time: Rect,
    line: Rect,
    region: Rect,
    question: Rect,
    answers: Vec<Rect>,
    record: Rect,
}

/// Cells of each step of confidence.
const STEP: u16 = 11;

fn layout(body: Rect, trial: &TrialScene) -> Layout {
    let row = |y: u16| Rect { x: body.x, y, width: body.width, height: 1 };
    // Rows that everything needs, with the lowest slots: what is left over becomes large letters and air.
    let answers = trial.answers.len() as u16;
    let spare = body.height.saturating_sub(2 + 4 + 3 + 1 + answers + 1);
    let tall = spare >= 4;
    let slot_height = if tall { 7 } else { 4 };
    let mut air = spare - if tall { 3 } else { 0 };
    let mut breathe = || {
        let given = u16::from(air > 0);
        air -= given;
        given
    };
    // The row under the time line comes first: everything else may move closer together.
    let (before_question, before_slots, before_time, before_record) =
        (breathe(), breathe(), breathe(), breathe());
    let slots_at = body.y + 2 + before_slots;
    let count = trial.slots.len().max(1) as u16;
    let between = if body.width >= 72 { 2 } else { 1 };
    let slot_width = ((body.width - between * (count - 1)) / count).min(26);
    let slots = (0..trial.slots.len() as u16)
        .map(|index| Rect {
            x: body.x + index * (slot_width + between),
            y: slots_at,
            width: slot_width,
            height: slot_height,
        })
        .collect();
    let time = row(slots_at + slot_height + before_time);
    let question = row(time.y + 3 + before_question);
    let answers: Vec<Rect> = (0..answers).map(|index| row(question.y + 1 + index)).collect();
    let record = row(question.y + 1 + answers.len() as u16 + before_record);
    Layout {
        heading: row(body.y),
        progress: row(body.y + 1),
        slots,
        time,
        line: row(time.y + 1),
        region: row(time.y + 2),
        question,
        answers,
        record,
    }
}

/// What lies at a cell.
pub fn spot(body: Rect, scene: &Scene, trial: &TrialScene, column: u16, row: u16) -> Option<Spot> {
    let _ = scene;
    let at = ratatui::layout::Position { x: column, y: row };
    let layout = layout(body, trial);
    if trial.kind == StageKind::Confidence {
        let step = column.checked_sub(layout.record.x)? / STEP;
        return (layout.record.contains(at) && step < 5).then_some(Spot::Confidence(step as u8 + 1));
    }
    if let Some(index) = layout.slots.iter().position(|slot| slot.contains(at)) {
        return Some(Spot::Slot(index));
    }
    if let Some(index) = layout.answers.iter().position(|answer| answer.contains(at)) {
        return Some(Spot::Answer(index));
    }
    if layout.record.contains(at) && trial.chosen.is_some() {
        return Some(Spot::Record);
    }
    if layout.line.contains(at) && trial.length > 0.0 {
        let cells = f64::from(layout.line.width.saturating_sub(3).max(1));
        let along = f64::from(column.saturating_sub(layout.line.x + 1)).min(cells);
        return Some(Spot::Time(along / cells * trial.length));
    }
    None
}

/// Minutes and seconds.
fn clock(seconds: f64) -> String {
    let whole = seconds.max(0.0) as u64;
    if whole >= 3600 {
        format!("{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
    } else {
        format!("{}:{:02}", whole / 60, whole % 60)
    }
}

/// A line with one part at each end.
fn both_ends<'a>(left: Vec<Span<'a>>, right: Vec<Span<'a>>, width: usize) -> Line<'a> {
    let used: usize = left.iter().chain(&right).map(Span::width).sum();
    let mut spans = left;
    spans.push(Span::raw(" ".repeat(width.saturating_sub(used))));
    spans.extend(right);
    Line::from(spans)
}

/// Draws the trial.
pub fn draw(trial: &TrialScene, palette: Palette, body: Rect, frame: &mut Frame<'_>) {
    let layout = layout(body, trial);
    let width = usize::from(body.width);
    let since = format!("elapsed {}", clock(trial.elapsed));
    frame.render_widget(
        both_ends(
            vec![Span::styled(
                cut(&trial.heading, width.saturating_sub(since.width() + 2)),
                palette.strong(),
            )],
            vec![Span::styled(since, palette.label())],
            width,
        ),
        layout.heading,
    );
    frame.render_widget(progress(trial, width, palette), layout.progress);
    for (index, (slot, area)) in trial.slots.iter().zip(&layout.slots).enumerate() {
        let now = trial.hearing == Some(index);
        draw_slot(slot, now, now && trial.playing, palette, *area, frame);
    }
    draw_time(trial, palette, &layout, frame);
    frame.render_widget(
        Line::from(Span::styled(cut(&trial.question, width), palette.strong())),
        layout.question,
    );
    for (index, (answer, area)) in trial.answers.iter().zip(&layout.answers).enumerate() {
        let text = cut(answer, width.saturating_sub(9));
        let key = answer_key(index).unwrap_or(' ').to_string();
        let chosen = trial.chosen == Some(index);
        let line = Line::from(vec![
            Span::styled(if chosen { "  ▸ " } else { "    " }, palette.strong()),
            Span::styled(key, palette.strong()),
            Span::styled(
                format!("  {text}{}", if chosen { " ◂" } else { "" }),
                if chosen { palette.strong() } else { palette.label() },
            ),
        ]);
        frame.render_widget(line, *area);
    }
    frame.render_widget(record_line(trial, palette, width), layout.record);
}

fn progress(trial: &TrialScene, width: usize, palette: Palette) -> Line<'static> {
    if !trial.trail.is_empty() {
        return trail(trial, width, palette);
    }
    let total = trial.total.max(1) as usize;
    let done = (trial.done as usize).min(total);
    let cells = width.min(if total * 2 <= width { total * 2 } else { width });
    let filled = cells * done / total;
    Line::from(vec![
        Span::styled("━".repeat(filled), palette.accent()),
        Span::styled("┄".repeat(cells - filled), palette.line()),
    ])
}

/// How each trial was answered, with this one between brackets; as many around it as there is room for.
fn trail(trial: &TrialScene, width: usize, palette: Palette) -> Line<'static> {
    let legend = if trial.trail.iter().all(|mark| *mark == Mark::Neither) {
        String::new()
    } else {
        format!("{} right  {} wrong", Mark::Right.sign(), Mark::Wrong.sign())
    };
    let room = (width.saturating_sub(legend.width() + 3) / 2).max(1);
    let at = trial.done as usize;
    let from = at.saturating_sub(room / 2).min(trial.trail.len().saturating_sub(room));
    let mut spans = vec![Span::raw(if from == at { "" } else { " " })];
    for (index, mark) in trial.trail.iter().enumerate().skip(from).take(room) {
        let text = if index == at {
            format!("[{}]", mark.sign())
        } else if index + 1 == at {
            mark.sign().to_string()
        } else {
            format!("{} ", mark.sign())
        };
        spans.push(if index == at { Span::styled(text, palette.strong()) } else { Span::raw(text) });
    }
    both_ends(spans, vec![Span::styled(legend, palette.label())], width)
}

fn draw_slot(slot: &Slot, now: bool, sounding: bool, palette: Palette, area: Rect, frame: &mut Frame<'_>) {
    let (label, key) = (slot.label, slot.key());
    let role = if slot.unheard { "not heard yet" } else { slot.role.as_str() };
    let style = if now { palette.accent() } else { palette.line() };
    let inner = usize::from(area.width).saturating_sub(2);
    // Heavy frame and words for the slot that is heard, so that nothing rests on colour.
    let (corner, across, down) = if now {
        (['┏', '┓', '┗', '┛'], '━', '┃')
    } else {
        (['┌', '┐', '└', '┘'], '─', '│')
    };
    let across = |left: char, text: &str, right: char| {
        let text = cut(text, inner.saturating_sub(2));
        let rest = inner.saturating_sub(text.width() + 1);
        // The frame's colour or dimness is for shapes; the name of the key is text.
        Line::from(vec![
            Span::styled(format!("{left}{across}"), style),
            Span::styled(text, if now { palette.strong() } else { palette.label() }),
            Span::styled(format!("{}{right}", across.to_string().repeat(rest)), style),
        ])
    };
    let last = area.y + area.height - 1;
    frame.render_widget(across(corner[0], &format!(" key {key} "), corner[1]), Rect { height: 1, ..area });
    frame.render_widget(across(corner[2], "", corner[3]), Rect { y: last, height: 1, ..area });
    for y in area.y + 1..last {
        let side = Span::styled(down.to_string(), style);
        frame.render_widget(side.clone(), Rect { x: area.x, y, width: 1, height: 1 });
        frame.render_widget(side, Rect { x: area.x + area.width - 1, y, width: 1, height: 1 });
    }
    let letter_style = palette.strong();
    let mut rows: Vec<(String, bool)> = Vec::new();
    if area.height >= 7 {
        rows.extend(glyphs::rows(label).map(|row| (row, true)));
        rows.push((role.to_string(), false));
    } else {
        rows.push((format!("{label}  {role}"), true));
    }
    rows.push(match (now, sounding) {
        (true, true) if inner < 15 => ("▶ sounding".to_string(), true),
        (true, true) => ("▶ you hear this".to_string(), true),
        (true, false) if inner < 15 => ("‖ paused".to_string(), true),
        (true, false) => ("‖ paused here".to_string(), true),
        _ => (String::new(), false),
    });
    for (y, (text, strong)) in (area.y + 1..last).zip(rows) {
        let text = cut(&text, inner);
        let style = if strong { letter_style } else { palette.label() };
        let line = Line::from(Span::styled(format!("{text:^inner$}"), style));
        frame.render_widget(line, Rect { x: area.x + 1, y, width: inner as u16, height: 1 });
    }
}

/// Time, the cable it runs along, and the loop's ends below it.
fn draw_time(trial: &TrialScene, palette: Palette, layout: &Layout, frame: &mut Frame<'_>) {
    let width = usize::from(layout.line.width);
    let loop_words = match trial.region {
        Some((from, to)) => format!("loop {from:.1} to {to}", to = crate::units::printed::fixed(to, 1, "s")),
        None => "whole clip, looping".to_string(),
    };
    let times = format!(
        "{} of {}",
        crate::units::printed::fixed(trial.position, 1, "s"),
        crate::units::printed::fixed(trial.length, 1, "s")
    );
    let about = cut(&trial.about, width.saturating_sub(times.width() + loop_words.width() + 6));
    frame.render_widget(
        both_ends(
            vec![Span::raw(times), Span::styled(format!("   {about}"), palette.label())],
            vec![Span::styled(loop_words, palette.label())],
            width,
        ),
        layout.time,
    );
    let cells = width.saturating_sub(2).max(1);
    let place = |seconds: f64| {
        if trial.length > 0.0 {
            ((seconds / trial.length).clamp(0.0, 1.0) * (cells - 1) as f64).round() as usize
        } else {
            0
        }
    };
    let at = place(trial.position);
    let (from, to) = trial.region.map_or((0, cells - 1), |(from, to)| (place(from), place(to)));
    let stretch = |range: std::ops::Range<usize>| -> String {
        range.map(|cell| if (from..=to).contains(&cell) { '━' } else { '┄' }).collect()
    };
    frame.render_widget(
        Line::from(vec![
            Span::styled("╺", palette.line()),
            Span::styled(stretch(0..at), palette.accent()),
            Span::styled("●", palette.accent()),
            Span::styled(stretch(at + 1..cells), palette.line()),
            Span::styled("╸", palette.line()),
        ]),
        layout.line,
    );
    if trial.region.is_some() {
        let ends: String = (0..cells)
            .map(|cell| match cell {
                cell if cell == from => '[',
                cell if cell == to => ']',
                _ => ' ',
            })
            .collect();
        frame.render_widget(Line::from(Span::styled(format!(" {ends}"), palette.strong())), layout.region);
    }
}

/// What has to be heard before an answer is taken; `None`: nothing more.
pub fn listen_first(trial: &TrialScene) -> Option<String> {
    let missing: Vec<String> =
        trial.slots.iter().filter(|slot| slot.unheard).map(|slot| slot.label.to_string()).collect();
    let (last, before) = missing.split_last()?;
    let which = if before.is_empty() { last.clone() } else { format!("{} and {last}", before.join(", ")) };
    Some(format!("Listen to {which} before you answer."))
}

/// What happens next: choose, record, or how sure.
fn record_line(trial: &TrialScene, palette: Palette, width: usize) -> Line<'static> {
    if trial.kind == StageKind::Confidence {
        let steps = ["1 guess", "2", "3", "4", "5 certain"];
        let step = usize::from(STEP);
        return Line::from(
            steps
                .iter()
                .map(|text| Span::styled(format!("{text:<step$}"), palette.strong()))
                .collect::<Vec<_>>(),
        );
    }
    let text = match trial.chosen.and_then(|index| trial.answers.get(index)) {
        Some(answer) if trial.kind == StageKind::Training => {
            format!("Enter tells whether \"{answer}\" is right; Esc takes it back")
        }
        Some(answer) => format!("Enter records \"{answer}\"; Esc takes it back"),
        None if trial.answers.is_empty() => String::new(),
        None => {
            listen_first(trial).unwrap_or_else(|| "Take your time. Answer when you are ready.".to_string())
        }
    };
    let style = if trial.chosen.is_some() { palette.strong() } else { palette.label() };
    Line::from(Span::styled(cut(&text, width), style))
}
