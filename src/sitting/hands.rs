//! Hands that are typed at this machine: the listener's first, then anybody else's with the machine's owner before the
//! others, and where there is a wager the skeptic's last.
//!
//! The order is the protection: whoever types last, and has read the secret on the disk, could choose a hand that suits the
//! others. So the last one belongs to the person who gains nothing from a difference.

use super::pages::{self, id};
use crate::screen::{Block, Entry, Intent, PageScene, StageKind};
use crate::session::same_person;
use crate::trial::hands::Hand;
use crate::trial::ledger::MAX_TEXT;
use crate::trial::{Event, View};

/// Whose hand is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Turn {
    /// The listener's.
    Listener(String),
    /// Anybody else's, one after the other.
    Others,
    /// The skeptic's, which is the last.
    Skeptic(String),
}

/// What became of what somebody wanted.
pub(super) enum Taken {
    /// This is for the conductor.
    Events(Vec<Event>),
    /// The next page.
    TurnedOver,
    /// Why not.
    Refused(String),
    /// It does nothing here.
    Nothing,
}

/// Takes the typed hands of one sealing.
#[derive(Debug, Default)]
pub(super) struct Hands {
    /// Whose turn it is; `None` before the first page.
    turn: Option<Turn>,
    /// A hand that was typed, and whose it is comes next.
    typed: Option<String>,
}

/// The skeptic of a wager.
fn skeptic(view: &View) -> Option<&str> {
    view.terms.wager.as_ref().map(|wager| wager.skeptic.as_str())
}

impl Hands {
    /// Whose turn it is.
    fn turn(&self, view: &View) -> Turn {
        let theirs = skeptic(view).is_some_and(|skeptic| same_person(&view.listener, skeptic));
        match &self.turn {
            Some(turn) => turn.clone(),
            // A skeptic who listens is asked once, at the end.
            None if theirs => Turn::Others,
            None => Turn::Listener(view.listener.clone()),
        }
    }

    /// The page that asks now.
    pub(super) fn page(&self, view: &View, given: &[Hand]) -> PageScene {
        match &self.typed {
            Some(_) => whose(given.len()),
            None => page(view, &self.turn(view), given),
        }
    }

    /// Takes what somebody wants.
    pub(super) fn take(&mut self, view: &View, intent: Intent) -> Taken {
        let turn = self.turn(view);
        let hand = |by: &str, text: String| Event::Hand { by: by.to_owned(), text };
        let text = match intent {
            Intent::Typed(text) if text.len() > MAX_TEXT => {
                return Taken::Refused(format!(
                    "This hand is too long: {MAX_TEXT} bytes are the most. Type a shorter one."
                ));
            }
            Intent::Typed(text) => text,
            Intent::Proceed => String::new(),
            // The listener gives none, and somebody else does.
            Intent::Next if matches!(turn, Turn::Listener(_)) => {
                self.turn = Some(Turn::Others);
                return Taken::TurnedOver;
            }
            _ => return Taken::Nothing,
        };
        if let Some(before) = self.typed.take() {
            if let Some(skeptic) = skeptic(view).filter(|skeptic| same_person(skeptic, &text)) {
                let why =
                    format!("{skeptic}'s hand comes last and is asked for then. This one was not taken.");
                return Taken::Refused(why);
            }
            return Taken::Events(vec![hand(&text, before)]);
        }
        match (turn, text.is_empty()) {
            (Turn::Listener(_) | Turn::Others, true) => match skeptic(view) {
                Some(skeptic) => {
                    self.turn = Some(Turn::Skeptic(skeptic.to_owned()));
                    Taken::TurnedOver
                }
                None => Taken::Events(vec![Event::Seal]),
            },
            (Turn::Listener(name), false) => {
                self.turn = Some(Turn::Others);
                Taken::Events(vec![hand(&name, text)])
            }
            (Turn::Others, false) => {
                self.typed = Some(text);
                Taken::TurnedOver
            }
            (Turn::Skeptic(_), true) => Taken::Events(vec![Event::Seal]),
            (Turn::Skeptic(name), false) => Taken::Events(vec![hand(&name, text), Event::Seal]),
        }
    }
}

/// The page on which a person's hand is asked for, with the seal to be photographed.
pub fn page(view: &View, turn: &Turn, given: &[Hand]) -> PageScene {
    let place = match turn {
        Turn::Listener(_) => 0,
        Turn::Others => 1,
        Turn::Skeptic(_) => 2,
    };
    let mut page = pages::page(
        StageKind::Typing,
        id::HANDS + 4 * given.len() as u64 + place,
        "The seal: your hand and the computer's secret decide every trial",
    );
    let last =
        skeptic(view).map(|skeptic| format!(" {skeptic}'s comes last, so nobody can choose one to suit it."));
    page.blocks = vec![
        Block::text(match turn {
            Turn::Listener(name) => format!(
                "{name}: don't trust this computer? Type anything now: that is your hand, not a secret. The computer chose \
                 its own secret first."
            ),
            Turn::Others => format!(
                "Now anybody else here, the owner of this computer first: one line each. Hands are not secret.{}",
                last.unwrap_or_default()
            ),
            Turn::Skeptic(name) => format!(
                "{name}: yours is the last hand. Type anything. Nobody can add one after it, so nobody can choose one to \
                 suit it."
            ),
        }),
        Block::Gap,
        Block::text("The seal of the computer's secret (public): photograph it, or write the words down."),
        pages::in_words(view.commitment),
        Block::Digits(view.commitment.hex()),
    ];
    if let Some(number) = view.sitting {
        let register = view.register.groups();
        page.blocks.push(Block::pair(
            "In this folder",
            format!("sitting {number}; register, the list of all sittings begun here: {register}"),
        ));
    }
    page.blocks.push(Block::Gap);
    page.blocks.push(Block::pair("Hands so far", so_far(given)));
    let (label, proceed) = match turn {
        Turn::Listener(name) if skeptic(view).is_some() => {
            (format!("{name}, your hand (an empty line: none):"), "no hand")
        }
        Turn::Listener(name) => (format!("{name}, your hand (an empty line: none):"), "no hand: seal it"),
        Turn::Others if skeptic(view).is_some() => {
            ("Another hand (an empty line: no more):".to_owned(), "no more of them")
        }
        Turn::Others => ("Another hand (an empty line: no more):".to_owned(), "no more hands: seal it"),
        Turn::Skeptic(name) => {
            (format!("{name}, your hand, the last one (an empty line: none):"), "no hand: seal it")
        }
    };
    page.entry = Some(Entry { label, hidden: false, others: matches!(turn, Turn::Listener(_)) });
    page.proceed = Some(proceed.to_owned());
    page
}

/// How many hands there are, and whose.
fn so_far(given: &[Hand]) -> String {
    if given.is_empty() {
        return "none".to_string();
    }
    let names: Vec<&str> =
        given.iter().map(|hand| if hand.by.is_empty() { "unnamed" } else { hand.by.as_str() }).collect();
    format!("{} ({})", given.len(), names.join(", "))
}

/// A hand was typed, the one after `before` others: whose is it?
pub fn whose(before: usize) -> PageScene {
    let mut page =
        pages::page(StageKind::Typing, id::HANDS + 4 * before as u64 + 3, "The seal: whose hand is this?");
    page.blocks = vec![Block::text(
        "The name, or a role such as \u{201c}the owner\u{201d}, stands next to the hand in the journal and in every report, so \
         that you can find yours later. The name does not affect the draws.",
    )];
    page.entry = Some(Entry {
        label: "Whose hand is it (an empty line: unnamed):".to_owned(),
        hidden: false,
        others: false,
    });
    page.proceed = Some("unnamed".to_string());
    page
}
