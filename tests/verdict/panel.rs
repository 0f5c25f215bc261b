//! A declared panel: nothing before it is complete, nothing after it was full, left out by rule and shown all the same.

use earwitness::report::page;
use earwitness::verdict::Finding;

use super::report_of;
use crate::commands::earwitness;
use crate::report::csv_of;
use crate::report::material::{Plan, SESSION, Site};

fn site(panel: &str) -> Site {
    let controls = SESSION.replace("amount = \"2 dB\"\ntrials = 2", "amount = \"2 dB\"\ntrials = 8");
    Site::new(&format!("{controls}\n[panel]\n{panel}\n"))
}

fn plan(number: u64) -> Plan {
    Plan::new(&format!("Listener{number}"), number, 0.95)
}

#[test]
fn a_panel_is_judged_once_and_only_its_own() {
    let mut site = site("listeners = 3");
    for number in 1..=2 {
        site.hold(&plan(number));
    }
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    assert_eq!(comparison.verdict.finding, Finding::PanelIncomplete);
    assert!(
        comparison.verdict.headline.contains("2 of 3 listeners have sat"),
        "{}",
        comparison.verdict.headline
    );
    assert!(comparison.p_value.is_none() && comparison.analysis.is_none() && comparison.panel.is_none());
    let html = page::page(&report);
    assert!(html.contains("The panel is not complete: 2 of 3 listeners have sat"));
    assert!(!html.contains("dd data-score"), "no pooled score before the end");
    // Adding up by another command is no way round it.
    let ran = earwitness(site.path(), &["score", "sittings", "--json"]);
    assert!(!ran.out.contains("\"pooled\"") && ran.err.contains("declared panel"), "{} {}", ran.out, ran.err);

    site.hold(&plan(3));
    let judged = report_of(&site);
    assert_eq!(judged.comparisons[0].verdict.finding, Finding::Difference);
    assert_eq!(judged.comparisons[0].listeners, 3);
    assert!(judged.caveats.iter().all(|caveat| caveat.kind.name() != "open-panel"));

    // One more listener, and one who sits again: listed, and the result stays as it was.
    site.hold(&Plan { right: 0.0, ..plan(4) });
    site.hold(&Plan { seed: 77, right: 0.0, ..plan(1) });
    let later = report_of(&site);
    let score = |report: &earwitness::report::model::Report| {
        (
            report.comparisons[0].correct,
            report.comparisons[0].trials,
            report.comparisons[0].verdict.headline.clone(),
        )
    };
    assert_eq!(score(&later), score(&judged));
    let beyond = later.caveats.iter().find(|caveat| caveat.kind.name() == "beyond-panel").expect("told");
    assert!(beyond.text.starts_with("2 sittings came after"), "{}", beyond.text);
    assert!(page::page(&later).contains("no: the panel was full"));
    assert_eq!(csv_of(&later).matches(",TRUE,").count(), csv_of(&judged).matches(",TRUE,").count());
}

#[test]
fn who_misses_the_controls_is_left_out_by_the_sealed_rule_and_both_results_are_shown() {
    let hold = |rule: &str, seed: u64| {
        let mut site = site(&format!("listeners = 4\nleave_out = \"{rule}\""));
        for number in 1..=3 {
            site.hold(&plan(number));
        }
        site.hold(&Plan { deaf: true, right: 0.3, seed, ..plan(4) });
        report_of(&site)
    };
    // Somebody deaf guesses in eight controls: the first who has at most five right has missed them.
    let missed = |report: &earwitness::report::model::Report| {
        report.listeners.iter().any(|own| own.name == "Listener4" && own.positive_controls.0 < 6)
    };
    let seed = (9..40).find(|&seed| missed(&hold("none", seed))).expect("one of them guesses badly");
    let (with, without) = (hold("none", seed), hold("missed-controls", seed));
    assert_eq!(with.comparisons[0].listeners, 4);
    assert_eq!(without.comparisons[0].listeners, 3, "left out");
    let everybody = without.comparisons[0].everybody.as_ref().expect("both results");
    assert_eq!(
        (everybody.correct, everybody.trials),
        (with.comparisons[0].correct, with.comparisons[0].trials)
    );
    assert_eq!(Some(everybody.p_value), with.comparisons[0].p_value);
    assert!(page::page(&without).contains("With everybody who sat"));
    assert!(without.caveats.iter().any(|caveat| caveat.text.contains("Left out by the agreed rule")));
    assert_eq!(
        without.comparisons[0].verdict.finding,
        Finding::Difference,
        "all four have sat, so it is complete"
    );
}

#[test]
fn no_difference_is_what_was_agreed_and_for_whom() {
    let hold = |more: &str| {
        let mut site = site(&format!("listeners = 6\n{more}"));
        for number in 1..=4 {
            site.hold(&Plan { right: 0.5, ..plan(number) });
        }
        // Two who always hear it among guessers.
        for number in 5..=6 {
            site.hold(&Plan { right: 1.0, ..plan(number) });
        }
        report_of(&site).comparisons.remove(0)
    };
    assert!(hold("").similarity.is_empty(), "nothing was agreed, so nothing is claimed");
    let these = hold("no_difference_above = 0.9");
    assert_eq!((these.similarity.len(), these.similarity[0].limit, these.similarity[0].beta), (1, 0.9, 0.05));
    assert!(these.similarity[0].similar && these.population.is_none());
    assert!(these.verdict.limits.iter().any(|limit| limit.contains("on average over these listeners")));
    let like = hold("no_difference_above = 0.9\nfor_whom = \"listeners-like-them\"");
    let population = like.population.expect("several listeners");
    let analysis = like.analysis.as_ref().expect("complete");
    assert!(
        population.upper - population.lower > analysis.discriminators.upper - analysis.discriminators.lower,
        "differences between listeners widen it: {population:?} {:?}",
        analysis.discriminators
    );
    assert!(like.similarity[0].discriminators_at_most > these.similarity[0].discriminators_at_most);
    assert!(
        like.verdict.limits.iter().any(|limit| limit.contains("listeners like these")),
        "{:?}",
        like.verdict.limits
    );
}

#[test]
fn impossible_panels_are_refused() {
    for (panel, why) in [
        ("sittings_each = 2", "needs the key `listeners`"),
        ("listeners = 0", "listeners"),
        ("listeners = 5\nleave_out = \"not-qualified\"", "nobody has to qualify"),
        ("listeners = 5\nno_difference_risk = 0.1", "no_difference_above"),
        ("listeners = 1\nfor_whom = \"listeners-like-them\"", "how much listeners differ"),
        ("listeners = 5\nno_difference_above = 1.5", "no_difference_above"),
    ] {
        let text = format!("{SESSION}\n[panel]\n{panel}\n");
        let refused =
            earwitness::session::parse(std::path::Path::new("session.toml"), &text).expect_err(panel);
        assert!(refused.to_string().contains(why), "{panel}: {refused}");
    }
}
