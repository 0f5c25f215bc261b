//! Page one, for everybody: the verdict in a sentence, one figure, what was compared, what limits it, how to check it.

use maud::{Markup, PreEscaped, html};

use super::sources::traced;
use super::top::{coded, notice, unnamed};
use super::{count, first_sentences};
use crate::evidence::{SittingFacts, State};
use crate::hearing::weighting::just_noticeable_db;
use crate::report::model::Report;
use crate::report::{drawn, front_figure, methods, threshold_figures};
use crate::session::Levels;
use crate::units::printed;
use crate::units::printed::moment;
use crate::verdict::caveat::{Caveat, Kind, Weight};
use crate::verdict::{ComparisonResult, Finding};

/// Most comparisons with a figure on page one.
const MOST_FIGURES: usize = 2;
/// About how many letters of a caveat stand on page one: whole sentences.
const MOST_LETTERS: usize = 110;
/// Most caveats on page one.
const MOST_CAVEATS: usize = 3;

/// Levels above threshold in dB between which the just noticeable step is said: loud and soft tones.
const LOUD_DB: f64 = 80.0;
const SOFT_DB: f64 = 40.0;

pub(super) fn section(report: &Report) -> Markup {
    let several = report.comparisons.len() > 1;
    html! {
        section.front id="front" aria-labelledby="front-title" {
            @if several {
                h1 id="front-title" { (report.session.title) }
            } @else if let Some(only) = report.comparisons.first() {
                p.about { (report.session.title) }
                h1.say id="front-title" class=[tone(only)] { (only.verdict.title) }
            } @else {
                h1 id="front-title" { (report.session.title) }
            }
            // With one comparison title and sentence say it.
            @if several && let Some(notice) = notice(report) { p.notice { (notice) } }
            @if report.comparisons.iter().all(|comparison| comparison.trials == 0) && let Some(notice) = notice(report) && !several { p.notice { (notice) } }
            div.results[several] { @for (index, comparison) in report.comparisons.iter().enumerate() {
                div.result {
                    @if several {
                        p.about { (comparison.a) " against " (comparison.b) }
                        h2.say class=[tone(comparison)] { (comparison.verdict.title) }
                    }
                    p.lead { (comparison.verdict.headline) }
                    @if index < MOST_FIGURES { (picture(report, comparison)) }
                }
            } }
            (wager(report))
            div.columns {
                div { h2 { "What was compared" } (compared(report)) }
                div { h2 { "What limits this" } (limits(report)) }
                div { h2 { "Check it yourself" } (check(report)) }
            }
            (notes())
            nav aria-label="Sections" {
                ul {
                    li { a href="#verdict" { "The verdict in numbers" } }
                    li { a href="#methods" { "What was done" } }
                    li { a href="#answered" { "Everybody's answers" } }
                    li { a href="#compared" { "What was compared" } }
                    li { a href="#check" { "How to check it" } }
                    li { a href="#appendix" { "Appendix" } }
                }
            }
        }
    }
}

/// What this is, when it was, and that it is invented if it is.
pub(super) fn occasion(report: &Report) -> Markup {
    html! {
        p.over {
            "Blind listening test of loudspeaker cables"
            @if let Some(when) = when(report) { " · " (when) }
            @if report.session.invented { " · invented data" }
        }
    }
}

/// The days of the sittings: "1 to 20 February 2026 (UTC)".
fn when(report: &Report) -> Option<String> {
    let days = report
        .sittings
        .iter()
        .filter(|sitting| sitting.counted)
        .filter_map(|sitting| sitting.opened_utc.get(..10));
    let (first, last) = (days.clone().min()?, days.max()?);
    let (from, to) = (moment(first), moment(last));
    if first == last {
        return Some(to);
    }
    let from = match (first.get(..7) == last.get(..7), from.split_once(' ')) {
        (true, Some((day, _))) => day,
        _ => from.trim_end_matches(" (UTC)"),
    };
    Some(format!("{from} to {to}"))
}

fn tone(comparison: &ComparisonResult) -> Option<&'static str> {
    match comparison.verdict.finding {
        Finding::Difference | Finding::Threshold => Some("yes"),
        Finding::RigSuspect | Finding::BelowGuessing | Finding::NoListeningTest | Finding::StoppedEarly => {
            Some("stop")
        }
        _ => None,
    }
}

fn picture(report: &Report, comparison: &ComparisonResult) -> Markup {
    let drawn = front_figure::score(report.session.inquiry, comparison, drawn::fixed_risk(report))
        .or_else(|| threshold_figures::all(comparison).into_iter().next());
    html! {
        @if let Some(drawn) = drawn {
            figure.plain {
                div.page-drawing { (PreEscaped(&drawn.inline)) }
                div.small-drawing { (PreEscaped(&drawn.narrow)) }
                figcaption { (drawn.description) }
            }
        }
    }
}

fn compared(report: &Report) -> Markup {
    let mut told: Vec<&str> = Vec::new();
    // What a cable is, where it is named first.
    let mut what = |name: &str| {
        let cable =
            report.compared.cables.iter().find(|cable| cable.name == name && !told.contains(&name))?;
        told.push(&cable.name);
        Some(cable.description.as_str())
    };
    let pairs: Vec<[(&str, Option<&str>); 2]> = report
        .comparisons
        .iter()
        .map(|own| [(own.a.as_str(), what(&own.a)), (own.b.as_str(), what(&own.b))])
        .collect();
    html! {
        @for (comparison, [a, b]) in report.comparisons.iter().zip(pairs) {
            @let facts = report.compared.differences.iter().find(|facts| facts.comparison == comparison.name);
            p {
                strong { (a.0) } @if let Some(words) = a.1 { ", " (words) "," } " against "
                strong { (b.0) } @if let Some(words) = b.1 { ", " (words) } "."
                @if let Some(facts) = facts { (apart(report, facts.known_db, facts.level_db)) }
            }
        }
        p {
            "Listeners need " (format!("{:.1} to {}", just_noticeable_db(LOUD_DB), printed::fixed(just_noticeable_db(SOFT_DB), 1, "dB")))
            " to hear a level change in a pure tone" sup { "1" } "."
        }
        p { (who(report)) }
    }
}

/// By how much two sides differ, and how much of it is level.
fn apart(report: &Report, known_db: Option<(f64, f64)>, level_db: Option<f64>) -> Markup {
    html! {
        @if let Some((size, unknown)) = known_db {
            " They " (traced("differ", "response")) " by at most " strong { (printed::plus_minus(size, unknown)) }
            @match (level_db, report.session.levels) {
                (Some(level), Levels::AsWired) => { ", " (printed::decibels(level.abs())) " of it in level." }
                _ => "."
            }
        } @else if let (Some(level), Levels::AsWired) = (level_db, report.session.levels) {
            " They differ by " strong { (printed::decibels(level.abs())) } " in level."
        }
    }
}

/// Who listened, to how much of what, and over what.
fn who(report: &Report) -> String {
    let session = &report.session;
    let counted = || report.sittings.iter().filter(|sitting| sitting.counted);
    let listeners: Vec<&str> = report
        .listeners
        .iter()
        .filter(|listener| listener.counted)
        .map(|listener| listener.name.as_str())
        .collect();
    let people = match listeners.as_slice() {
        [] => "Nobody".to_owned(),
        [one] => (*one).to_owned(),
        all => count(all.len(), "listener"),
    };
    let each = match (listeners.len() > 1, report.comparisons.len() > 1) {
        (_, true) => " of each comparison",
        (true, false) => " each",
        (false, false) => "",
    };
    let mut outputs: Vec<&str> = counted().map(|sitting| sitting.output.as_str()).collect();
    outputs.sort_unstable();
    outputs.dedup();
    let cables = match session.recorded.len() {
        0 => "cables simulated",
        all if all == report.comparisons.len() => "cables recorded",
        _ => "cables simulated and recorded",
    };
    let through = match (outputs.as_slice(), session.switcher.is_some()) {
        ([], _) => String::new(),
        (_, true) => "; real cables, switched".to_owned(),
        ([one], false) => match one.split(',').next() {
            Some("device") => format!("; {cables}, played on a sound device"),
            Some("file") => format!("; {cables}, written into a sound file"),
            _ => format!("; {cables}, nothing played aloud"),
        },
        (several, false) => format!("; {cables}, played on {} outputs (appendix C)", several.len()),
    };
    let levels = match session.levels {
        Levels::Matched => "at equal loudness",
        Levels::AsWired => "as wired",
    };
    format!(
        "{people} answered {}{}{each}: \u{201c}{}\u{201d} On {}, {levels}{through}.",
        if session.sequential.is_some() { "up to " } else { "" },
        count(session.trials as usize, "trial"),
        session.question,
        methods::list(&session.clips)
    )
}

/// Who won, where something was wagered.
fn wager(report: &Report) -> Markup {
    html! {
        @if let Some(wager) = &report.session.wager {
            @let decided: Vec<&String> = report.sittings.iter().filter(|own| own.claimant_won.is_some()).filter_map(|own| own.wager.as_ref()).collect();
            @for words in &decided { p.lead { strong { "The wager. " } (words.trim_end_matches('.')) "." } }
            @if decided.is_empty() { p.lead { strong { "The wager " } "is not decided. " (wager.deciding) } }
        }
    }
}

/// What the controls say of equipment and listeners, in a line.
fn controls(report: &Report) -> Option<String> {
    let sum = |positive: bool| {
        let of = report.controls.iter().filter(|control| control.positive == positive && control.trials > 0);
        of.fold((0, 0), |sum, control| (sum.0 + control.correct, sum.1 + control.trials))
    };
    let (heard, identical) = (sum(true), sum(false));
    let parts: Vec<String> = [
        (heard.1 > 0).then(|| format!("{} of {} that should be heard were right", heard.0, heard.1)),
        (identical.1 > 0).then(|| {
            format!(
                "{} of {} identical pairs \u{201c}right\u{201d}, by chance alone",
                identical.0, identical.1
            )
        }),
    ]
    .into_iter()
    .flatten()
    .collect();
    let asked = report.session.inquiry.protocol.asks().has_right_answer();
    (asked && !parts.is_empty()).then(|| format!("Controls: {}.", parts.join("; ")))
}

/// Whether anything was cut off, stopped or repeated.
fn interrupted(report: &Report) -> String {
    let sum = |of: fn(&SittingFacts) -> u64| report.sittings.iter().map(of).sum::<u64>();
    let some = |number: u64, one: &str, what: &str| {
        (number > 0).then(|| format!("{} {what}", printed::count(number, one)))
    };
    let parts: Vec<String> = [
        some(sum(|own| u64::from(own.state == State::Unfinished)), "sitting", "never finished"),
        some(sum(|own| u64::from(own.state == State::StoppedEarly)), "sitting", "stopped early"),
        some(sum(|own| u64::from(own.resumed > 0)), "sitting", "cut off and resumed"),
        some(sum(|own| own.void), "disturbed trial", "repeated"),
    ]
    .into_iter()
    .flatten()
    .collect();
    match parts.as_slice() {
        [] => "No sitting was stopped or cut off, and no trial repeated.".to_owned(),
        _ => format!("Interruptions: {}.", parts.join(", ")),
    }
}

/// What it does not prove.
fn scope(report: &Report) -> &'static str {
    let shown = |comparison: &ComparisonResult| comparison.verdict.finding == Finding::Difference;
    let missed = |comparison: &ComparisonResult| {
        matches!(comparison.verdict.finding, Finding::NotShown | Finding::ControlsMissed)
    };
    if report.comparisons.iter().any(missed) {
        "It holds for these people, clips and equipment. It does not prove that the cables sound the same."
    } else if report.comparisons.iter().any(shown) {
        "It holds for these people, clips and equipment. It does not say why the cables differ, or that it matters."
    } else {
        "It says nothing about other people, clips or equipment."
    }
}

fn limits(report: &Report) -> Markup {
    // Said elsewhere on this page: that it is invented, how well the difference is known, what was interrupted.
    let is_said = |caveat: &Caveat| match caveat.kind {
        Kind::Invented | Kind::Abandoned | Kind::StoppedEarly | Kind::Disturbed | Kind::Resumed => true,
        Kind::KnownDifference => caveat.weight == Weight::Minor,
        _ => false,
    };
    let told: Vec<_> = report.caveats.iter().filter(|caveat| !is_said(caveat)).collect();
    let heaviest = [Weight::Decisive, Weight::Serious, Weight::Minor]
        .into_iter()
        .flat_map(|weight| told.iter().filter(move |caveat| caveat.weight == weight));
    let more = told.len().saturating_sub(MOST_CAVEATS);
    html! {
        @for caveat in heaviest.take(MOST_CAVEATS) {
            p class=[(caveat.weight == Weight::Decisive).then_some("decides")] {
                (coded(&first_sentences(&unnamed(report, &caveat.text), MOST_LETTERS)))
            }
        }
        @if let Some(controls) = controls(report) { p { (controls) } }
        p { (interrupted(report)) }
        p {
            (scope(report))
            @if report.comparisons.iter().any(|own| own.population.is_some()) {
                " For listeners like them the limits are " a href="#verdict" { "wider" } "."
            }
        }
        @if more > 0 { p { a href="#limits" { (count(more, "more caveat")) } } }
    }
}

fn check(report: &Report) -> Markup {
    let hands: usize = report.sittings.iter().filter(|own| own.counted).map(|own| own.hands.len()).sum();
    let witnessed: Vec<Option<(u32, u32)>> = report
        .sittings
        .iter()
        .filter(|own| own.counted)
        .map(|own| own.witnessed.as_ref().map(|watched| (watched.trials, watched.of)))
        .collect();
    html! {
        p {
            "The seal fixed every trial before the first answer"
            @if hands > 0 { ", with " (count(hands, "hand")) " that the computer could not foresee" }
            ". " a href="#check" { "Check it here" } ": your browser checks every draw and score. A page of Python does it too."
        }
        p { "Could somebody have cheated? " (foreknowledge(&witnessed)) }
    }
}

/// Who could have known trials, from the trials that a witness's links drew and all trials of each sitting that counts.
fn foreknowledge(witnessed: &[Option<(u32, u32)>]) -> &'static str {
    let whole = |own: &Option<(u32, u32)>| own.is_some_and(|(trials, of)| trials == of && of > 0);
    if !witnessed.is_empty() && witnessed.iter().all(whole) {
        "A witness's phone held a part of every draw: nobody could know a trial before it began. Somebody who read the computer's memory or sound during a trial could."
    } else if witnessed.iter().flatten().any(|(trials, _)| *trials > 0) {
        "A witness's phone held a part of some draws, not of all. Somebody who read the computer's memory could know the others."
    } else {
        "No witness held a part of the draws, so somebody who read the computer's memory could know X."
    }
}

/// Sources of page one.
fn notes() -> Markup {
    html! {
        p.notes {
            sup { "1" } " 80 to 40 dB above threshold, right in 71 % of trials (Jesteadt, Wier and Green 1977). Music is not pure tones."
        }
    }
}

#[cfg(test)]
mod tests {
    use super::foreknowledge;

    #[test]
    fn a_witness_of_some_trials_is_no_witness_of_all() {
        assert!(foreknowledge(&[Some((10, 10)), Some((4, 4))]).contains("every draw"));
        for some in [&[Some((10, 10)), None][..], &[Some((9, 10))]] {
            assert!(foreknowledge(some).contains("not of all"), "{some:?}");
        }
        for none in [&[][..], &[None], &[Some((0, 10))], &[Some((0, 0))]] {
            assert!(foreknowledge(none).contains("No witness"), "{none:?}");
        }
    }
}
