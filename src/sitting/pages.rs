//! The words of every page before and between trials.

use crate::conduct::CableWait;
use crate::conduct::witness::Invitation;
use crate::screen::{Block, Entry, PageScene, Progress, StageKind};
use crate::session::Fact;
use crate::session::caution::Caution;
use crate::trial::record::StoppingTerms;
use crate::trial::rounds;
use crate::trial::view::RoundView;
use crate::trial::{Digest, Part, Terms, TrialId, TrialView};
use crate::units::printed::{capital, count, fixed, moment, verb};

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
        folds: Vec::new(),
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
    pub(in crate::sitting) const LINK: u64 = 14;
    pub(in crate::sitting) const INVITATION: u64 = 15;
    pub(in crate::sitting) const OPERATOR: u64 = 16;
    pub(in crate::sitting) const FACTS: u64 = 200;
}

/// Asks for a fact about listener or place.
pub fn fact(fact: Fact) -> PageScene {
    let place = Fact::ALL.iter().position(|other| *other == fact).unwrap_or(0) as u64;
    let mut page = page(StageKind::Typing, id::FACTS + place, fact.question());
    page.blocks = vec![
        Block::text(
            "Your answer is sealed with this sitting and appears in the report; an anonymous report shows it without a name.",
        ),
        Block::text(match fact.answers() {
            [] => "Leave the line empty to say nothing.".to_owned(),
            answers => format!("Type one of: {}. Leave the line empty to say nothing.", answers.join(", ")),
        }),
    ];
    page.entry = Some(Entry { label: format!("{}:", fact.title()), hidden: false, others: false });
    page.proceed = Some("go on".to_string());
    page
}

/// A sitting of this listener is unfinished. `level_db` is the level that was set before.
pub fn resume(opened: &str, answered: u32, level_db: Option<f64>) -> PageScene {
    let mut page = page(StageKind::Resume, id::RESUME, "You have an unfinished sitting.");
    page.blocks = vec![
        Block::pair("Opened", moment(opened.trim_end_matches('Z'))),
        Block::pair("Answered", count(u64::from(answered), "trial")),
    ];
    page.blocks.extend(level_db.map(|level_db| Block::pair("Level", decibels(level_db))));
    page.blocks.extend([
        Block::Gap,
        Block::text(
            "It goes on where it stopped. The computer draws a fresh secret and seals again, so nothing known before helps \
             with the trials to come.",
        ),
        Block::Gap,
        Block::text(
            "Or start a new one. The unfinished one then stays in the register as never finished, and every report shows it.",
        ),
    ]);
    page.proceed = Some("go on with it".to_string());
    page
}

/// A level in decibels: "−12 dB".
pub fn decibels(level_db: f64) -> String {
    fixed(level_db, 0, "dB")
}

/// The level check, which starts low. `next` says what comes after it.
pub fn level(level_db: f64, softest: f64, next: Vec<Block>) -> PageScene {
    let mut page = page(StageKind::Level, id::LEVEL, "Set the level");
    page.blocks = vec![
        Block::text(
            "You hear the first clip through side A, quietly. Turn the amplifier down, then make it louder step by step \
             until it is comfortable. Everything in this sitting plays at this level.",
        ),
        Block::Gap,
        Block::Level { decibels: level_db, softest },
        Block::Gap,
        Block::text("For the cleanest sound, raise this to 0 dB and set the loudness on the amplifier."),
        Block::caution(Caution::Hearing.line()),
        Block::Gap,
    ];
    page.blocks.extend(next);
    page.proceed = Some("this level".to_string());
    page
}

/// The level that was set before the sitting was interrupted: kept, or set anew. Nothing plays yet.
pub fn level_kept(level_db: f64, softest: f64, next: Vec<Block>) -> PageScene {
    let mut page = page(StageKind::Level, id::LEVEL, "The level is as before");
    page.blocks = vec![
        Block::Level { decibels: level_db, softest },
        Block::Gap,
        Block::text(format!(
            "Nothing plays yet. Enter keeps {}, as it was before the interruption. Louder sets it anew, from the softest \
             on.",
            decibels(level_db)
        )),
        Block::caution("Did anybody turn up the amplifier meanwhile? Then set it anew."),
        Block::Gap,
    ];
    page.blocks.extend(next);
    page.proceed = Some("keep it".to_string());
    page
}

/// Who connects the cables: a person whose page is to be opened. Nobody else may see it.
pub fn operator_awaited(invitation: &Invitation) -> PageScene {
    let mut page = page(StageKind::Page, id::OPERATOR, "For the operator alone");
    let (address, code) = invitation.address.split_once("/#").unwrap_or((&invitation.address, ""));
    let words = vec![
        Block::text(
            "Listener: look away. Operator: scan this code, or open the address, on a phone in the same network. The first page \
             that opens it is the operator's; nobody can open it after that.",
        ),
        Block::Gap,
        Block::Copy("Address".to_owned(), address.to_owned()),
        Block::Copy("Code".to_owned(), code.to_owned()),
        Block::Gap,
        Block::text("Stay out of the listener's sight and hearing. This page goes on by itself."),
        Block::caution("Amplifier off or muted before anything is connected or disconnected."),
    ];
    page.blocks = vec![Block::Beside(invitation.code.clone(), words)];
    page
}

/// Which presentation of a round of real cables is on, or what a round holds; nothing where nothing comes in rounds. The same
/// whichever cable is where.
pub fn round(trial: &TrialView) -> String {
    let Some(RoundView { number, order, at }) = &trial.round else { return String::new() };
    let slots = trial.slots.len();
    match (at, number, order.len() - slots) {
        (Some(at), ..) => {
            let named = trial.slots.get(order[*at]).map_or("silent by design", |slot| slot.label);
            format!("{} of {}: {named}", at + 1, order.len())
        }
        (None, 1, 0) => format!("Next: a round of {slots} sounds"),
        (None, 1, silent) => format!("Next: a round of {slots} sounds, {silent} silent"),
        (None, ..) => "Next: another whole round".to_owned(),
    }
}

/// A real cable is waited for: in words that are the same whichever it is.
pub fn cable_wait(wait: CableWait) -> String {
    let seconds = |left_ms: u64| left_ms.div_ceil(1000);
    match wait {
        CableWait::Awaited { by_hand: true } => {
            "Waiting for the operator to confirm that nothing is connected.".to_owned()
        }
        CableWait::Awaited { by_hand: false } => "Waiting until nothing is connected.".to_owned(),
        CableWait::Connecting { silent: true, .. } => {
            "A cable is being connected; nothing will sound.".to_owned()
        }
        CableWait::Connecting { left_ms, .. } => {
            format!("A cable is being connected: sound in {} s.", seconds(left_ms))
        }
        CableWait::Silent { left_ms } => {
            format!("Silent by design, for {} s more.", seconds(left_ms))
        }
    }
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
    let (address, code) = invitation.address.split_once("/#").unwrap_or((&invitation.address, ""));
    let words = vec![
        Block::text(
            "The witness opens this address on a phone in the same network. Let it be the person who doubts. The phone holds \
             half of every draw and opens it trial by trial.",
        ),
        Block::Gap,
        Block::Copy("Address".to_owned(), address.to_owned()),
        Block::Copy("Code".to_owned(), code.to_owned()),
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
    page.blocks =
        vec![Block::text(format!("The next trial begins when {whose} opens its part of the draw."))];
    if waited_ms >= PATIENCE_MS {
        page.blocks.extend([
            Block::text(
                "Is it asleep or out of range? Wake it and leave its page open: the sitting goes on by itself. Every answer so \
                 far is kept.",
            ),
            Block::Gap,
            Block::text(
                "Or go on under a fresh seal: a new secret, with any witness who joins. The journal says whose phone was lost.",
            ),
            Block::Gap,
            Block::text("Or leave: the same command goes on from here."),
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
            "No sitting was opened, and nothing is on the disk. Mend the session, then run the same command again.",
        ),
    ];
    page.proceed = Some("leave".to_string());
    page
}

/// The words of a digest, to be photographed or written down: two groups to a line.
pub(super) fn in_words(digest: Digest) -> Block {
    let groups = digest.groups();
    let middle = groups.match_indices(" / ").nth(1).map_or(groups.len(), |(at, _)| at);
    let (upper, lower) = groups.split_at(middle);
    Block::loud(format!("{upper} /\n{}", lower.trim_start_matches(" / ")))
}

/// What a part is called.
pub fn part_name(part: Part) -> &'static str {
    match part {
        Part::Qualification => "Qualification",
        Part::WarmUp => "Warm-up",
        Part::Main => "Trial",
    }
}

/// A part is about to start: what it is, and where `first`, how a trial goes.
pub fn announcement(terms: &Terms, next: TrialId, of: u32, first: bool) -> Vec<Block> {
    let trials = count(u64::from(of), "trial");
    let mut blocks = vec![Block::text(match next.part {
        Part::Qualification => {
            let least = terms.qualification.map_or(of, |qualification| qualification.correct);
            format!(
                "First a qualification: {trials} with a difference that most people hear. {least} of them must be right, or \
                 the trials that count do not start."
            )
        }
        Part::WarmUp => {
            format!("First a warm-up: {trials} that {} not count.", verb(u64::from(of), "does", "do"))
        }
        Part::Main => {
            let sequential = matches!(terms.stopping, StoppingTerms::Sequential { .. });
            let most = if sequential { "at most " } else { "" };
            let done = match next.trial.saturating_sub(1) {
                0 => String::new(),
                done => format!(" {done} of them {} done.", verb(u64::from(done), "is", "are")),
            };
            let mixed = if terms.controls.iter().any(|control| control.trials > 0) {
                " Control trials are among them and look like all others."
            } else {
                ""
            };
            format!("Now {most}{trials}.{done}{mixed}")
        }
    })];
    if first {
        let silent = match rounds::fillings(terms, next.part) {
            0 => String::new(),
            fillings => format!(" and {}", count(fillings as u64, "silent presentation")),
        };
        blocks.push(Block::text(if rounds::connections(terms, next.part).is_some() {
            format!(
                "Space begins a round: every sound once{silent}, in a drawn order. Answer after a round, or ask for another. \
                 Choose an answer, then press Enter: it is recorded for good."
            )
        } else {
            "Listen as long and as often as you like. Each sound has a key, and the clip goes on at the same place. Choose an \
             answer, then press Enter: it is recorded for good."
                .to_owned()
        }));
        if terms.protocol.asks().has_right_answer() {
            blocks.push(Block::text("Nobody learns before the end which answers were right."));
        }
        blocks.push(Block::text("If the sound drops out, the trial is drawn again and repeated."));
    }
    blocks
}

/// A page for [`announcement`], with what else is worth knowing.
pub fn announce(terms: &Terms, next: TrialId, of: u32, first: bool, remarks: &[String]) -> PageScene {
    let heading = match next.part {
        Part::Qualification => "Qualification",
        Part::WarmUp => "Warm-up",
        Part::Main => "The trials that count",
    };
    let place = id::ANNOUNCE + next.part as u64 * 10 + u64::from(next.trial == 1);
    let mut page = page(StageKind::Page, place, heading);
    page.blocks = announcement(terms, next, of, first);
    page.blocks.extend(worth_knowing(remarks));
    page.proceed = Some("start".to_string());
    page.stoppable = true;
    page
}

/// What the stimuli have to say, before the first trial.
pub fn worth_knowing(remarks: &[String]) -> Vec<Block> {
    let heading = (!remarks.is_empty()).then(|| Block::heading("Worth knowing"));
    heading.into_iter().chain(remarks.iter().map(Block::text)).collect()
}

/// A rest; `receipt` is the running one, to be noted down in peace.
pub fn rest(listened_ms: u64, offered: bool, next: TrialId, of: u32, receipt: Option<Digest>) -> PageScene {
    let mut page = page(StageKind::Page, id::REST + u64::from(next.trial), "Rest your ears");
    let minutes = listened_ms as f64 / 60_000.0;
    let words = match format!("{minutes:.0}").as_str() {
        "0" => "less than a minute".to_string(),
        "1" => "a minute".to_string(),
        minutes => format!("{minutes} minutes"),
    };
    let tire = if offered { " Ears tire before you notice." } else { "" };
    page.blocks = vec![
        Block::text(format!("You have listened for {words} since the last rest.{tire}")),
        Block::text("Stand up, drink some water, talk about something else. Nothing runs meanwhile."),
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
    let answered = u64::from(answered);
    page.blocks = vec![
        Block::text(format!(
            "{} {} answered. The end was agreed before the first one.",
            count(answered, "trial"),
            verb(answered, "is", "are")
        )),
        Block::Gap,
        Block::text(
            "Stopping now opens the seal and ends the sitting without a verdict, whatever the score. Every report shows \
             that it was stopped.",
        ),
        Block::Gap,
        Block::text("Only tired? Go back and leave: the same command goes on from here."),
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
        Block::text("Plug it in or switch it on: the sitting then goes on by itself."),
        Block::text("Or leave: everything recorded is kept, and the same command goes on from here."),
        Block::Gap,
        Block::text("The trial you were in is drawn again and repeated."),
        Block::Gap,
        Block::pair("The system says", reason),
    ];
    page
}

/// Nothing can go on, and what to do about it.
pub fn stopped(reason: &str, remedy: &str) -> PageScene {
    let mut page = page(StageKind::Result, id::STOPPED, "The sitting had to stop");
    page.blocks = vec![Block::caution(sentence(reason)), Block::Gap, Block::text(format!("{remedy}."))];
    page.proceed = Some("leave".to_string());
    page
}

/// What the sound's own words say, as a sentence.
pub(super) fn sentence(text: &str) -> String {
    format!("{}.", capital(text))
}
