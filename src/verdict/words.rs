//! The sentences themselves.

use super::{Finding, Tally, VerdictInput, controls_missed, rig_suspect};
use crate::session::Stopping;
use crate::stats::one::{Analysis, Estimate};
use crate::stats::protocol::{Asks, Side, Sides};
use crate::stats::psychometric::proportion_of_discriminators;
use crate::stats::sequential::{MOST_EXACT, SequentialTest};
use crate::stats::{StatsError, binomial, one};
use crate::units::printed;
use crate::units::printed::{count, percent, probability, rate, risk, stated, uncertain};

/// Why a score is no listening test; `None` where somebody listened. The one sentence of every surface that shows one:
/// verdict, result screen, `score`, report, club night.
pub fn no_listening_test(simulated: bool, silent: bool) -> Option<&'static str> {
    match (simulated, silent) {
        (true, true) => {
            Some("This is no listening test: the answers were simulated, and nothing was played aloud.")
        }
        (true, false) => Some("This is no listening test: the answers were simulated, nobody listened."),
        (false, true) => {
            Some("This is no listening test: nothing was played aloud, so nothing could be heard.")
        }
        (false, false) => None,
    }
}

/// That nothing can be said of two sides.
pub fn no_answers(side_a: &str, side_b: &str) -> String {
    format!("No counted answers: nothing can be said about {side_a} and {side_b}.")
}

/// "flex and braid".
fn sides(input: &VerdictInput) -> String {
    format!("{} and {}", input.side_a, input.side_b)
}

/// "12 of 16 right", "12 of 16 for braid".
fn score(input: &VerdictInput) -> String {
    if input.inquiry().two_sided() {
        let (side, votes) = leading(input);
        format!("{votes} of {} for {}", input.trials, input.compared().name(side))
    } else {
        let all = if input.room.is_some() { count(input.trials, "vote") } else { input.trials.to_string() };
        format!("{} of {all} {}", input.correct, input.inquiry().counted(&input.compared()))
    }
}

/// The side with more answers in a two-sided test, and how many.
fn leading(input: &VerdictInput) -> (Side, u64) {
    let other = input.trials - input.correct;
    if other > input.correct { (Side::A, other) } else { (Side::B, input.correct) }
}

/// The side that a shown difference is about.
pub(super) fn found_side(input: &VerdictInput) -> Side {
    if input.inquiry().two_sided() { leading(input).0 } else { input.more }
}

/// How often chance does it, first as people count and then as p.
fn by_chance(input: &VerdictInput, analysis: &Analysis) -> String {
    // One of several tests is never praised as if it were the only one.
    if let Some(together) = input.together.filter(|together| together.members > 1) {
        return format!(
            "Allowing for {} judged together, chance does this well {} ({}).",
            if together.members == 2 {
                "both tests".to_owned()
            } else {
                format!("all {} tests", together.members)
            },
            rate(together.adjusted_p, "such sets of tests"),
            printed::p_value(together.adjusted_p)
        );
    }
    let who = if input.looked.is_some() {
        "Guessers end as early, or do as well at this look,"
    } else if input.room.is_some() {
        "With another draw the same votes do this well"
    } else {
        match (input.protocol.asks(), input.sides) {
            (Asks::Preference, _) => "Without any preference, a split this uneven comes up",
            (Asks::Attribute, Sides::Two) => "A guesser gets a split this uneven",
            (Asks::Attribute, Sides::One) | (Asks::Difference, _) => "A guesser does this well",
        }
    };
    format!("{who} {} ({}).", risk(analysis.p_value), printed::p_value(analysis.p_value))
}

/// What is sought, as a noun with its article.
fn claim(input: &VerdictInput) -> String {
    match (input.protocol.asks(), &input.attribute) {
        (Asks::Preference, _) => format!("a preference between {}", sides(input)),
        (Asks::Attribute, Some(attribute)) => {
            format!("a difference between {} in being {attribute}", sides(input))
        }
        (Asks::Attribute, None) | (Asks::Difference, _) => format!("a difference between {}", sides(input)),
    }
}

pub(super) fn headline(
    input: &VerdictInput,
    analysis: &Analysis,
    finding: Finding,
    test: Option<SequentialTest>,
    significant: bool,
) -> String {
    let score = score(input);
    let chance = by_chance(input, analysis);
    let claim = claim(input);
    let needed = match (test, analysis.critical) {
        (Some(_), _) => String::new(),
        (None, Some(critical)) => format!(" The score needed was {critical}."),
        (None, None) => {
            format!(
                " With so few trials not even a perfect score would meet the agreed error risk of {}.",
                stated(input.alpha)
            )
        }
    };
    match finding {
        Finding::NoListeningTest => {
            let why = no_listening_test(input.simulated, input.silent).unwrap_or_default();
            format!("{why} ({score}.)")
        }
        // A threshold has sentences of its own.
        Finding::NoTrials | Finding::PanelIncomplete | Finding::NotComputed | Finding::Threshold => {
            no_answers(&input.side_a, &input.side_b)
        }
        Finding::StoppedEarly => {
            let agreed = if input.trials < input.planned_trials {
                format!(" ({} of {} agreed)", input.trials, count(input.planned_trials, "trial"))
            } else {
                String::new()
            };
            format!(
                "{score}, but the test stopped before its end{agreed}. It shows nothing about {}, either way.",
                sides(input)
            )
        }
        Finding::RigSuspect => format!(
            "{score}, but {} of {} were right where both sides were identical. Something other than the sound gives the \
             answer away, so this does not count as {claim}.",
            input.controls.identical.correct, input.controls.identical.trials
        ),
        Finding::Difference => {
            let found = input.inquiry().found(&input.compared(), found_side(input));
            if test.is_some() {
                format!("{score}: {found}. The sequential rule agreed beforehand has decided: a difference.")
            } else {
                format!("{score}: {found}. {chance}")
            }
        }
        Finding::BelowGuessing => {
            let far = format!(
                "A guesser strays this far from chance, in either direction, {} (two-sided {}).",
                risk(analysis.two_sided_p_value),
                printed::p_value(analysis.two_sided_p_value)
            );
            match input.protocol.asks() {
                Asks::Attribute => format!(
                    "{score}: the answers point the other way. {} was heard as {}, against the claim that {}. {far}",
                    input.compared().name(input.more.other()),
                    input.attribute.as_deref().unwrap_or("more pronounced"),
                    input.inquiry().claim(&input.compared())
                ),
                Asks::Difference | Asks::Preference => format!(
                    "{score}: fewer than chance gives. Either the difference was heard and answered the other way round, \
                     or answers were mixed up. {far} It shows neither {claim} nor that there is none."
                ),
            }
        }
        Finding::NotShown => {
            let family = if analysis.significant && !significant {
                " By itself that score would do, but not as one of several."
            } else {
                needed.as_str()
            };
            format!("{score}: {} was shown. {chance}{family}", negated(&claim))
        }
        Finding::ControlsMissed => format!(
            "{score}: {} was shown. {chance} But differences that should be heard were missed too ({} of {} controls right), so \
             this test could hardly have shown one.",
            negated(&claim),
            input.controls.positive.correct,
            input.controls.positive.trials
        ),
        Finding::Excluded => {
            let proportion = test.map_or(0.0, |test| test.proportion);
            format!(
                "{score}: {} was heard. The sequential rule agreed beforehand has decided: none of the agreed size. Someone who is right in \
                 {} of trials does not answer like this.",
                negated(&claim),
                percent(proportion)
            )
        }
        Finding::Undecided => format!(
            "{score}: undecided. The sequential rule reached its largest number of trials without a decision, so {} was \
             shown and none was ruled out.",
            negated(&claim)
        ),
    }
}

fn negated(claim: &str) -> String {
    claim.strip_prefix("a ").map_or_else(|| format!("no {claim}"), |rest| format!("no {rest}"))
}

pub(super) fn limits(
    input: &VerdictInput,
    analysis: &Analysis,
    finding: Finding,
    test: Option<SequentialTest>,
) -> Result<Vec<String>, StatsError> {
    let mut limits = Vec::new();
    if finding == Finding::NoTrials {
        return Ok(limits);
    }
    if finding == Finding::NoListeningTest {
        limits.push(
            "Nothing about anybody's hearing, these cables or this equipment follows from it. The numbers only show that draws, \
             answers and scores were kept."
                .to_string(),
        );
        if test.is_none() && input.room.is_none() {
            limits.push(power(input));
        }
        return Ok(limits);
    }
    if input.room.is_some() {
        limits.push(
            "Votes on the same draw depend on one another, so nothing is said here of how much the room can hear. See each \
             listener."
                .to_string(),
        );
    } else if finding == Finding::Difference {
        limits.push(difference_limit(input, analysis, test.is_some()));
    } else if finding == Finding::Excluded || finding == Finding::Undecided {
        if let Some(test) = test {
            limits.push(excluded_by_rule(analysis, &test));
        }
    } else if finding != Finding::RigSuspect && finding != Finding::BelowGuessing {
        limits.push(exclusion(input, analysis));
    }
    if finding != Finding::StoppedEarly && test.is_none() && input.room.is_none() && input.looked.is_none() {
        limits.push(power(input));
    }
    if let Some(looked) = input.looked {
        limits.push(format!(
            "The panel was looked at after {} of {}, as agreed. All looks together find a panel of guessers with a risk of at most \
             {}. {}",
            looked.listeners,
            count(u64::from(looked.of), "listener"),
            stated(input.alpha),
            match looked.limits {
                Some(_) => {
                    "The limits allow for the looks; the share itself leans high after an early end. Figures for each clip, for \
                     listeners like these and for those who hear it allow for none."
                }
                None => "Shares and intervals do not allow for the looks: after an early end they lean high.",
            }
        ));
    }
    if let (Some(test), Stopping::Sequential { .. }) = (test, input.rule)
        && test.most_trials <= MOST_EXACT
    {
        let guess = test.exact(test.chance)?;
        let hears = test.exact(test.proportion)?;
        limits.push(format!(
            "The sequential rule, computed exactly with its limit of {}: it says \"a difference\" to a guesser in {} of \
             sittings. It misses someone who is right in {} of trials in {} of sittings: \"no difference\" in {}, \
             undecided in {}.",
            count(test.most_trials, "trial"),
            percent(guess.difference),
            stated(test.proportion),
            percent(hears.no_difference + hears.undecided),
            percent(hears.no_difference),
            percent(hears.undecided)
        ));
    }
    if let Some(together) = input.together
        && together.members > 1
    {
        limits.push(format!(
            "Judged together with {} ({} in all, Holm's method): p adjusted for that is {}.",
            count(together.members - 1, "other"),
            together.members,
            probability(together.adjusted_p)
        ));
    }
    limits.extend(circumstances(input));
    Ok(limits)
}

pub(super) fn circumstances(input: &VerdictInput) -> Vec<String> {
    let mut limits = controls(input);
    limits.push(SCOPE.to_owned());
    limits
}

/// Where it holds.
const SCOPE: &str = "It holds for these listeners, clips and this equipment. It says nothing about others, and nothing about why \
                     the cables differ or do not.";

/// What a share of pooled answers is about.
fn on_average(input: &VerdictInput) -> &'static str {
    if input.listeners > 1 { ", on average over these listeners" } else { "" }
}

fn difference_limit(input: &VerdictInput, analysis: &Analysis, ruled: bool) -> String {
    if let (true, Some(lead)) = (input.inquiry().two_sided(), analysis.lead) {
        let what = match input.protocol.asks() {
            Asks::Preference => "How strong the preference is",
            Asks::Attribute | Asks::Difference => "How large it is",
        };
        return format!("{what}: {}.", lead_words(input, lead));
    }
    if let Some(population) = &input.population {
        return format!(
            "How large it is for listeners like these: they hear it in about {} of trials on average, and in at least {} with 95 % \
             confidence (one-sided, differences between listeners included). Whether it matters, and which is better, was not asked.",
            percent(population.mean),
            percent(population.at_least)
        );
    }
    format!(
        "How large it is{}: heard in about {} of trials, and in at least {} with 95 % confidence (one-sided{}). The other right \
         answers are guesses. Whether it matters, and which is better, was not asked.",
        on_average(input),
        percent(analysis.discriminators.estimate),
        percent(analysis.discriminators_at_least),
        if ruled { ", the rule for stopping included" } else { "" }
    )
}

/// Shares of both sides, and the lead of the one with more answers with its interval.
fn lead_words(input: &VerdictInput, lead: Estimate) -> String {
    let (side, votes) = leading(input);
    // The lead of side B is counted; that of side A is its mirror image.
    let of_side = match side {
        Side::B => lead,
        Side::A => Estimate { estimate: -lead.estimate, lower: -lead.upper, upper: -lead.lower },
    };
    let share = votes as f64 / input.trials as f64;
    let name = |side| input.compared().name(side);
    format!(
        "{} of answers for {}, {} for {}: a lead of {} of all answers, somewhere between {} and {} (95 % interval, \
         two-sided{})",
        percent(share),
        name(side),
        percent(1.0 - share),
        name(side.other()),
        percent(of_side.estimate),
        percent(of_side.lower),
        percent(of_side.upper),
        if of_side.lower < 0.0 { "; below 0 means that the other side leads" } else { "" }
    )
}

fn exclusion(input: &VerdictInput, analysis: &Analysis) -> String {
    if let (true, Some(lead)) = (input.inquiry().two_sided(), analysis.lead) {
        return format!("This does not prove that there is none. {}.", lead_words(input, lead));
    }
    let no_proof = match input.protocol.asks() {
        Asks::Difference => format!("This does not prove that {} sound the same.", sides(input)),
        Asks::Attribute | Asks::Preference => "This does not prove that there is none.".to_owned(),
    };
    if let Some(population) = &input.population {
        return format!(
            "{no_proof} It rules out, with 95 % confidence (one-sided, differences between listeners included), that listeners \
             like these hear the difference in more than {} of trials on average.",
            percent(population.at_most)
        );
    }
    if analysis.discriminators_at_most >= 1.0 {
        return format!("{no_proof} These answers rule out nothing.");
    }
    if analysis.discriminators_at_most <= 0.0 {
        return "The score is lower than chance usually gives. That proves nothing by itself. If it happens again, look for a \
                mix-up of the answers."
            .to_string();
    }
    format!(
        "{no_proof} It rules out, with 95 % confidence (one-sided), that the difference is heard in more than {} of trials{} \
         (d-prime above {:.2}).",
        percent(analysis.discriminators_at_most),
        on_average(input),
        analysis.d_prime_at_most
    )
}

/// What the answers exclude where they chose themselves when to stop.
fn excluded_by_rule(analysis: &Analysis, test: &SequentialTest) -> String {
    if test.most_trials > MOST_EXACT || analysis.interval.upper >= 1.0 {
        return "These answers rule out nothing.".to_string();
    }
    if analysis.discriminators_at_most <= 0.0 {
        return "The score is lower than chance usually gives: look for a mix-up of the answers.".to_string();
    }
    format!(
        "It rules out, with 95 % confidence (one-sided, the rule for stopping included), that the difference is heard in more \
         than {} of trials.",
        percent(analysis.discriminators_at_most)
    )
}

/// What the planned test could have found.
fn power(input: &VerdictInput) -> String {
    let trials = input.trials;
    let Some(critical) = one::critical(input.inquiry(), trials, input.alpha) else {
        return format!(
            "With {} and an error risk of {} no score could have shown anything: plan more trials.",
            count(trials, "trial"),
            stated(input.alpha)
        );
    };
    let at = |share: f64| {
        let p = proportion_of_discriminators(input.protocol, share);
        let other =
            if input.inquiry().two_sided() { binomial::lower(trials - critical, trials, p) } else { 0.0 };
        binomial::upper(critical, trials, p) + other
    };
    // Computed, and so never quite certain.
    let (strong, weak) = (uncertain(at(0.5)), uncertain(at(0.25)));
    let what = match (input.protocol.asks(), input.sides) {
        (Asks::Preference, _) => ("a preference of three to one", "one of five to three"),
        (Asks::Attribute, Sides::Two) => ("a split of three to one", "one of five to three"),
        (Asks::Attribute, Sides::One) | (Asks::Difference, _) => {
            ("a difference heard in every second trial", "one heard in every fourth trial")
        }
    };
    let advice =
        if strong < 0.8 { " Small differences need more trials: see `earwitness plan`." } else { "" };
    format!(
        "What the test could show: it finds {} {}, and {} {}.{advice}",
        what.0,
        rate(strong, "such tests"),
        what.1,
        risk(weak)
    )
}

/// What a qualification that was passed says.
const QUALIFIED: &str =
    "Controls that should be heard: right often enough in the qualification before the counted trials.";

/// What controls say where nobody is right or wrong: whether one listener chose consistently.
fn consistency(input: &VerdictInput) -> Vec<String> {
    let Tally { correct, trials } = input.controls.positive;
    if trials == 0 && input.controls.qualified {
        return vec![QUALIFIED.to_string()];
    }
    if trials == 0 {
        return vec![
            "There were no controls that should be heard, so nothing shows that a real difference would have been noticed."
                .to_string(),
        ];
    }
    let p = binomial::two_sided_half(correct, trials);
    let what = if binomial::at_most(p, input.alpha) {
        "so steady a choice shows that the change was noticed"
    } else {
        "this does not show that even so large a change was noticed; opposite tastes cancel where several listeners count"
    };
    vec![format!(
        "Controls that should be heard: the altered side was chosen {correct} of {trials} times. Nobody is right or wrong there; {what} \
         (two-sided {}).",
        printed::p_value(p)
    )]
}

fn controls(input: &VerdictInput) -> Vec<String> {
    if !input.protocol.asks().has_right_answer() {
        return consistency(input);
    }
    let mut lines = Vec::new();
    let (positive, identical) = (input.controls.positive, input.controls.identical);
    if positive.trials == 0 && input.controls.qualified {
        lines.push(QUALIFIED.to_string());
    } else if positive.trials == 0 {
        lines.push(
            "There were no controls that should be heard, so nothing shows that a real difference would have come through."
                .to_string(),
        );
    } else if controls_missed(input.protocol, positive) {
        lines.push(format!(
            "Controls that should be heard were missed: {} of {} right. Check level, headphones and the room, and train first.",
            positive.correct, positive.trials
        ));
    } else {
        lines.push(format!(
            "Controls that should be heard: {} of {} right.",
            positive.correct, positive.trials
        ));
    }
    if identical.trials > 0 {
        let note = if rig_suspect(input.protocol, &input.controls) {
            "That is far above chance: look for what gives the answer away."
        } else if input.protocol.chance() < 0.4 {
            "There is nothing to hear in them, so about a third is expected."
        } else {
            "There is nothing to hear in them, so about half is expected."
        };
        lines.push(format!(
            "Identical pairs: {} of {} \u{201c}right\u{201d}. {note}",
            identical.correct, identical.trials
        ));
    }
    lines
}
