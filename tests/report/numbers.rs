//! The numbers of the report are those of the statistics on the journals' answers.

use earwitness::evidence::Options;
use earwitness::report;
use earwitness::stats::sequential::SequentialTest;
use earwitness::stats::tally::Tally;
use earwitness::stats::{Protocol, many, one, panel, room};
use earwitness::trial::Decision;
use earwitness::units::printed::percent;
use earwitness::verdict::Finding;

use super::material::{Plan, SESSION, Site, many_comparisons};
use super::{kinds, report_of};

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-12 * a.abs().max(b.abs())
}

#[test]
fn one_listener() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.9));
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    let rows = report
        .trials
        .iter()
        .filter(|trial| trial.part == earwitness::trial::Part::Main && trial.control.is_none());
    let right = rows.filter(|trial| trial.correct == Some(true)).count() as u64;
    assert_eq!((comparison.correct, comparison.trials), (right, 12));
    let expected = one::analyse(Protocol::Abx, right, 12, 0.05).expect("valid counts");
    assert_eq!(comparison.analysis.as_ref(), Some(&expected));
    assert_eq!(comparison.p_value, Some(expected.p_value));
    assert_eq!(comparison.results[0].path.iter().map(|right| u64::from(*right)).sum::<u64>(), right);
    assert!(comparison.panel.is_none());
    assert_eq!(report.sittings[0].correct, Some(right));
}

#[test]
fn several_listeners_and_two_sittings_of_one() {
    let mut site = Site::new(SESSION);
    for (index, name) in ["Ada", "Bel", "Cas", "Ada"].into_iter().enumerate() {
        site.hold(&Plan::new(name, 20 + index as u64, 0.6));
    }
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    let scores: Vec<Tally> =
        comparison.results.iter().map(|own| Tally::new(own.correct, own.trials)).collect();
    assert_eq!(
        scores.iter().map(|score| score.trials).collect::<Vec<_>>(),
        [24, 12, 12],
        "Ada's sittings count together"
    );
    let expected = panel::analyse(Protocol::Abx, &scores, 0.05).expect("valid");
    let panel = comparison.panel.as_ref().expect("several listeners");
    assert_eq!(panel.independent.as_ref(), Some(&expected));
    for (own, holm) in comparison.results.iter().zip(&expected.holm) {
        assert!(close(own.adjusted_p_value.expect("tested"), *holm));
    }
    assert!(kinds(&report).contains(&"several-sittings"));
}

#[test]
fn comparisons_of_a_session_are_adjusted_together() {
    let mut site = Site::new(&many_comparisons(3));
    site.hold(&Plan::new("Ada", 31, 0.85));
    let report = report_of(&site);
    let raw: Vec<f64> =
        report.comparisons.iter().map(|comparison| comparison.p_value.expect("a test")).collect();
    let holm = many::holm(&raw).expect("valid");
    for (comparison, expected) in report.comparisons.iter().zip(holm) {
        assert!(close(comparison.adjusted_p_value.expect("adjusted"), expected));
    }
    let mut alone =
        Site::new(&many_comparisons(3).replace("alpha = 0.05", "alpha = 0.05\nfamily = \"none\""));
    alone.hold(&Plan::new("Ada", 31, 0.85));
    let report = report_of(&alone);
    assert!(report.comparisons.iter().all(|comparison| comparison.adjusted_p_value.is_none()));
    assert!(kinds(&report).contains(&"no-family-control"));
}

#[test]
fn a_room_is_judged_by_the_draws_it_shared() {
    let mut site = Site::new(SESSION);
    let seats = (0..15).map(|seat| (format!("Seat {seat}"), 0.5)).collect();
    site.hold(&Plan { seats, ..Plan::new("Host", 41, 0.5) });
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    assert_eq!(comparison.listeners, 15);
    let mut trials: Vec<room::RoomTrial> = Vec::new();
    let mut last = None;
    for trial in report
        .trials
        .iter()
        .filter(|trial| trial.part == earwitness::trial::Part::Main && trial.control.is_none())
    {
        let Some(answer) = trial.answer else { continue };
        if last != Some(trial.trial) {
            trials.push(room::RoomTrial {
                votes: vec![0, 0],
                right: usize::from(trial.right.expect("ABX has one")),
            });
            last = Some(trial.trial);
        }
        trials.last_mut().expect("pushed").votes[usize::from(answer)] += 1;
    }
    assert_eq!(trials.len(), 12);
    let expected = room::test(Protocol::Abx, &trials, 0.05).expect("valid");
    assert_eq!(comparison.room.as_ref(), Some(&expected));
    assert_eq!(comparison.p_value, Some(expected.p_value));
    assert!(comparison.panel.as_ref().is_some_and(|panel| panel.independent.is_none()));
    assert!(comparison.similarity.is_empty(), "similarity needs draws of one's own");
    assert!(kinds(&report).contains(&"shared-room"));
    let missing = report.sittings[0].missing_votes.expect("a night");
    assert!(missing > 0, "some votes never came");
    assert_eq!(comparison.trials, expected.votes, "they are reported and not counted");
}

#[test]
fn votes_that_never_came_count_as_wrong_only_if_the_session_says_so() {
    let held = |session: &str| {
        let mut site = Site::new(session);
        let seats = (0..9).map(|seat| (format!("Seat {seat}"), 0.7)).collect();
        site.hold(&Plan { seats, ..Plan::new("Host", 47, 0.5) });
        report_of(&site)
    };
    let plain = held(SESSION);
    let strict = held(&SESSION.replace("trials = 12\n", "trials = 12\nmissing_votes = \"wrong\"\n"));
    let (a, b) = (&plain.comparisons[0], &strict.comparisons[0]);
    assert_eq!(a.correct, b.correct);
    assert!(b.trials > a.trials, "{} and {}", a.trials, b.trials);
    let best_case: f64 = a.room.as_ref().expect("a room").p_value;
    assert!(
        close(best_case, b.room.as_ref().expect("a room").p_value),
        "a missing vote is right under no draw"
    );
}

#[test]
fn a_score_below_guessing_is_no_share_of_trials_that_were_heard() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.0));
    let report = report_of(&site);
    assert_eq!(report.comparisons[0].verdict.finding, Finding::BelowGuessing);
    let page = earwitness::report::page::page(&report);
    assert!(page.matches("<td class=\"n\" data-label=\"hears it in\">below guessing").count() >= 2, "{page}");
    let certificates = earwitness::report::page::certificates(&report);
    assert!(certificates.contains("<dd>below guessing</dd>") && !certificates.contains("<dd>0\u{a0}%"));
}

#[test]
fn a_sequential_rule_decides_for_each_listener() {
    let session = SESSION
        .replace(
            "alpha = 0.05",
            "alpha = 0.05\nstopping = { kind = \"sequential\", alpha = 0.05, beta = 0.1, proportion = 0.85 }",
        )
        .replace("trials = 12", "trials = 60");
    let mut site = Site::new(&session);
    site.hold(&Plan::new("Ada", 51, 1.0));
    let report = report_of(&site);
    let own = &report.comparisons[0].results[0];
    assert_eq!(own.sequential, Some(Decision::Difference));
    assert!(own.trials < 60 && own.trials == own.correct);
    assert_eq!(report.comparisons[0].verdict.finding, Finding::Difference);
    assert!(report.session.sequential.as_ref().is_some_and(|rule| rule.guesser.difference < 0.06));
    site.hold(&Plan::new("Bel", 52, 0.5));
    site.hold(&Plan::new("Cas", 53, 0.5));
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    assert_eq!(comparison.results.len(), 3);
    let risk = report.session.sequential.as_ref().expect("a rule").guesser.difference;
    let found =
        comparison.results.iter().filter(|own| own.sequential == Some(Decision::Difference)).count() as u64;
    // For people in words, for programs as a value of its own.
    let mut json = Vec::new();
    earwitness::report::export::json(&report, &mut json).expect("written");
    let json: serde_json::Value = serde_json::from_slice(&json).expect("JSON");
    for (own, told) in
        comparison.results.iter().zip(json["comparisons"][0]["results"].as_array().expect("results"))
    {
        let (words, value) = match own.sequential.expect("a rule decides") {
            Decision::Difference => ("a difference", "difference"),
            Decision::NoDifference => ("no difference", "no-difference"),
            Decision::Undecided => ("undecided", "undecided"),
        };
        assert_eq!(
            (&told["sequential"], &told["sequential_decision"]),
            (&words.into(), &value.into()),
            "{told}"
        );
    }
    let decided: std::collections::BTreeSet<String> =
        comparison.results.iter().map(|own| format!("{:?}", own.sequential)).collect();
    assert!(decided.len() >= 2, "more than one decision is seen: {decided:?}");
    let expected = earwitness::stats::binomial::upper(found, 3, risk);
    assert!(close(comparison.p_value.expect("a test"), expected));
    // What holds for a fixed number of trials is not shown as if it decided.
    let html = earwitness::report::page::page(&report);
    for absent in
        ["p adjusted over", "significant for one listener alone", "judged alone", ">a guesser passes<"]
    {
        assert!(!html.contains(absent), "{absent}");
    }
    for present in [
        "found by the rule",
        "What the sequential rule says",
        "trials on average",
        "Controls that should be heard: ",
    ] {
        assert!(html.contains(present), "{present}");
    }
    // Each listener's interval is the one that knows the rule for stopping, on page and certificate alike.
    let test = SequentialTest::new(Protocol::Abx, 0.05, 0.1, 0.85, 60).expect("a test");
    let plain = |page: String| page.replace('\u{a0}', " ");
    let (html, certificates) = (plain(html), plain(earwitness::report::page::certificates(&report)));
    for own in &comparison.results {
        let ended = test.interval(own.correct, own.trials, 0.95).expect("an end");
        assert_eq!(own.analysis.as_ref().expect("tested").interval, ended);
        let found = own.analysis.as_ref().expect("tested").discriminators;
        let shares = [found.lower, found.upper].map(percent);
        assert!(certificates.contains(&shares.join(" to ")), "{shares:?}");
        assert!(html.contains(&[ended.lower, ended.upper].map(percent).join(" to ")));
    }
    let found_of = test.interval_of_found(found, 3, 0.95).expect("counts").0;
    assert_eq!(comparison.analysis.as_ref().map(|analysis| analysis.interval), Some(found_of));
    assert!(comparison.verdict.limits.iter().any(|limit| limit.contains("If all of them hear equally well")));
    assert!(!certificates.contains("p alone"));
    let rule = report.session.sequential.as_ref().expect("a rule");
    assert!(rule.design.windows(2).all(|pair| pair[0].exact.difference < pair[1].exact.difference));
}

#[test]
fn a_preference_counts_answers_for_side_b() {
    let session = SESSION.replace("protocol = \"abx\"", "protocol = \"preference\"").replace(
        "[[controls]]\nkind = \"level\"\namount = \"2 dB\"\ntrials = 2\n\n[[controls]]\nkind = \"identical\"\ntrials = 2\n",
        "",
    );
    let mut site = Site::new(&session);
    site.hold(&Plan::new("Ada", 61, 0.7));
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    let for_b = report
        .trials
        .iter()
        .filter(|trial| trial.part == earwitness::trial::Part::Main && trial.for_side_a == Some(false))
        .count() as u64;
    assert_eq!(comparison.correct, for_b);
    assert_eq!(report.sittings[0].correct, Some(for_b));
    assert_eq!(comparison.p_value, Some(one::p_value(Protocol::Preference, for_b, 12)));
    assert!(report.trials.iter().all(|trial| trial.correct.is_none()));
}

#[test]
fn places_are_joined_and_compared() {
    let mut here = Site::new(SESSION);
    here.hold(&Plan::new("Ada", 71, 1.0));
    here.hold(&Plan::new("Bel", 72, 1.0));
    let mut there = Site::new(SESSION);
    there.hold(&Plan::new("Ada", 73, 0.4));
    there.hold(&Plan::new("Cas", 74, 0.4));
    let readings = [("Here", &here), ("There", &there)].map(|(name, site)| {
        earwitness::evidence::folder(&site.session.sittings_folder(), Some(name.to_owned())).expect("read")
    });
    let report = report::report(&here.session, readings.into(), Options::default());
    let comparison = &report.comparisons[0];
    assert_eq!(comparison.listeners, 4, "the same name at two places is two people");
    assert_eq!(report.places.len(), 2);
    assert_eq!(report.places[0].scores[0], Tally::new(24, 24));
    let scores: Vec<Tally> = report.places.iter().map(|place| place.scores[0]).collect();
    assert_eq!(comparison.between_places, panel::heterogeneity(&scores));
    assert!(kinds(&report).contains(&"places-unlike"));
    let html = report::page::page(&report);
    assert!(html.contains("There") && html.contains("sittings that count"));
}

#[test]
fn places_whose_listeners_shared_draws_are_not_tested_as_if_they_had_not() {
    let (mut here, mut there) = (Site::new(SESSION), Site::new(SESSION));
    for (site, seed, right) in [(&mut here, 81, 0.95), (&mut there, 82, 0.5)] {
        let seats = (0..20).map(|seat| (format!("Seat {seat}"), right)).collect();
        site.hold(&Plan { seats, ..Plan::new("Host", seed, 0.5) });
    }
    let readings = [("here", &here), ("there", &there)]
        .into_iter()
        .map(|(name, site)| {
            earwitness::evidence::folder(&site.session.sittings_folder(), Some(name.to_owned()))
                .expect("a folder")
        })
        .collect();
    let report =
        earwitness::report::report(&here.session, readings, earwitness::evidence::Options::default());
    let comparison = &report.comparisons[0];
    assert!(comparison.room.is_some() && comparison.between_places.is_none() && comparison.trend_z.is_none());
    assert_eq!(report.places.len(), 2);
    let html = earwitness::report::page::page(&report);
    assert!(html.contains("is not tested, because listeners shared draws"));
}
