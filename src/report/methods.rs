//! What was done, in plain English, ready to paste into an article: made from the session and from what came of it.

use std::fmt::Write as _;

use super::model::Report;
use crate::evidence::{ListenerFacts, PanelStanding};
use crate::session::{Family, Levels, Switching};
use crate::units::printed::{count, percent, stated};
use crate::verdict::panel::{balance_words, for_whom_words, leave_out_words, looks_words};
use crate::verdict::{ComparisonResult, ControlResult, Method};

/// The paragraphs: what was compared and how, how it was drawn and kept, what was agreed, how it was analysed.
pub fn paragraphs(report: &Report) -> Vec<String> {
    vec![design(report), draws(), agreed(report), analysis(report)]
}

/// Names as people list them: "a, b and c".
pub(super) fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

fn design(report: &Report) -> String {
    let session = &report.session;
    let pairs: Vec<String> = report
        .comparisons
        .iter()
        .map(|comparison| format!("{} with {}", comparison.a, comparison.b))
        .collect();
    let mut text = format!(
        "Listeners compared {} on {} ({}) in a blind {} test. Each trial asked \"{}\"; a guesser is right in {} of trials.",
        list(&pairs),
        count(session.clips.len() as u64, "clip"),
        list(&session.clips),
        session.protocol_title,
        session.question,
        percent(session.chance)
    );
    let _ = write!(
        text,
        " Each listener answered {} {}{}.",
        count(u64::from(session.trials), "trial"),
        if report.comparisons.len() > 1 { "that count, for each comparison" } else { "that count" },
        match (session.sequential.is_some(), session.warm_up) {
            (false, 0) => String::new(),
            (false, trials) => format!(", after {}", count(u64::from(trials), "warm-up trial")),
            (true, 0) =>
                " at most: a sequential rule ended the sitting as soon as it could decide".to_owned(),
            (true, trials) => format!(
                " at most, after {}: a sequential rule ended the sitting as soon as it could decide",
                count(u64::from(trials), "warm-up trial")
            ),
        }
    );
    if !report.controls.is_empty() {
        let controls: Vec<String> = report.controls.iter().map(ControlResult::name).collect();
        let _ = write!(
            text,
            " Control trials were mixed in at random and are reported separately: {}.",
            list(&controls)
        );
    }
    text.push_str(match session.levels {
        Levels::AsWired => " The cables' own difference in level was kept.",
        Levels::Matched => " Both sides were played at equal K-weighted loudness (ITU-R BS.1770).",
    });
    if let Some(switcher) = &session.switcher {
        let _ = write!(
            text,
            " A switch connected the real cables {} and {}, with the same steps at the same times whichever was heard.",
            switcher.terminals[0], switcher.terminals[1]
        );
        if switcher.filled == Some(true) {
            text.push_str(
                " Everything was presented in whole rounds, in an order drawn for each and filled with silent connections until both \
                 cables came a fixed number of times, so that each sequence of cables was as likely whatever the answer was.",
            );
        }
        return text;
    }
    text.push_str(match session.switching {
        Switching::Instant => " Every switch was a crossfade of the same length, whichever side came next.",
        Switching::Gap => " Every switch had a short silence in it, the same whichever side came next.",
    });
    text
}

fn draws() -> String {
    "A stream cipher (ChaCha20, RFC 8439) drew every trial. Its key was made of a secret, whose SHA-256 the program published \
     before the first trial, and of what the people present typed after that. Until the last answer, nothing said which answers \
     were right. Then the program opened its secret, and every draw and score was derived from it again. A register lists every \
     sitting that was ever begun."
        .to_owned()
}

fn agreed(report: &Report) -> String {
    let mut text = format!(
        "Agreed before the first trial, and sealed in each sitting: an error risk of {}",
        stated(report.session.alpha)
    );
    if report.comparisons.len() > 1 {
        text.push_str(match report.session.family {
            Family::Holm => ", shared by all comparisons (Holm 1979)",
            Family::None => " for each comparison by itself",
        });
    }
    text.push('.');
    match &report.panel {
        None => text.push_str(" The number of listeners was not agreed beforehand."),
        Some(panel) => {
            let agreed = &panel.agreed;
            let _ = write!(
                text,
                " The panel: {}, {} each; the result is looked at {}. Left out: {}. The result holds {}.",
                count(u64::from(agreed.listeners), "listener"),
                count(u64::from(agreed.sittings_each), "complete sitting"),
                looks_words(agreed),
                leave_out_words(agreed.leave_out),
                for_whom_words(agreed.for_whom)
            );
            if let Some(words) = balance_words(agreed) {
                let _ = write!(text, " Balanced over the panel: {words}.");
            }
            if let Some(share) = agreed.no_difference_above {
                let _ = write!(
                    text,
                    " A difference heard in at most {} of trials was agreed to be not worth mentioning; the risk of saying so \
                     wrongly is {}.",
                    stated(share),
                    stated(agreed.no_difference_risk)
                );
            }
            let _ = write!(
                text,
                " {} begun; {} sat as agreed{}.",
                count(report.register.announced as u64, "sitting"),
                count(u64::from(panel.sat), "listener"),
                others(panel)
            );
        }
    }
    text
}

/// What became of the others, as far as there are any.
fn others(panel: &PanelStanding) -> String {
    let some = |number: u64, what: &str| (number > 0).then(|| format!(", {number} {what}"));
    let parts = [
        some(panel.left_out.len() as u64, "left out by the rule"),
        some(u64::from(panel.broken_off), "never completed"),
        some((panel.beyond + panel.beyond_seats) as u64, "too late to count"),
    ];
    parts.into_iter().flatten().collect()
}

fn analysis(report: &Report) -> String {
    let mut methods: Vec<Method> = Vec::new();
    for comparison in &report.comparisons {
        if comparison.method != Method::Nothing && !methods.contains(&comparison.method) {
            methods.push(comparison.method);
        }
    }
    let counts = |listener: &&ListenerFacts| {
        let late = |of: &ComparisonResult| listener.sittings.iter().all(|own| of.came_after.contains(own));
        // Nobody whose every sitting came after the looks that ended the panel.
        listener.counted && (report.comparisons.is_empty() || !report.comparisons.iter().all(late))
    };
    let listeners = report.listeners.iter().filter(counts).count() as u64;
    let mut text = format!("The answers of {} count.", count(listeners, "listener"));
    for method in &methods {
        text.push(' ');
        text.push_str(method.words());
    }
    for comparison in &report.comparisons {
        if let Some(look) = comparison.looks.iter().find(|look| look.ended) {
            let _ = write!(
                text,
                " {} ended at the look after {}; listeners who came later are listed and not in its result.",
                comparison.name,
                count(u64::from(look.listeners), "listener")
            );
        }
    }
    let ruled = |method: Method| matches!(method, Method::Rule | Method::RuleOfMany);
    if report.comparisons.iter().any(|comparison| comparison.analysis.is_some() && !ruled(comparison.method))
    {
        let looked = report.comparisons.iter().any(|comparison| !comparison.looks.is_empty());
        let of = if looked { "each listener's proportion" } else { "proportions" };
        let _ = write!(text, " Intervals of {of} are Clopper-Pearson (1934), 95 %, two-sided.");
    }
    if report.comparisons.iter().any(|comparison| comparison.population.is_some()) {
        text.push_str(
            " Limits for listeners like these come from the profile likelihood of a beta-binomial model with chance correction \
             (Brockhoff 2003).",
        );
    }
    if report.comparisons.iter().any(|comparison| !comparison.similarity.is_empty()) {
        text.push_str(" \"No difference worth mentioning\" was tested separately, as agreed.");
    }
    let _ = write!(
        text,
        " Computed with {}. SHA-256 of the session file: {}.",
        report.program, report.session.digest
    );
    text
}
