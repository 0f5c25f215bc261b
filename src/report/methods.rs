//! What was done, in plain English, ready to paste into an article: made from the session and from what came of it.

use std::fmt::Write as _;

use super::model::Report;
use crate::evidence::ListenerFacts;
use crate::session::{Family, Levels, Switching};
use crate::units::printed::{count, percent, stated};
use crate::verdict::panel::{balance_words, for_whom_words, leave_out_words, looks_words};
use crate::verdict::{ComparisonResult, ControlResult, Method};

/// The paragraphs: what was compared and how, how it was drawn and kept, what was agreed, how it was analysed.
pub fn paragraphs(report: &Report) -> Vec<String> {
    vec![design(report), draws(), agreed(report), analysis(report)]
}

fn list(items: &[String]) -> String {
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
        "Listeners compared {} on {} ({}). The test was {} and asked \"{}\"; somebody who guesses is right in {} of trials.",
        list(&pairs),
        count(session.clips.len() as u64, "clip"),
        list(&session.clips),
        session.protocol_title,
        session.question,
        percent(session.chance)
    );
    let _ = write!(
        text,
        " Each listener was asked for {} of each comparison{} and the sitting {}.",
        count(u64::from(session.trials), "counted trial"),
        match session.warm_up {
            0 => String::new(),
            trials => format!(", after {},", count(u64::from(trials), "uncounted warm-up trial")),
        },
        session.stopping
    );
    if !report.controls.is_empty() {
        let controls: Vec<String> = report.controls.iter().map(ControlResult::name).collect();
        let _ = write!(
            text,
            " Controls were mixed in at random and are reported separately: {}.",
            list(&controls)
        );
    }
    text.push_str(match session.levels {
        Levels::AsWired => " The difference in level between the sides was kept as the cables make it.",
        Levels::Matched => " Both sides were set to equal K-weighted loudness (ITU-R BS.1770).",
    });
    if let Some(switcher) = &session.switcher {
        let _ = write!(
            text,
            " The real cables {} and {} were switched, by the same steps at the same times whichever was heard.",
            switcher.terminals[0], switcher.terminals[1]
        );
        return text;
    }
    text.push_str(match session.switching {
        Switching::Instant => {
            " Listeners switched by a short crossfade of equal length whichever side was heard."
        }
        Switching::Gap => " A short silence stood between the sides at every switch, whichever was heard.",
    });
    text
}

fn draws() -> String {
    "Which side was presented when was drawn by a stream cipher (ChaCha20, RFC 8439). Its key comes from a secret, to which the \
     program committed with SHA-256 before the first trial, and from what the people present typed after that. Nothing of right or \
     wrong was shown or written before the last answer. Then the secret was opened, and every draw and score was derived again from \
     it. A register lists every sitting that was ever begun."
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
                " The panel: {}, {} each, looked at {}. Left out: {}. The result holds {}.",
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
                    " A difference heard in at most {} of trials was agreed not to be worth mentioning, with a risk of {} of \
                     claiming that wrongly.",
                    stated(share),
                    stated(agreed.no_difference_risk)
                );
            }
            let _ = write!(
                text,
                " Of {} begun, {} had sat as agreed, {} left out by the rule, {} never completed, and {} came too late.",
                count(report.register.announced as u64, "sitting"),
                count(u64::from(panel.sat), "listener"),
                were(panel.left_out.len() as u64),
                were(u64::from(panel.broken_off)),
                panel.beyond + panel.beyond_seats
            );
        }
    }
    text
}

/// "1 was", "2 were".
fn were(number: u64) -> String {
    format!("{number} {}", if number == 1 { "was" } else { "were" })
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
                " {} ended at the look after {}: whoever came after that is listed, and not in its result.",
                comparison.name,
                count(u64::from(look.listeners), "listener")
            );
        }
    }
    if report.comparisons.iter().any(|comparison| comparison.analysis.is_some()) {
        text.push_str(" Intervals of proportions are Clopper-Pearson (1934), 95 %, two-sided.");
    }
    if report.comparisons.iter().any(|comparison| comparison.population.is_some()) {
        text.push_str(
            " Limits for listeners like these come from the profile likelihood of a beta-binomial model with chance correction \
             (Brockhoff 2003).",
        );
    }
    if report.comparisons.iter().any(|comparison| !comparison.similarity.is_empty()) {
        text.push_str(" That no difference is worth mentioning was tested by itself, as agreed.");
    }
    let _ = write!(
        text,
        " Computed with {}; the session file has the SHA-256 {}.",
        report.program, report.session.digest
    );
    text
}
