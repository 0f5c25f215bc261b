//! The family is listeners times comparisons: no surface praises one of many as if it were the only one.

use earwitness::report::page;
use earwitness::stats::many;
use earwitness::verdict::Finding;

use super::report_of;
use crate::report::material::{Plan, Site, many_comparisons};

#[test]
fn holm_goes_over_listeners_and_comparisons() {
    let mut site = Site::new(&many_comparisons(5));
    for seed in 0..12 {
        site.hold(&Plan::new(&format!("L{seed}"), 100 + seed, 0.5));
    }
    let report = report_of(&site);
    let all: Vec<_> = report.comparisons.iter().flat_map(|comparison| &comparison.results).collect();
    assert_eq!(all.len(), 60);
    let p_values: Vec<f64> = all.iter().filter_map(|own| own.p_value()).collect();
    let adjusted = many::holm(&p_values).expect("probabilities");
    for (own, adjusted) in all.iter().zip(adjusted) {
        assert!((own.adjusted_p_value.expect("tested") / adjusted - 1.0).abs() < 1e-12);
        assert_eq!(own.family, 60);
        if own.verdict.finding != Finding::BelowGuessing {
            assert!(
                own.verdict.headline.contains("all 60 tests judged together"),
                "{}",
                own.verdict.headline
            );
        }
        assert!(!own.verdict.headline.contains("pure guessing"), "{}", own.verdict.headline);
    }
    let html = page::page(&report);
    assert!(html.contains("60 tests"), "the family is stated");
}

/// With twelve guessers and five comparisons somebody is named in about one report of twenty, not in one of five.
#[test]
fn guessers_are_rarely_named() {
    let mut named = 0;
    let reports = 40_u64;
    let mut site = Site::new(&many_comparisons(5).replace("trials = 12\n", "trials = 16\n"));
    for seed in 0..12 * reports {
        site.hold(&Plan::new(&format!("L{seed}"), 10_000 + seed, 0.5));
    }
    // One panel after the other out of one folder: every listener's p-values are those of a guesser.
    let report = report_of(&site);
    for panel in 0..reports as usize {
        let p_values: Vec<f64> = report
            .comparisons
            .iter()
            .flat_map(|comparison| &comparison.results[12 * panel..12 * (panel + 1)])
            .filter_map(earwitness::verdict::ListenerResult::p_value)
            .collect();
        let least = many::holm(&p_values).expect("probabilities").into_iter().fold(1.0, f64::min);
        named += u32::from(least <= 0.05);
    }
    // At most 5 % of 40: more than 6 has a probability below 0.5 %, binomial.
    assert!(named <= 6, "{named} of {reports} panels of guessers name somebody");
}
