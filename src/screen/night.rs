//! The host's screen and the room's display in a terminal: pages made of blocks, like every other page.
//!
//! Comes in: what everybody in the room may know, in words and numbers. Goes out: a [`Scene`]. Neither type has a place
//! for a draw or for a vote.

use super::glyphs;
use super::keys::StageKind;
use super::page::Block;
use super::scene::{Entry, PageScene, Scene, Stage};

/// What the host or the room sees.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct NightScene {
    /// Title of the session.
    pub title: String,
    /// Who hosts; empty for the room's display.
    pub host: String,
    /// Marks that stand on every screen.
    pub marks: Vec<String>,
    /// What the evening is at, in a word or two.
    pub heading: String,
    /// What can be done now.
    pub hint: String,
    /// The question of the trial; empty between trials.
    pub question: String,
    /// What is heard, and which of them now (`Some(index)`).
    pub slots: Vec<String>,
    /// Index in `slots` of what plays.
    pub playing: Option<usize>,
    /// Seconds until that ends, or votes close.
    pub left: Option<u64>,
    /// Listeners are coming in: how to join stands before everything else.
    pub joining: bool,
    /// Votes are taken.
    pub open: bool,
    /// Seats that have voted, and seats that are taken.
    pub votes: (u32, u32),
    /// Seats that have not voted, for the host; empty: none, or not to be shown.
    pub missing: String,
    /// The address that phones open.
    pub join: String,
    /// The room's code.
    pub code: String,
    /// The code for a camera, in lines; empty where it is not to be shown.
    pub qr: Vec<String>,
    /// The commitment's words and digits.
    pub seal: (String, String),
    /// Cautions.
    pub cautions: Vec<String>,
    /// What came of what the host said last.
    pub said: Vec<String>,
    /// What has happened lately, oldest first.
    pub news: Vec<String>,
    /// What the host asked to read, in lines; it takes the place of everything else until Enter goes back.
    pub list: Vec<String>,
    /// Results, after the closing.
    pub results: Vec<String>,
    /// A number that changes when the page becomes another one.
    pub page: u64,
}

/// The slots in large letters; a bar stands below the one that plays.
fn slot_rows(slots: &[String], playing: Option<usize>) -> Vec<String> {
    let letters: Vec<[String; 3]> =
        slots.iter().map(|slot| glyphs::rows(slot.chars().next().unwrap_or(' '))).collect();
    let mut rows: Vec<String> = (0..3)
        .map(|row| letters.iter().map(|letter| ["  ", letter[row].as_str(), "  "].concat()).collect())
        .collect();
    rows.push(
        (0..slots.len())
            .map(|index| if playing == Some(index) { "  ▀▀▀▀▀▀  " } else { "          " })
            .collect(),
    );
    rows
}

/// How to join, with the code for a camera where all of it is in view at once.
fn joining(night: &NightScene) -> Vec<Block> {
    let mut words = Vec::new();
    if !night.hint.is_empty() {
        words.push(Block::text(night.hint.clone()));
        words.extend(night.said.iter().map(|line| Block::text(line.clone())));
        words.push(Block::Gap);
    }
    words.extend([
        Block::text("Open on a phone, with its camera or by typing"),
        Block::heading(night.join.clone()),
        Block::pair("code", night.code.clone()),
        Block::pair("seats taken", night.votes.1.to_string()),
    ]);
    if !night.news.is_empty() {
        words.push(Block::Gap);
        words.extend(night.news.iter().map(|line| Block::text(line.clone())));
    }
    if night.qr.is_empty() { words } else { vec![Block::Beside(night.qr.clone(), words)] }
}

/// The scene of a night. `typing`: the host may type; the room's display may not.
pub fn scene(night: &NightScene, typing: bool) -> Scene {
    let mut blocks = Vec::new();
    if !night.list.is_empty() {
        // Columns are kept as they are; a long line is broken.
        blocks.extend(night.list.iter().map(|line| match line.chars().count() {
            ..=76 => Block::Picture(vec![line.clone()]),
            _ => Block::text(line.clone()),
        }));
        return page(night, typing, blocks);
    }
    if night.joining {
        blocks.extend(joining(night));
    } else if !night.hint.is_empty() {
        blocks.push(Block::text(night.hint.clone()));
        blocks.extend(night.said.iter().map(|line| Block::text(line.clone())));
    }
    if !night.slots.is_empty() {
        blocks.push(Block::Picture(slot_rows(&night.slots, night.playing)));
        blocks.push(Block::text(match night.playing.and_then(|index| night.slots.get(index)) {
            Some(slot) => format!("{slot} plays. {}", night.question),
            None => night.question.clone(),
        }));
    }
    if let Some(left) = night.left {
        let what = if night.open && night.playing.is_none() { "votes close in" } else { "left" };
        blocks.push(Block::pair(what, format!("{left} s")));
    }
    let (voted, taken) = night.votes;
    if night.open {
        blocks.push(Block::pair("votes", format!("{voted} of {taken}")));
        if !night.missing.is_empty() {
            blocks.push(Block::pair("missing", night.missing.clone()));
        }
    } else if !night.joining {
        blocks.push(Block::pair("seats", taken.to_string()));
    }
    for line in &night.results {
        blocks.push(Block::text(line.clone()));
    }
    if !night.news.is_empty() && !night.joining {
        blocks.push(Block::Gap);
        blocks.extend(night.news.iter().map(|line| Block::text(line.clone())));
    }
    if night.results.is_empty() {
        if !night.joining {
            blocks.push(Block::Gap);
            blocks.push(Block::pair("join", night.join.clone()));
            blocks.push(Block::pair("code", night.code.clone()));
        }
        blocks.extend(night.cautions.iter().map(|caution| Block::caution(caution.clone())));
        blocks.push(Block::pair("seal", night.seal.0.clone()));
        blocks.push(Block::Digits(night.seal.1.clone()));
        if !night.qr.is_empty() && !night.joining {
            blocks.push(Block::Gap);
            blocks.push(Block::Code(night.qr.clone()));
        }
    }
    page(night, typing, blocks)
}

fn page(night: &NightScene, typing: bool, blocks: Vec<Block>) -> Scene {
    Scene {
        title: night.title.clone(),
        listener: night.host.clone(),
        marks: night.marks.clone(),
        notice: None,
        stage: Stage::Page(PageScene {
            kind: if typing { StageKind::Typing } else { StageKind::Page },
            id: night.page,
            heading: night.heading.clone(),
            blocks,
            entry: typing.then(|| Entry {
                label: "say (help lists what)".to_owned(),
                hidden: false,
                others: false,
            }),
            proceed: typing.then(|| if night.list.is_empty() { "next" } else { "back" }.to_owned()),
            progress: None,
            stoppable: false,
            folds: Vec::new(),
        }),
    }
}
