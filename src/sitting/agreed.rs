//! What is agreed on before anything is heard, in words and numbers: for the page of terms, for `check`, and for the result.

use std::fmt::Write as _;

use crate::screen::Block;
use crate::session::{Caution, Family, Levels, Scale, Switching};
use crate::stats::binomial;
use crate::stats::protocol::{Asks, Compared, Sides};
use crate::stats::sequential::{Exact, SequentialTest};
use crate::stats::threshold::staircase::Rule;
use crate::stats::threshold::track::Method;
use crate::trial::balance::draws_a;
use crate::trial::record::{ComparisonTerms, StoppingTerms, ThresholdTerms};
use crate::trial::rounds;
use crate::trial::score;
use crate::trial::terms::score_needed;
use crate::trial::{Definition, Part, Terms};
use crate::units::printed::{count, percent, rate, risk, stated};
use crate::verdict;

/// Names of terms that [`TOLD_LATER`] lists too.
const COMPARISON: &str = "Comparison";
const CLAIM: &str = "Claim";
const LISTEN_TO: &str = "Listen to";
const CONFIDENCE: &str = "Confidence";
const SWITCHING: &str = "Switching";
const RESTS: &str = "Rests";
/// Terms that a listener is told again at the right moment, and those that are about one comparison.
pub const TOLD_LATER: [&str; 6] = [LISTEN_TO, SWITCHING, RESTS, COMPARISON, CLAIM, CONFIDENCE];

/// The test: question, claim, what must be heard, trials, score needed, and how often chance reaches it.
pub fn agreed(terms: &Terms) -> Vec<Block> {
    let definition = Definition::of(terms.protocol);
    let mut page = Vec::new();
    let blocks = &mut page;
    blocks.push(Block::heading("The test"));
    blocks.push(Block::pair(
        "Question",
        format!("{} ({})", definition.question(terms.attribute.as_deref()), definition.title),
    ));
    for comparison in &terms.comparisons {
        blocks.push(Block::pair(
            COMPARISON,
            if draws_a(terms) {
                format!(
                    "{}: {} against {}; the seal draws which of them is A, and shows it at the end",
                    comparison.name, comparison.a, comparison.b
                )
            } else {
                format!("{}: A is {}, B is {}", comparison.name, comparison.a, comparison.b)
            },
        ));
        blocks.push(Block::pair(CLAIM, claim_words(terms, comparison)));
    }
    blocks.push(Block::pair(LISTEN_TO, listen_words(terms)));
    blocks.push(Block::pair("Trials", trials_words(terms)));
    if terms.confidence {
        blocks.push(Block::pair(CONFIDENCE, "asked with each answer, 1 (a guess) to 5 (certain)"));
    }
    blocks.push(Block::pair(
        SWITCHING,
        match terms.switching {
            Switching::Gap => "with a short silence between",
            Switching::Instant => "instant, at the same place",
        },
    ));
    blocks.push(Block::pair(
        RESTS,
        format!("offered after {} min of listening, and whenever you ask", terms.rest_after_minutes),
    ));
    blocks.push(Block::pair(
        "Levels",
        match terms.levels {
            Levels::Matched => {
                "matched to equal loudness (ITU-R BS.1770): only the shape of the sound differs"
            }
            Levels::AsWired => "as wired: a difference in level stays in, and may be what is heard",
        },
    ));
    blocks.extend(chances(terms));
    declared_panel(terms, blocks);
    page
}

/// What the panel is, who is left out, for whom the result holds, and which difference would be worth mentioning.
fn declared_panel(terms: &Terms, blocks: &mut Vec<Block>) {
    let Some(panel) = &terms.panel else { return };
    let each = match panel.sittings_each {
        1 => "one sitting each".to_owned(),
        sittings => format!("{sittings} sittings each"),
    };
    blocks.push(Block::heading("The panel"));
    blocks.push(Block::pair(
        "Listeners",
        if panel.looks.is_empty() {
            format!(
                "{}, {each}; there is no verdict on all of them before the last one has sat",
                panel.listeners
            )
        } else {
            format!("{}, {each}", panel.listeners)
        },
    ));
    if !panel.looks.is_empty() {
        blocks.push(Block::pair("Looked at", verdict::panel::looks_words(panel)));
    }
    if let Some(words) = verdict::panel::balance_words(panel) {
        blocks.push(Block::pair("Balanced", words));
    }
    blocks.push(Block::pair("Left out", verdict::panel::leave_out_words(panel.leave_out)));
    blocks.push(Block::pair("Holds", verdict::panel::for_whom_words(panel.for_whom)));
    if let Some(share) = panel.no_difference_above {
        blocks.push(Block::pair(
            "No difference",
            format!(
                "worth mentioning, if heard in at most {} of trials; wrongly said in at most {} of such panels",
                stated(share),
                stated(panel.no_difference_risk)
            ),
        ));
    }
}

/// What the claim is, and with it which answer is right: agreed on before anything is heard.
pub fn claim_words(terms: &Terms, comparison: &ComparisonTerms) -> String {
    let claim = terms.inquiry().claim(&compared(terms, comparison));
    let counts = match (terms.protocol.asks(), terms.inquiry().sides) {
        (Asks::Attribute, Sides::One) => "; answers that say so count as right",
        (Asks::Attribute, Sides::Two) => "; either may lead",
        (Asks::Preference, _) => "; nobody is right or wrong",
        (Asks::Difference, _) => "",
    };
    format!("{claim}{counts}")
}

/// Counted trials of all comparisons together.
pub(super) fn counted(terms: &Terms) -> u32 {
    terms.trials.saturating_mul(terms.comparisons.len() as u32)
}

/// The score that the terms ask for: the wager's, else the least significant one of a single comparison; `None` where
/// there is none (a sequential rule, several comparisons judged one by one). In a two-sided test it is the number of answers
/// for one side.
pub(super) fn needed(terms: &Terms) -> Option<u32> {
    if matches!(terms.stopping, StoppingTerms::Sequential { .. }) || terms.threshold.is_some() {
        return None;
    }
    if let Some(wager) = &terms.wager {
        return Some(wager.needed);
    }
    if terms.comparisons.len() != 1 {
        return None;
    }
    let needed = score_needed(terms.inquiry(), terms.alpha, u64::from(terms.trials));
    (needed <= terms.trials).then_some(needed)
}

/// What is compared, by name.
fn compared<'t>(terms: &'t Terms, comparison: &'t ComparisonTerms) -> Compared<'t> {
    Compared {
        a: &comparison.a,
        b: &comparison.b,
        attribute: terms.attribute.as_deref(),
        more: terms.attribute_side,
    }
}

/// What has to be heard before an answer is taken.
fn listen_words(terms: &Terms) -> String {
    let each = if Definition::of(terms.protocol).asked_about().count() > 1 { ", each" } else { "" };
    match terms.heard_at_least_ms {
        Some(ms) => format!(
            "{}{each} for at least {} s, before you answer",
            terms.inquiry().asked_about(),
            f64::from(ms) / 1000.0
        ),
        None => format!("{} before you answer", terms.inquiry().asked_about()),
    }
}

/// How many trials, and which of them do not count.
fn trials_words(terms: &Terms) -> String {
    let narrow = terms.threshold.is_some_and(|threshold| threshold.narrow_enough.is_some());
    let sequential = matches!(terms.stopping, StoppingTerms::Sequential { .. });
    let most = if sequential || narrow { "at most " } else { "" };
    let mut words = if terms.comparisons.len() == 1 {
        format!("{most}{} that count", terms.trials)
    } else {
        format!("{most}{} that count ({most}{} for each comparison)", counted(terms), terms.trials)
    };
    let controls: u32 = terms.controls.iter().map(|control| control.trials).sum();
    if controls > 0 {
        let _ = write!(
            words,
            ", with {} mixed in and reported separately",
            count(u64::from(controls), "control trial")
        );
    }
    if terms.warm_up > 0 {
        let _ = write!(words, "; {} first, not counted", count(u64::from(terms.warm_up), "warm-up trial"));
    }
    if let Some(qualification) = &terms.qualification {
        let _ = write!(
            words,
            "; before them a qualification: {} of {} controls that should be heard",
            qualification.correct, qualification.trials
        );
        if qualification.protocol.is_some() {
            let asked = terms.asked_in(Part::Qualification);
            let _ = write!(words, ", each asked \"{}\" ({})", asked.question(None), asked.title);
        }
    }
    words
}

/// What has to be known before the score: a qualification that says little, real cables.
pub(super) fn before_chances(terms: &Terms) -> Vec<Block> {
    let mut blocks = Vec::new();
    if let Some(warning) = verdict::weak_qualification(terms) {
        blocks.push(Block::caution(format!("{} {}", warning.text, warning.remedy)));
    }
    if let Some(switcher) = &terms.switcher {
        blocks.push(Block::pair(
            "Cables",
            format!("the real ones, {} and {}, switched", switcher.terminals[0], switcher.terminals[1]),
        ));
        blocks.push(Block::pair(
            "Each time",
            format!(
                "{} s with nothing connected, {} s connected, then the music {}; the same steps when nothing changes",
                switcher.apart_ms as f64 / 1000.0,
                switcher.settle_ms as f64 / 1000.0,
                if switcher.starts_anew { "from the same place" } else { "goes on" }
            ),
        ));
        if rounds::connections(terms, Part::Main).is_some() {
            let labels: Vec<&str> = terms.asked_in(Part::Main).slots.iter().map(|slot| slot.label).collect();
            let silent = match rounds::fillings(terms, Part::Main) {
                0 => String::new(),
                fillings => format!(" and {fillings} silent"),
            };
            let labels = labels.join(", ");
            blocks.push(Block::pair(
                "A round",
                format!("{labels}{silent}, in an order drawn anew each time; answer after it"),
            ));
        }
        if switcher.kind == "operator" {
            blocks.push(Block::text(Caution::SwitchedByHand.line()));
        }
        blocks.push(Block::text(
            "Sound fades from memory within seconds. Ask for as many rounds as you like; nobody hurries you.",
        ));
    }
    blocks
}

/// Of which answers a score is.
pub(super) fn of_which(terms: &Terms) -> String {
    match (&terms.wager, terms.inquiry().two_sided(), terms.comparisons.first()) {
        (Some(wager), true, Some(comparison)) => wager
            .side
            .map_or_else(String::new, |side| format!(" for {}", compared(terms, comparison).name(side))),
        (None, true, Some(comparison)) => format!(" for either {} or {}", comparison.a, comparison.b),
        _ => " right".to_owned(),
    }
}

/// The score needed, and how often chance reaches it.
pub(super) fn chances(terms: &Terms) -> Vec<Block> {
    let mut page = before_chances(terms);
    let blocks = &mut page;
    if let Some(threshold) = &terms.threshold {
        blocks.extend(sizes(threshold));
        return page;
    }
    if let Ok(Some(rule)) = score::rule(terms) {
        sequential_chances(terms, &rule, blocks);
        return page;
    }
    let inquiry = terms.inquiry();
    let counted = counted(terms);
    let judged = if terms.wager.is_some() { counted } else { terms.trials };
    let least = score_needed(inquiry, terms.alpha, u64::from(judged));
    if least > judged {
        let who = terms.wager.as_ref().map_or_else(
            || format!("{} can be shown", nothing_shown(terms)),
            |wager| format!("{} cannot win", wager.claimant),
        );
        blocks.push(Block::caution(format!(
            "Too few trials: not even {judged} of {judged} would be rare enough by chance for the agreed error risk of {}, so \
             {who}. `earwitness plan` says how many are needed.",
            stated(terms.alpha)
        )));
        return page;
    }
    let Some(score) = needed(terms) else {
        several(terms, least, blocks);
        return page;
    };
    blocks.push(Block::pair("Score needed", format!("{score} of {judged}{}", of_which(terms))));
    let (n, k) = (u64::from(judged), u64::from(score));
    if !inquiry.two_sided() {
        blocks.push(Block::Score {
            trials: judged,
            needed: Some(score),
            chance: f64::from(judged) * inquiry.chance(),
            reached: None,
        });
    }
    // A wager names one side of a two-sided test: only that one wins it.
    let sides = if inquiry.two_sided() && terms.wager.is_none() { 2.0 } else { 1.0 };
    blocks.push(Block::pair(
        "By chance",
        match sides * binomial::upper(k, n, inquiry.chance()) {
            chance if terms.protocol.asks().has_right_answer() => {
                format!("a guesser gets there {} ({})", risk(chance), percent(chance))
            }
            chance => format!("without a preference it happens {} ({})", risk(chance), percent(chance)),
        },
    ));
    let below = |proportion: f64| if k == 0 { 0.0 } else { binomial::lower(k - 1, n, proportion) };
    let (fair, good) = (rate(below(0.75), "such tests"), rate(below(0.9), "such tests"));
    blocks.push(Block::pair(
        "Missed",
        if inquiry.two_sided() {
            format!("someone who answers so 75 % of the time fails {fair}; 90 % of the time, {good}")
        } else {
            format!("someone who is right 75 % of the time fails {fair}; 90 % of the time, {good}")
        },
    ));
    page
}

/// What changes from trial to trial where a threshold is looked for, and what that tells.
fn sizes(terms: &ThresholdTerms) -> Vec<Block> {
    let scale = terms.scale;
    let what = match scale {
        Scale::Multiple => "the difference between the cables, made smaller or larger",
        Scale::Length => "both cables, made shorter or longer",
        Scale::Level => "a step in level on side B",
        Scale::Tilt => "a tilt towards the treble on side B",
    };
    let rule = match terms.method {
        Method::Ladder { .. } => "from the largest down, then over again, whatever is answered",
        Method::Bayes => "each next size is the one whose answer tells most",
        Method::Staircase { rule: Rule::Weighted } => {
            "smaller after a right answer, clearly larger after a wrong one"
        }
        Method::Staircase { rule: Rule::TwoDown } => {
            "smaller after two right answers in a row, larger after a wrong one"
        }
        Method::Staircase { rule: Rule::ThreeDown } => {
            "smaller after three right answers in a row, larger after a wrong one"
        }
    };
    let mut blocks = vec![
        Block::pair(
            "Sizes",
            format!("{what}, from {} to {}", scale.words(terms.smallest), scale.words(terms.largest)),
        ),
        Block::pair("Next size", rule),
    ];
    if let Some(ratio) = terms.narrow_enough {
        blocks.push(Block::pair(
            "Ends early",
            format!("as soon as the upper bound of the 95 % interval is at most {ratio} times the lower one"),
        ));
    }
    if let Method::Ladder { steps } = terms.method {
        blocks.push(Block::pair("Steps", steps.to_string()));
        return blocks;
    }
    blocks.push(Block::text(
        "Your answers choose the sizes. A smaller size tells you that earlier answers were right, a larger one that they were \
         wrong. Nothing tells you about the trial at hand: the seal alone decides which side is which.",
    ));
    blocks
}

/// What stays unshown where no score is enough.
fn nothing_shown(terms: &Terms) -> &'static str {
    match terms.protocol.asks() {
        Asks::Preference => "no preference",
        Asks::Difference | Asks::Attribute => "no difference",
    }
}

/// The score that each of several comparisons needs: at the whole risk, and where they are judged together, at the share
/// of it that the strongest of them has to meet (Holm's first step).
fn several(terms: &Terms, least: u32, blocks: &mut Vec<Block>) {
    let members = terms.comparisons.len();
    let trials = terms.trials;
    let what = if terms.inquiry().two_sided() { "for one side" } else { "right" };
    let first = score_needed(terms.inquiry(), terms.alpha / members as f64, u64::from(trials));
    let together = match (terms.family, first <= trials) {
        (Family::Holm, true) => {
            format!("; judged together (Holm), the best of {members} needs {first}")
        }
        (Family::Holm, false) => format!(
            "; judged together (Holm), not even {trials} of {trials} would do for the best of {members}"
        ),
        (Family::None, _) => String::new(),
    };
    blocks.push(Block::pair(
        "Score needed",
        format!("{least} of {trials} {what} in each comparison{together}"),
    ));
}

/// What the sequential rule does, in full: how often it says what to whom. Of several comparisons, each on its own and
/// all together.
fn sequential_chances(terms: &Terms, rule: &SequentialTest, blocks: &mut Vec<Block>) {
    let (Ok(guesser), Ok(sought), Ok(good)) =
        (rule.exact(rule.chance), rule.exact(rule.proportion), rule.exact(0.9))
    else {
        return;
    };
    blocks.push(Block::pair(
        "Stopping",
        format!(
            "after each answer Wald's test decides whether to go on, looking for a listener who is right {} of the time",
            stated(rule.proportion)
        ),
    ));
    let several = terms.comparisons.len() > 1;
    if let Some(wager) = &terms.wager {
        let every = if several { "every comparison" } else { "the comparison" };
        blocks.push(Block::pair(
            "To win",
            format!(
                "{} wins when the rule calls a difference in {every}; when it ends undecided, nobody does",
                wager.claimant
            ),
        ));
    }
    // The wager is about all comparisons together; otherwise each one has its own verdict.
    let all = if terms.wager.is_some() { terms.comparisons.len() as i32 } else { 1 };
    let one = if several && all == 1 { " in one comparison" } else { "" };
    blocks.push(Block::pair(
        "By chance",
        format!(
            "the rule calls a difference{one} for {} of guessers, after {:.0} trials on average",
            percent(guesser.difference.powi(all)),
            guesser.expected_trials
        ),
    ));
    let missed = |exact: &Exact| percent(1.0 - exact.difference.powi(all));
    let split = if all == 1 {
        format!(
            ": \"no difference\" in {}, undecided in {}",
            percent(sought.no_difference),
            percent(sought.undecided)
        )
    } else {
        String::new()
    };
    blocks.push(Block::pair(
        "Missed",
        format!(
            "such a listener in {} of sittings{split}; one who is right 90 % of the time in {}",
            missed(&sought),
            missed(&good)
        ),
    ));
}
