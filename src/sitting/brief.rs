//! What is agreed on, on one screen: what is asked, the score needed, the odds, three cautions. The whole of it waits
//! behind keys: [`mod@super::agreed`] and every caution.

use super::agreed::{self, agreed};
use crate::screen::{Action, Block, Fold, PageScene, Progress, StageKind};
use crate::session::caution::Caution;
use crate::session::cheating::STILL_POSSIBLE;
use crate::session::{Levels, Session};
use crate::stats::binomial;
use crate::stats::protocol::Sides;
use crate::trial::balance::draws_a;
use crate::trial::record::{StoppingTerms, WagerTerms};
use crate::trial::terms::score_needed;
use crate::trial::{Definition, Part, Terms, told};
use crate::units::printed::{count, rate, risk};

use super::pages::{self, id};

/// What is to be read before anything is heard, beside the terms themselves.
#[derive(Debug, Clone, Default)]
pub struct Around {
    /// What this sitting means for a wager.
    pub standing: Vec<String>,
    /// What to be careful of.
    pub cautions: Vec<Caution>,
    /// What the session and its stimuli have to say.
    pub remarks: Vec<String>,
    /// That sittings of the folder were taken away, where its last report tells.
    pub gone: Option<String>,
    /// That files changed since the last sitting of the folder.
    pub changed: Option<String>,
}

impl Around {
    /// Of a session; where its cautions cannot be computed, the usual ones.
    pub fn of(session: &Session) -> Self {
        let cautions = Caution::of(session).unwrap_or_else(|_| Caution::usual().to_vec());
        let gone = told::in_folder(&session.sittings_folder());
        Self { standing: Vec::new(), cautions, remarks: session.notes.clone(), gone, changed: None }
    }
}

/// The page of terms. `accepted` of `parties` have agreed; `progress` is the preparation that may still be going on.
pub fn terms(
    terms: &Terms,
    around: &Around,
    parties: &[String],
    accepted: &[String],
    progress: Option<Progress>,
) -> PageScene {
    let next = parties.iter().find(|party| !accepted.contains(party));
    // Another party reads the page from its top.
    let place = id::TERMS + 20 * accepted.len() as u64;
    let mut page = pages::page(StageKind::Terms, place, "The terms, before anything is heard");
    let blocks = &mut page.blocks;
    if let Some(wager) = &terms.wager {
        blocks.extend(stakes(wager));
        blocks.extend(around.standing.iter().map(Block::text));
        blocks.push(Block::Gap);
    }
    blocks.extend(test(terms));
    blocks.push(Block::Gap);
    blocks.extend(odds(terms));
    blocks.push(Block::Gap);
    blocks.extend(short_cautions(terms, &around.cautions));
    blocks.extend(around.gone.iter().chain(&around.changed).map(Block::caution));
    if let [done, ..] = accepted {
        blocks.push(Block::pair(done.clone(), "has accepted"));
    }
    page.folds = vec![
        Fold {
            action: Action::Cautions,
            heading: "Cautions".to_owned(),
            blocks: all_cautions(terms, &around.cautions),
        },
        Fold {
            action: Action::Details,
            heading: "Everything that is agreed on".to_owned(),
            blocks: details(terms, &around.remarks),
        },
    ];
    page.progress = progress;
    page.proceed = Some(match next {
        Some(party) if parties.len() > 1 => format!("{party} accepts"),
        _ => "accept".to_string(),
    });
    page
}

/// Who says what, and what is owed.
fn stakes(wager: &WagerTerms) -> [Block; 3] {
    [
        Block::pair(
            format!("{} says", wager.claimant),
            format!("\u{201c}{}.\u{201d} {} doubts it.", wager.claim.trim_end_matches('.'), wager.skeptic),
        ),
        Block::pair("If it is shown", wager.claimant_wins.clone()),
        Block::pair("If not", wager.skeptic_wins.clone()),
    ]
}

/// What is asked of the listener.
fn test(terms: &Terms) -> Vec<Block> {
    let definition = Definition::of(terms.protocol);
    let most = match terms.stopping {
        StoppingTerms::Sequential { .. } => "At most ",
        StoppingTerms::AllTrials {} => "",
    };
    let slots: Vec<&str> = definition.slots.iter().map(|slot| slot.label).collect();
    let slots = match slots.split_last() {
        Some((last, before)) if !before.is_empty() => format!("{} and {last}", before.join(", ")),
        _ => slots.concat(),
    };
    let times = match agreed::counted(terms) {
        1 => "once".to_owned(),
        counted => format!("{counted} times"),
    };
    let mut sentence =
        format!("{most}{times} you hear {slots}. {}", definition.question(terms.attribute.as_deref()));
    if most.is_empty() && sentence.starts_with("once") {
        sentence.replace_range(..1, "O");
    }
    let mut blocks = vec![Block::text(sentence)];
    blocks.extend(terms.comparisons.iter().map(|comparison| {
        let sides = if draws_a(terms) {
            format!("{} against {}: the seal draws which of them is A.", comparison.a, comparison.b)
        } else if slots.contains('A') {
            format!("A is {}, B is {}.", comparison.a, comparison.b)
        } else {
            format!("The cables are {} and {}.", comparison.a, comparison.b)
        };
        Block::text(format!("{sides} To be shown: {}.", agreed::claim_words(terms, comparison)))
    }));
    blocks.extend(beside(terms).map(Block::text));
    let level = match terms.levels {
        Levels::Matched => "Both play equally loud: only the shape of the sound differs.",
        Levels::AsWired => "The level stays as wired: loudness may be what you hear.",
    };
    blocks.push(Block::text(level));
    blocks
}

/// Trials that come before or among the counted ones.
fn beside(terms: &Terms) -> Option<String> {
    let mut sentences = Vec::new();
    if let Some(qualification) = &terms.qualification {
        let asked = match qualification.protocol {
            Some(_) => {
                format!(", asked \u{201c}{}\u{201d}", terms.asked_in(Part::Qualification).question(None))
            }
            None => String::new(),
        };
        sentences.push(format!(
            "First a qualification{asked}: {} of {} must be right, or the trials that count do not start.",
            qualification.correct, qualification.trials
        ));
    }
    let controls: u32 = terms.controls.iter().map(|control| control.trials).sum();
    let mixed = format!("{} mixed in and reported separately", count(u64::from(controls), "control trial"));
    let before = format!("{} first", count(u64::from(terms.warm_up), "warm-up trial"));
    match (terms.warm_up, controls) {
        (0, 0) => {}
        (0, _) => sentences.push(format!("{mixed}.")),
        (_, 0) => sentences.push(format!("{before}.")),
        _ => sentences.push(format!("{before}; {mixed}.")),
    }
    if let Some(panel) = &terms.panel {
        sentences.push(format!("You are one of a panel of {}: t says who counts.", panel.listeners));
    }
    (!sentences.is_empty()).then(|| sentences.join(" "))
}

/// The score needed, how often chance reaches it, how often a listener who hears it misses it.
fn odds(terms: &Terms) -> Vec<Block> {
    let inquiry = terms.inquiry();
    let trials = if terms.wager.is_some() { agreed::counted(terms) } else { terms.trials };
    let least = score_needed(inquiry, terms.alpha, u64::from(trials));
    let (Some(score), false) = (agreed::needed(terms), least > trials) else {
        // A rule for stopping, a threshold, several comparisons, too few trials: in full.
        return agreed::chances(terms);
    };
    let mut blocks = agreed::before_chances(terms);
    let (n, k) = (u64::from(trials), u64::from(score));
    // A wager names one side of a two-sided test: only that one wins it.
    let sides = if inquiry.sides == Sides::Two && terms.wager.is_none() { 2.0 } else { 1.0 };
    let chance = risk(sides * binomial::upper(k, n, inquiry.chance()));
    let who = if terms.protocol.asks().has_right_answer() {
        format!("A guesser gets there {chance}.")
    } else {
        format!("Without a preference it happens {chance}.")
    };
    blocks.push(Block::text(format!("You need {score} of {trials}{}. {who}", agreed::of_which(terms))));
    if !inquiry.two_sided() {
        blocks.push(Block::Score {
            trials,
            needed: Some(score),
            chance: f64::from(trials) * inquiry.chance(),
            reached: None,
        });
    }
    let missed = if k == 0 { 0.0 } else { binomial::lower(k - 1, n, 0.75) };
    blocks.push(Block::text(format!(
        "Someone who {} {}.",
        if inquiry.two_sided() {
            "answers so 75 % of the time misses it"
        } else {
            "is right 75 % of the time fails"
        },
        rate(missed, "such tests")
    )));
    blocks
}

/// Three lines that everybody should read.
fn short_cautions(terms: &Terms, cautions: &[Caution]) -> Vec<Block> {
    let special = cautions.iter().filter(|caution| !Caution::usual().contains(caution)).count() as u64;
    let all = match (special, terms.wager.is_some()) {
        (0, false) => "c: all cautions.".to_owned(),
        (0, true) => "c: all cautions, and how to cheat.".to_owned(),
        (more, false) => format!("c: {} here.", count(more, "more caution")),
        (more, true) => format!("c: {}, and how to cheat.", count(more, "more caution")),
    };
    vec![
        Block::caution("Start low: loud sound over time damages hearing."),
        Block::caution("Amplifier off before you move a cable. In-wall wiring: licensed people."),
        Block::caution(format!("{}: this certifies nothing. {all}", played(terms).0)),
    ]
}

/// What carries the sound: in a few words, and in a sentence.
fn played(terms: &Terms) -> (&'static str, &'static str) {
    if terms.switcher.is_some() {
        ("Real cables", "The sound comes through the real cables, switched.")
    } else if terms.comparisons.iter().all(|comparison| comparison.recorded.is_some()) {
        ("Recordings", "What is played was recorded at the loudspeaker's terminals.")
    } else {
        ("A simulation", "What is played is a simulation of the voltage at the loudspeaker's terminals.")
    }
}

/// Every caution in full, and where somebody has something to win, how to be cheated.
fn all_cautions(terms: &Terms, cautions: &[Caution]) -> Vec<Block> {
    let mut blocks: Vec<Block> = cautions.iter().map(|caution| Block::caution(caution.line())).collect();
    blocks.push(Block::caution(format!("{} The test advises; it certifies nothing.", played(terms).1)));
    if terms.wager.is_some() {
        blocks.push(Block::Gap);
        blocks.push(Block::heading("How you could still be cheated, and what to watch"));
        blocks.extend(STILL_POSSIBLE.map(Block::text));
    }
    blocks
}

/// Everything that is agreed on, and what else is worth knowing.
fn details(terms: &Terms, remarks: &[String]) -> Vec<Block> {
    let mut blocks = agreed(terms);
    if !remarks.is_empty() {
        blocks.push(Block::heading("Worth knowing"));
        blocks.extend(remarks.iter().map(Block::text));
    }
    blocks
}
