//! The words of every page before and between trials.

use super::agreed::agreed;
use crate::conduct::witness::Invitation;
use crate::screen::{Block, Entry, PageScene, Progress, StageKind};
use crate::session::Fact;
use crate::session::caution::Caution;
use crate::session::cheating::STILL_POSSIBLE;
use crate::trial::record::StoppingTerms;
use crate::trial::{Digest, Part, Terms, TrialId};

/// An empty page; the builders below fill it.
pub(super) fn page(kind: StageKind, id: u64, heading: impl Into<String>) -> PageScene {
    PageScene {
        kind,
        id,
        heading: heading.into(),
        blocks: Vec::new(),
        entry: None,
        proceed: None,
        progress: None,
        stoppable: false,
    }
}

/// Ids of pages: another id means another page.
pub(super) mod id {
    pub(in crate::sitting) const TERMS: u64 = 1;
    pub(in crate::sitting) const RESUME: u64 = 2;
    pub(in crate::sitting) const PASSPHRASE: u64 = 3;
    pub(in crate::sitting) const REPEAT: u64 = 4;
    pub(in crate::sitting) const HANDS: u64 = 100;
    pub(in crate::sitting) const DICED: u64 = 13;
    pub(in crate::sitting) const LEVEL: u64 = 5;
    pub(in crate::sitting) const ANNOUNCE: u64 = 1000;
    pub(in crate::sitting) const REST: u64 = 100_000;
    pub(in crate::sitting) const STOP: u64 = 6;
    pub(in crate::sitting) const CLOSING: u64 = 7;
    pub(in crate::sitting) const LOST: u64 = 8;
    pub(in crate::sitting) const STOPPED: u64 = 9;
    pub(in crate::sitting) const WAITING: u64 = 10;
    pub(in crate::sitting) const NOT_PREPARED: u64 = 11;
    pub(in crate::sitting) const REMARKS: u64 = 12;
    pub(in crate::sitting) const LINK: u64 = 14;
    pub(in crate::sitting) const INVITATION: u64 = 15;
    pub(in crate::sitting) const FACTS: u64 = 200;
}

/// Asks for a fact about listener or place.
pub fn fact(fact: Fact) -> PageScene {
    let place = Fact::ALL.iter().position(|other| *other == fact).unwrap_or(0) as u64;
    let mut page = page(StageKind::Typing, id::FACTS + place, fact.question());
    page.blocks = vec![
        Block::text(
            "The answer is sealed with this sitting and stands in the report. No name goes with it in an anonymous one.",
        ),
        Block::text(match fact.answers() {
            [] => "An empty line says nothing.".to_owned(),
            answers => format!("Type one of: {}. An empty line says nothing.", answers.join(", ")),
        }),
    ];
    page.entry = Some(Entry { label: format!("{}:", fact.title()), hidden: false });
    page.proceed = Some("go on".to_string());
    page
}

/// What is agreed, before anything is heard. `accepted` of `parties` have agreed; `progress` is the preparation that
/// may still be going on. `standing` says what this sitting means for a wager.
pub fn terms(
    terms: &Terms,
    standing: &[String],
    parties: &[String],
    accepted: &[String],
    progress: Option<Progress>,
    cautions: &[String],
    remarks: &[String],
) -> PageScene {
    let next = parties.iter().find(|party| !accepted.contains(party));
    let mut page = page(StageKind::Page, id::TERMS, "The terms, before anything is heard");
    let blocks = &mut page.blocks;
    if let Some(wager) = &terms.wager {
        blocks.push(Block::heading("The wager"));
        blocks.push(Block::pair(format!("{} claims", wager.claimant), wager.claim.clone()));
        blocks.push(Block::pair(format!("{} doubts it", wager.skeptic), String::new()));
        blocks.push(Block::pair("If shown", wager.claimant_wins.clone()));
        blocks.push(Block::pair("If not", wager.skeptic_wins.clone()));
        blocks.extend(standing.iter().map(Block::text));
        blocks.push(Block::Gap);
    }
    blocks.extend(agreed(terms));
    blocks.push(Block::Gap);
    blocks.push(Block::heading("Be careful"));
    blocks.extend(cautions.iter().map(Block::caution));
    blocks.push(Block::caution(
        "What is played is a simulation of the voltage at the loudspeaker's terminals. It advises; it certifies \
         nothing.",
    ));
    if terms.wager.is_some() {
        blocks.push(Block::Gap);
        blocks.push(Block::heading("How you could still be cheated, and what to watch"));
        blocks.extend(STILL_POSSIBLE.map(Block::text));
    }
    if !remarks.is_empty() {
        blocks.push(Block::Gap);
        blocks.push(Block::heading("Worth knowing"));
        blocks.extend(remarks.iter().map(Block::text));
    }
    if parties.len() > 1 {
        blocks.push(Block::Gap);
        for party in parties {
            let word = if accepted.contains(party) { "has accepted" } else { "has not accepted yet" };
            blocks.push(Block::pair(party.clone(), word));
        }
    }
    page.progress = progress;
    page.proceed = Some(match next {
        Some(party) if parties.len() > 1 => format!("{party} accepts"),
        _ => "accept".to_string(),
    });
    page
}

/// A sitting of this listener was cut off.
pub fn resume(opened: &str, answered: u32) -> PageScene {
    let mut page = page(StageKind::Resume, id::RESUME, "A sitting of yours was cut off");
    page.blocks = vec![
        Block::pair("Opened", opened),
        Block::pair("Answered", format!("{answered} {}", if answered == 1 { "trial" } else { "trials" })),
        Block::Gap,
        Block::text(
            "It can go on where it stopped. The computer then draws a fresh secret, and you seal again: nothing that \
             was known before helps with the trials to come. A new sitting can be started instead; then the old one stays in the register as opened and never finished, and every report shows it.",
        ),
    ];
    page.proceed = Some("go on with it".to_string());
    page
}

/// The level check, which starts low.
pub fn level(decibels: f64, softest: f64) -> PageScene {
    let mut page = page(StageKind::Level, id::LEVEL, "Set the level");
    page.blocks = vec![
        Block::text(
            "You hear the first clip through side A, quietly. Turn the amplifier down first. Then raise the level here \
             in steps, and stop where it is comfortable. Every stimulus of the sitting is played at this setting.",
        ),
        Block::Gap,
        Block::Level { decibels, softest },
        Block::Gap,
        Block::text(
            "Full scale here (0 dB) and the volume set at the amplifier keeps the most of the sound's accuracy.",
        ),
        Block::caution(Caution::Hearing.line()),
    ];
    page.proceed = Some("this level".to_string());
    page
}

/// Something is being done that takes a moment.
pub fn waiting(heading: &str, progress: Option<Progress>) -> PageScene {
    let mut page = page(StageKind::Page, id::WAITING, heading);
    page.progress = progress;
    page
}

/// Where witnesses are invited. `names` have joined; a sitting that goes on may go on without one.
pub fn invitation(invitation: &Invitation, names: &[&str], goes_on: bool) -> PageScene {
    let mut page =
        page(StageKind::Page, id::INVITATION + 100_000 * names.len() as u64, "Who is the witness?");
    let words = vec![
        Block::text(
            "The witness opens this address on a phone in the same network: best the one who doubts. The phone holds the other \
             half of every draw, and opens it trial by trial.",
        ),
        Block::Gap,
        Block::Copy("Address".to_owned(), invitation.address.clone()),
        Block::Gap,
        Block::pair("Witnesses", if names.is_empty() { "none yet".to_owned() } else { names.join(", ") }),
    ];
    page.blocks = vec![Block::Beside(invitation.code.clone(), words)];
    page.proceed = match (names.is_empty(), goes_on) {
        (false, _) => Some("that is everybody".to_owned()),
        (true, true) => Some("go on without a witness".to_owned()),
        (true, false) => None,
    };
    page
}

/// How long a witness is waited for before a way out is offered, in milliseconds.
pub const PATIENCE_MS: u64 = 10_000;

/// The next trial begins when its witnesses have opened their links.
pub fn link_awaited(missing: &[String], waited_ms: u64) -> PageScene {
    let whose = match missing {
        [one] => format!("{one}'s phone"),
        several => format!("the phones of {}", several.join(" and ")),
    };
    let mut page = page(StageKind::Page, id::LINK, "Waiting for the witness");
    page.blocks = vec![Block::text(format!("The next trial begins when {whose} opens its link."))];
    if waited_ms >= PATIENCE_MS {
        page.blocks.extend([
            Block::text(
                "Is it asleep, or out of range? Wake it and leave the page open: the sitting goes on by itself. Every answer \
                 so far is kept.",
            ),
            Block::Gap,
            Block::text(
                "Or go on with a fresh seal: a new secret, and whoever is there becomes its witness. The journal says whose \
                 phone was lost.",
            ),
            Block::Gap,
            Block::text("Or leave: the same command resumes the sitting."),
        ]);
        page.proceed = Some("a fresh seal".to_owned());
    }
    page.stoppable = true;
    page
}

/// The stimuli cannot be made.
pub fn not_prepared(why: &str) -> PageScene {
    let mut page = page(StageKind::Result, id::NOT_PREPARED, "The stimuli cannot be made");
    page.blocks = vec![
        Block::caution(why),
        Block::Gap,
        Block::text(
            "Nothing was opened, and nothing is on the disk. Mend the session, then run the same command again.",
        ),
    ];
    page.proceed = Some("leave".to_string());
    page
}

/// What the preparation found out after the terms were read.
pub fn remarks(remarks: &[String]) -> PageScene {
    let mut page = page(StageKind::Page, id::REMARKS, "Worth knowing");
    page.blocks = remarks.iter().map(Block::text).collect();
    page.proceed = Some("go on".to_string());
    page
}

/// What a part is called.
pub fn part_name(part: Part) -> &'static str {
    match part {
        Part::Qualification => "Qualification",
        Part::WarmUp => "Warm-up",
        Part::Main => "Trial",
    }
}

/// A part is about to start.
pub fn announce(terms: &Terms, next: TrialId, of: u32) -> PageScene {
    let mut page =
        page(StageKind::Page, id::ANNOUNCE + next.part as u64 * 10 + u64::from(next.trial == 1), "");
    let listen = "Listen as long and as often as you like: switch with the keys on the slots, at the same place in the \
                  clip. Choose an answer, then record it. A recorded answer cannot be changed, and nobody is told \
                  before the end whether it was right.";
    match next.part {
        Part::Qualification => {
            page.heading = "Qualification".to_string();
            let least = terms.qualification.map_or(of, |qualification| qualification.correct);
            page.blocks.push(Block::text(format!(
                "First {of} trials with a difference that most people hear. {least} of them must be right, else the \
                 counted trials do not start."
            )));
        }
        Part::WarmUp => {
            page.heading = "Warm-up".to_string();
            page.blocks.push(Block::text(format!("First {of} trials to warm up. They do not count.")));
        }
        Part::Main => {
            page.heading = "The counted trials".to_string();
            page.blocks.push(Block::text(format!(
                "{} {of} trials{}. Control trials may be among them and look like all others.",
                if matches!(terms.stopping, StoppingTerms::Sequential { .. }) { "At most" } else { "Now" },
                match next.trial.saturating_sub(1) {
                    0 => String::new(),
                    done => format!(", {done} of them done"),
                }
            )));
        }
    }
    page.blocks.push(Block::Gap);
    page.blocks.push(Block::text(listen));
    page.blocks.push(Block::text(
        "If the sound is disturbed, the trial is void: it is repeated with a fresh draw, and the report counts it.",
    ));
    page.proceed = Some("start".to_string());
    page.stoppable = true;
    page
}

/// A rest; `receipt` is the running one, to be noted down in peace.
pub fn rest(listened_ms: u64, offered: bool, next: TrialId, of: u32, receipt: Option<Digest>) -> PageScene {
    let mut page = page(StageKind::Page, id::REST + u64::from(next.trial), "Rest your ears");
    let minutes = listened_ms as f64 / 60_000.0;
    page.blocks = vec![
        Block::text(if offered {
            let minutes = match format!("{minutes:.0}").as_str() {
                "1" => "a minute".to_string(),
                minutes => format!("{minutes} minutes"),
            };
            format!("You have listened for {minutes} since the last rest. Ears tire before one notices.")
        } else {
            format!("You have listened for {minutes:.1} minutes since the last rest.")
        }),
        Block::text("Stand up, have a drink of water, talk about something else. Nothing runs meanwhile."),
        Block::Gap,
        Block::pair("Next", format!("{} {} of {of}", part_name(next.part), next.trial)),
    ];
    if let Some(receipt) = receipt {
        page.blocks.push(Block::pair("Receipt so far", receipt.groups()));
    }
    page.proceed = Some("go on".to_string());
    page.stoppable = true;
    page
}

/// Whether to stop for good.
pub fn confirm_stop(answered: u32) -> PageScene {
    let mut page = page(StageKind::Question, id::STOP, "Stop for good?");
    page.blocks = vec![
        Block::text(format!(
            "{answered} trials are answered. The rule for stopping was fixed before the first one."
        )),
        Block::Gap,
        Block::text(
            "Stopping now opens the seal and ends the sitting. A sitting stopped early has no verdict, whatever its \
             score, and every report shows that it was stopped.",
        ),
    ];
    page.proceed = Some("stop for good".to_string());
    page
}

/// The seal is being opened.
pub fn closing() -> PageScene {
    let mut page = page(StageKind::Page, id::CLOSING, "Opening the seal");
    page.blocks = vec![Block::text("The last record is being written.")];
    page
}

/// The sound device is gone.
pub fn device_lost(reason: &str) -> PageScene {
    let mut page = page(StageKind::Page, id::LOST, "The sound device is gone");
    page.blocks = vec![
        Block::text("Plug it in again, or switch it on: the sitting goes on by itself."),
        Block::text("Or leave: everything recorded is kept, and the same command resumes the sitting."),
        Block::Gap,
        Block::text("A trial that was on is void, and is repeated with a fresh draw."),
        Block::Gap,
        Block::pair("The system says", reason),
    ];
    page
}

/// Nothing can go on, and what to do about it.
pub fn stopped(reason: &str, remedy: &str) -> PageScene {
    let mut page = page(StageKind::Result, id::STOPPED, "The sitting had to stop");
    page.blocks =
        vec![Block::caution(format!("Stopped: {reason}.")), Block::Gap, Block::text(format!("{remedy}."))];
    page.proceed = Some("leave".to_string());
    page
}
