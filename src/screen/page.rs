//! Running text of a page, wrapped to any width, and the same in plain lines.

use ratatui::style::Style;
use ratatui::text::{Line, Span};
use unicode_width::UnicodeWidthStr;

use super::palette::Palette;
use crate::units::foreign;
use crate::units::printed;

/// How a trial was answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// Right.
    Right,
    /// Wrong.
    Wrong,
    /// Nobody can be right or wrong.
    Neither,
}

impl Mark {
    /// Its sign.
    pub fn sign(self) -> char {
        match self {
            Self::Right => '●',
            Self::Wrong => '○',
            Self::Neither => '·',
        }
    }
}

/// A piece of a page.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// A heading.
    Heading(String),
    /// A paragraph.
    Text(String),
    /// A label and its value.
    Pair(String, String),
    /// Words to be remembered, photographed or read aloud.
    Loud(String),
    /// Hexadecimal digits in groups of four, eight groups to a line.
    Digits(String),
    /// A path or a command, to be copied: never wrapped where it is printed.
    Copy(String, String),
    /// Something to be careful of.
    Caution(String),
    /// A score on its scale.
    Score {
        /// Trials in all.
        trials: u32,
        /// The score needed, if there is one.
        needed: Option<u32>,
        /// The score that a guesser gets on average.
        chance: f64,
        /// The score that was reached; `None` before the sitting.
        reached: Option<u32>,
    },
    /// Answers in order: right or wrong.
    Answers(Vec<bool>),
    /// The level check: from the softest step to the clip's own level, in decibels.
    Level {
        /// Level now in decibels, 0 is the clip's own.
        decibels: f64,
        /// The softest step in decibels.
        softest: f64,
    },
    /// Lines as they are, cut where they are too long: a code for a camera, large letters.
    Picture(Vec<String>),
    /// A code for a camera: lines as they are, dark on light.
    Code(Vec<String>),
    /// A code with blocks to the right of it, or above it where the page is too narrow for both.
    Beside(Vec<String>, Vec<Block>),
    /// An empty line.
    Gap,
}

impl Block {
    /// A heading.
    pub fn heading(text: impl Into<String>) -> Self {
        Self::Heading(text.into())
    }

    /// A paragraph.
    pub fn text(text: impl Into<String>) -> Self {
        Self::Text(text.into())
    }

    /// A label and its value.
    pub fn pair(label: impl Into<String>, value: impl Into<String>) -> Self {
        Self::Pair(label.into(), value.into())
    }

    /// Words to be remembered.
    pub fn loud(text: impl Into<String>) -> Self {
        Self::Loud(text.into())
    }

    /// Something to be careful of.
    pub fn caution(text: impl Into<String>) -> Self {
        Self::Caution(text.into())
    }
}

/// Splits text into lines of at most `width` cells, at spaces where there are any; a number stays with its unit, and
/// what is between backticks in one piece. Never empty.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut lines = Vec::new();
    for paragraph in printed::unbroken_to_copy(text).split('\n') {
        let mut line = String::new();
        let spaces = |letter: char| letter.is_whitespace() && letter != '\u{a0}';
        for held in paragraph.split(spaces) {
            // What has no room on a line of its own is broken at its spaces after all.
            let has_room = held.width() <= width;
            let words = held.split(|letter| letter == '\u{a0}' && !has_room);
            for word in words.filter(|word| !word.is_empty()) {
                for piece in chop(&foreign::shown(&word.replace('\u{a0}', " ")), width) {
                    let space = usize::from(!line.is_empty());
                    if line.width() + space + piece.width() > width {
                        lines.push(std::mem::take(&mut line));
                    } else if space == 1 {
                        line.push(' ');
                    }
                    line.push_str(&piece);
                }
            }
        }
        lines.push(line);
    }
    lines
}

/// A word in pieces of at most `width` cells.
fn chop(word: &str, width: usize) -> Vec<String> {
    if word.width() <= width {
        return vec![word.to_string()];
    }
    let mut pieces = vec![String::new()];
    for character in word.chars() {
        let last = pieces.last_mut().expect("there is always a last piece");
        if last.width() + unicode_width::UnicodeWidthChar::width(character).unwrap_or(0) > width {
            pieces.push(character.to_string());
        } else {
            last.push(character);
        }
    }
    pieces
}

/// Cuts text to `width` cells, with an ellipsis where something is missing. Control characters become spaces.
pub fn cut(text: &str, width: usize) -> String {
    let clean: String = text.chars().map(|c| if foreign::acts(c) { ' ' } else { c }).collect();
    if clean.width() <= width {
        return clean;
    }
    let mut short = String::new();
    for character in clean.chars() {
        if short.width() + unicode_width::UnicodeWidthChar::width(character).unwrap_or(0) + 1 > width {
            break;
        }
        short.push(character);
    }
    if width > 0 {
        short.push('…');
    }
    short
}

/// Hexadecimal digits in groups of four, at most eight groups to a line.
pub fn grouped(digits: &str) -> Vec<String> {
    let groups: Vec<String> =
        digits.chars().collect::<Vec<_>>().chunks(4).map(|group| group.iter().collect()).collect();
    groups.chunks(8).map(|line| line.join(" ")).collect()
}

/// The page's lines at this width. A code for a camera is drawn whole within the first `height` lines, or not at all: a
/// sentence then says what is missing.
pub fn lines(blocks: &[Block], (width, height): (usize, usize), palette: Palette) -> Vec<Line<'static>> {
    let mut drawn = Vec::new();
    for block in blocks {
        match block {
            Block::Code(picture) => code(picture, (width, height), palette, &mut drawn),
            Block::Beside(picture, blocks) => beside(picture, blocks, (width, height), palette, &mut drawn),
            block => drawn.extend(block_lines(block, width, palette)),
        }
    }
    drawn
}

/// A block that needs no more room than it is given.
fn block_lines(block: &Block, width: usize, palette: Palette) -> Vec<Line<'static>> {
    let styled = |text: String, style: Style| Line::from(Span::styled(text, style));
    match block {
        Block::Heading(text) => {
            wrap(text, width).into_iter().map(|line| styled(line, palette.strong())).collect()
        }
        Block::Text(text) => wrap(text, width).into_iter().map(Line::from).collect(),
        // What is typed elsewhere is not broken: it gets a line of its own where there is no room for it beside its label.
        Block::Copy(label, value) if column(width) + value.width() > width => {
            let mut drawn = vec![styled(cut(label, width), palette.label())];
            drawn.extend(wrap(value, width).into_iter().map(Line::from));
            drawn
        }
        Block::Pair(label, value) | Block::Copy(label, value) => {
            let column = column(width);
            hanging(
                Span::styled(format!("{:<column$}", cut(label, column - 1)), palette.label()),
                column,
                value,
                width,
            )
        }
        Block::Loud(text) => wrap(text, width.saturating_sub(4))
            .into_iter()
            .map(|line| {
                Line::from(vec![Span::styled("  ▌ ", palette.accent()), Span::styled(line, palette.strong())])
            })
            .collect(),
        Block::Picture(picture) | Block::Code(picture) | Block::Beside(picture, _) => {
            picture.iter().map(|line| Line::from(cut(line, width))).collect()
        }
        Block::Digits(digits) => {
            grouped(digits).into_iter().map(|line| Line::from(format!("    {line}"))).collect()
        }
        Block::Caution(text) => hanging(Span::styled("! ", palette.strong()), 2, text, width),
        Block::Score { trials, needed, chance, reached } => {
            score_lines(*trials, *needed, *chance, *reached, width, palette)
        }
        Block::Answers(answers) => answer_lines(answers, width),
        Block::Level { decibels, softest } => {
            let room = width.saturating_sub(20).clamp(10, 48);
            let share = ((decibels - softest) / -softest).clamp(0.0, 1.0);
            let filled = (share * room as f64).round() as usize;
            vec![Line::from(vec![
                Span::raw("  soft "),
                Span::styled("━".repeat(filled), palette.accent()),
                Span::styled("┄".repeat(room - filled), palette.line()),
                Span::raw(format!(" {decibels:>7}", decibels = printed::fixed(*decibels, 0, "dB"))),
            ])]
        }
        Block::Gap => vec![Line::default()],
    }
}

/// Cells of the column of labels.
fn column(width: usize) -> usize {
    if width < 64 { 16 } else { 18 }
}

/// Cells between a picture and what stands beside it, and the least width of that.
const BESIDE: (usize, usize) = (3, 28);

fn widest(picture: &[String]) -> usize {
    picture.iter().map(|line| line.width()).max().unwrap_or(0)
}

/// A code below what is drawn already; in its place, where part of it would be out of view, what is missing.
fn code(
    picture: &[String],
    (width, height): (usize, usize),
    palette: Palette,
    drawn: &mut Vec<Line<'static>>,
) {
    if palette.is_ascii() {
        let text = "This terminal cannot draw the code for a camera; the address does the same.";
        drawn.extend(wrap(text, width).into_iter().map(Line::from));
        return;
    }
    let lines = (drawn.len() + picture.len()).saturating_sub(height);
    let columns = widest(picture).saturating_sub(width);
    if lines == 0 && columns == 0 {
        drawn.extend(picture.iter().map(|line| Line::from(Span::styled(line.clone(), palette.code()))));
        return;
    }
    drawn.extend(missing((lines, columns), width, palette));
}

/// What a code needs that is not there.
fn missing((lines, columns): (usize, usize), width: usize, palette: Palette) -> Vec<Line<'static>> {
    let needs: Vec<String> = [(lines, "line"), (columns, "column")]
        .iter()
        .filter(|(more, _)| *more > 0)
        .map(|(more, what)| format!("{more} more {what}{}", if *more == 1 { "" } else { "s" }))
        .collect();
    let text = format!("The code for a camera needs {}; the address does the same.", needs.join(" and "));
    wrap(&text, width).into_iter().map(|line| Line::from(Span::styled(line, palette.label()))).collect()
}

/// A code with words to its right; where there is no room for both, the words and then the code.
fn beside(
    picture: &[String],
    blocks: &[Block],
    (width, height): (usize, usize),
    palette: Palette,
    drawn: &mut Vec<Line<'static>>,
) {
    let wide = widest(picture);
    // Without half blocks there is nothing to stand beside: the words come first, as on a narrow page.
    let spare = width.checked_sub(wide + BESIDE.0).filter(|rest| *rest >= BESIDE.1 && !palette.is_ascii());
    let lacking = (drawn.len() + picture.len()).saturating_sub(height);
    let rest = match (spare, lacking) {
        (Some(rest), 0) => rest,
        (Some(_), lacking) => {
            drawn.extend(lines(blocks, (width, height), palette));
            drawn.extend(missing((lacking, 0), width, palette));
            return;
        }
        (None, _) => {
            drawn.extend(lines(blocks, (width, height), palette));
            code(picture, (width, height), palette, drawn);
            return;
        }
    };
    // An address that is longer than there is room stands below, whole.
    let (right, below): (Vec<Block>, Vec<Block>) =
        blocks.iter().cloned().partition(|block| widest_word(block) <= rest);
    let mut right = lines(&right, (rest, height), palette).into_iter();
    drawn.extend(picture.iter().map(|line| {
        let gap = " ".repeat(wide + BESIDE.0 - line.width());
        let mut spans = vec![Span::styled(line.clone(), palette.code()), Span::raw(gap)];
        spans.extend(right.next().into_iter().flat_map(|line| line.spans));
        Line::from(spans)
    }));
    drawn.extend(right.map(|line| {
        let mut spans = vec![Span::raw(" ".repeat(wide + BESIDE.0))];
        spans.extend(line.spans);
        Line::from(spans)
    }));
    drawn.extend(lines(&below, (width, height), palette));
}

/// Cells of the widest word of a block, or of what is to be copied from it.
fn widest_word(block: &Block) -> usize {
    let word = |text: &str| text.split_whitespace().map(UnicodeWidthStr::width).max().unwrap_or(0);
    match block {
        Block::Text(text) => word(text),
        Block::Copy(_, value) => value.width(),
        _ => 0,
    }
}

/// A first column and text that hangs to the right of it.
fn hanging(first: Span<'static>, column: usize, text: &str, width: usize) -> Vec<Line<'static>> {
    wrap(text, width.saturating_sub(column).max(8))
        .into_iter()
        .enumerate()
        .map(|(index, line)| {
            let lead = if index == 0 { first.clone() } else { Span::raw(" ".repeat(column)) };
            Line::from(vec![lead, Span::raw(line)])
        })
        .collect()
}

/// A score on its scale, with a legend that shows each mark.
fn score_lines(
    trials: u32,
    needed: Option<u32>,
    chance: f64,
    reached: Option<u32>,
    width: usize,
    palette: Palette,
) -> Vec<Line<'static>> {
    let room = width.saturating_sub(10).clamp(16, 64);
    let place = |value: f64| {
        ((value / f64::from(trials.max(1))).clamp(0.0, 1.0) * (room - 1) as f64).round() as usize
    };
    let (average, goal) = (place(chance), needed.map(|score| place(f64::from(score))));
    let own = reached.map(|score| place(f64::from(score)));
    let scale: String = (0..room)
        .map(|at| match () {
            () if Some(at) == own => '●',
            () if Some(at) == goal => '┃',
            () if at == average => '┊',
            () if goal.is_some_and(|goal| at > goal) => '━',
            () => '─',
        })
        .collect();
    let mut legend =
        vec![Span::styled(format!("    ┊ {} by chance", average_words(chance)), palette.label())];
    legend.extend(needed.map(|score| Span::styled(format!("   ┃ {score} needed"), palette.label())));
    legend.extend(reached.map(|score| Span::styled(format!("   ● {score} right"), palette.strong())));
    vec![
        Line::from(vec![
            Span::styled("  0 ", palette.label()),
            Span::raw(scale),
            Span::styled(format!(" {trials}"), palette.label()),
        ]),
        Line::from(legend),
    ]
}

/// What a guesser gets on average: "8", "5.3".
fn average_words(chance: f64) -> String {
    let text = format!("{chance:.1}");
    text.strip_suffix(".0").unwrap_or(&text).to_owned()
}

/// Answers in order, and what their marks mean: on the same line where there is room.
fn answer_lines(answers: &[bool], width: usize) -> Vec<Line<'static>> {
    let legend = format!("{} right   {} wrong", Mark::Right.sign(), Mark::Wrong.sign());
    let per_line = (width.saturating_sub(4) / 2).max(1);
    let sign = |right: &bool| if *right { Mark::Right.sign() } else { Mark::Wrong.sign() }.to_string();
    let mut drawn: Vec<String> = answers
        .chunks(per_line)
        .map(|chunk| format!("    {}", chunk.iter().map(sign).collect::<Vec<_>>().join(" ")))
        .collect();
    match drawn.last_mut() {
        Some(last) if last.width() + 4 + legend.width() <= width => {
            last.push_str("    ");
            last.push_str(&legend);
        }
        Some(_) => drawn.push(format!("    {legend}")),
        None => {}
    }
    drawn.into_iter().map(Line::from).collect()
}

/// The page in plain lines of at most `width` cells: no symbol has to be understood.
pub fn plain_lines(blocks: &[Block], width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for block in blocks {
        match block {
            Block::Heading(text) => {
                if lines.last().is_some_and(|line: &String| !line.is_empty()) {
                    lines.push(String::new());
                }
                lines.extend(wrap(text, width));
            }
            Block::Text(text) | Block::Loud(text) => lines.extend(wrap(text, width)),
            Block::Pair(label, value) => lines.extend(wrap(&format!("{label}: {value}"), width)),
            Block::Copy(label, value) => lines.push(format!("{label}: {value}")),
            Block::Digits(digits) => lines.extend(grouped(digits)),
            Block::Picture(picture) | Block::Code(picture) => lines.extend(picture.iter().cloned()),
            Block::Beside(picture, blocks) => {
                lines.extend(plain_lines(blocks, width));
                lines.extend(picture.iter().cloned());
            }
            Block::Caution(text) => lines.extend(wrap(&format!("Caution: {text}"), width)),
            Block::Score { trials, needed, chance, reached } => {
                let mut parts = Vec::new();
                if let Some(score) = reached {
                    parts.push(format!("{score} right of {trials}"));
                }
                if let Some(score) = needed {
                    parts.push(format!("{score} of {trials} needed"));
                }
                parts.push(format!("a guesser gets {} on average", average_words(*chance)));
                lines.extend(wrap(&format!("Score: {}.", parts.join(", ")), width));
            }
            Block::Answers(answers) => {
                let words: Vec<&str> =
                    answers.iter().map(|right| if *right { "right" } else { "wrong" }).collect();
                lines.extend(wrap(&format!("Answers in order: {}.", words.join(", ")), width));
            }
            Block::Level { decibels, .. } => {
                lines.push(format!("Level: {decibels}.", decibels = printed::fixed(*decibels, 0, "dB")));
            }
            Block::Gap => {
                if lines.last().is_some_and(|line: &String| !line.is_empty()) {
                    lines.push(String::new());
                }
            }
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_never_broken() {
        let room = "http://192.168.100.200:65535/room#b7653b7cf334f14be3222b73e845b110";
        let operator = "http://192.168.100.200:65535/#ABCDEFGHJKLMNPQR";
        let page = Block::Beside(
            vec!["#".repeat(37); 19],
            vec![
                Block::text("Open on a phone, with its camera or by typing"),
                Block::text(format!("display for a projector: {room}")),
                Block::Copy("Address".to_owned(), operator.to_owned()),
                Block::Copy("Code".to_owned(), "ABCDEFGHJKLMNPQR".to_owned()),
            ],
        );
        for (width, height) in [(76, 60), (76, 20), (100, 40), (70, 10), (140, 60)] {
            let drawn: Vec<String> = lines(std::slice::from_ref(&page), (width, height), Palette::plain())
                .iter()
                .map(|line| line.spans.iter().map(|span| span.content.as_ref()).collect())
                .collect();
            for address in [room, operator, "ABCDEFGHJKLMNPQR"] {
                assert!(drawn.iter().any(|line| line.contains(address)), "{width} by {height}: {drawn:#?}");
            }
        }
    }
}
