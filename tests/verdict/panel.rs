//! A declared panel: nothing before it is complete, nothing after it was full, left out by rule and shown all the same.

use earwitness::evidence::NotCounted;
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
    assert!(!html.contains(" data-score"), "no pooled score before the end");
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
        report.listeners.iter().any(|own| own.name == "Listener4" && own.positive_controls.correct < 6)
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
        ("listeners = 5\nlooks = [5]", "a list of growing whole numbers from 1 to 4"),
        ("listeners = 5\nlooks = [3, 2]", "panel.looks: the number 2 stands in it"),
        ("listeners = 5\nlooks = 3", "panel.looks"),
    ] {
        let text = format!("{SESSION}\n[panel]\n{panel}\n");
        let refused =
            earwitness::session::parse(std::path::Path::new("session.toml"), &text).expect_err(panel);
        assert!(refused.to_string().contains(why), "{panel}: {refused}");
    }
}

#[test]
fn a_set_clock_changes_nobodys_turn() {
    let mut site = site("listeners = 2");
    site.day = 20;
    site.hold(&plan(1));
    site.hold(&plan(2));
    let judged = report_of(&site);
    // Two more, whose clock says that they came first.
    site.day = 2;
    site.hold(&Plan { right: 0.0, ..plan(3) });
    site.hold(&Plan { right: 0.0, ..plan(4) });
    let forged = report_of(&site);
    assert_eq!(
        (forged.comparisons[0].correct, forged.comparisons[0].listeners),
        (judged.comparisons[0].correct, 2)
    );
    let counted: Vec<&str> =
        forged.listeners.iter().filter(|own| own.counted).map(|own| own.name.as_str()).collect();
    assert_eq!(counted, ["Listener1", "Listener2"]);
}

#[test]
fn a_journal_that_is_gone_or_spoiled_leaves_its_place_empty() {
    for spoil in [false, true] {
        let mut site = site("listeners = 2");
        let bad = site.hold(&Plan { right: 0.3, ..plan(1) });
        site.hold(&plan(2));
        if spoil {
            let mut bytes = std::fs::read(&bad).expect("journal");
            let middle = bytes.len() / 2;
            bytes[middle] ^= 1;
            std::fs::write(&bad, bytes).expect("journal");
        } else {
            std::fs::remove_file(&bad).expect("gone");
        }
        site.hold(&plan(3));
        let report = report_of(&site);
        let comparison = &report.comparisons[0];
        assert_eq!(comparison.verdict.finding, Finding::PanelIncomplete);
        assert!(
            comparison.verdict.headline.contains("1 of 2 listeners have sat, and 1 complete sitting whose"),
            "{}",
            comparison.verdict.headline
        );
        assert!(comparison.p_value.is_none());
        let told: Vec<&str> = report.caveats.iter().map(|caveat| caveat.kind.name()).collect();
        assert!(told.contains(&"panel-lost") && told.contains(&"beyond-panel"), "{told:?}");
        assert!(page::page(&report).contains("nobody else may take that place"));
    }
}

#[test]
fn what_was_begun_and_left_is_held_against_the_result() {
    let mut site = site("listeners = 2");
    site.hold(&plan(1));
    // Left before its end, with the secret beside it: the owner could know how it went.
    site.hold(&Plan { stop: Some((9, false)), ..plan(2) });
    site.hold(&plan(3));
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    assert_eq!(comparison.verdict.finding, Finding::Difference);
    let worst = comparison.worst_case.expect("one was left");
    assert_eq!((worst.sittings, worst.correct, worst.trials), (1, comparison.correct, 36));
    assert!(worst.p_value > comparison.p_value.expect("judged"));
    assert!(report.caveats.iter().any(|caveat| caveat.kind.name() == "panel-broken-off"));
    assert!(
        page::page(&report).contains(
            "1 sitting of the panel began and never finished. If every answer there had been wrong"
        )
    );
    // Left after the panel was full, it took nobody's place.
    site.hold(&Plan { stop: Some((9, true)), ..plan(4) });
    assert_eq!(report_of(&site).comparisons[0].worst_case.expect("still one").sittings, 1);
}

#[test]
fn another_spelling_or_alias_is_no_other_listener() {
    let mut site = site("listeners = 3");
    site.hold(&Plan::new("Zo\u{eb}", 1, 0.95));
    site.hold(&Plan { alias: Some("Somebody".to_owned()), ..Plan::new("ZOE", 2, 0.95) });
    site.hold(&Plan::new(" zoe ", 3, 0.95));
    let report = report_of(&site);
    assert_eq!(report.listeners.len(), 1);
    assert!(report.comparisons[0].verdict.headline.contains("1 of 3 listeners have sat"));
    assert_eq!(report.panel.expect("declared").beyond, 2);
}

#[test]
fn a_night_fills_the_seats_of_a_panel_in_order() {
    let seats = |count: usize| -> Vec<(String, f64)> {
        (1..=count).map(|seat| (format!("Guest{seat}"), if seat <= 4 { 0.9 } else { 0.0 })).collect()
    };
    let mut site = site("listeners = 4");
    site.hold(&Plan { seats: seats(3), ..Plan::new("Host", 5, 0.5) });
    let report = report_of(&site);
    assert!(report.comparisons[0].verdict.headline.contains("3 of 4 listeners have sat"));
    // The same people on another night are no further listeners; the first stranger is, the second comes too late.
    let mut again = seats(3);
    again.extend([("Late".to_owned(), 0.9), ("Later".to_owned(), 0.0)]);
    site.hold(&Plan { seats: again, ..Plan::new("Host", 6, 0.5) });
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    assert_eq!(comparison.listeners, 4);
    assert!(comparison.room.is_some() && comparison.p_value.is_some());
    let counted: Vec<&str> =
        report.listeners.iter().filter(|own| own.counted).map(|own| own.name.as_str()).collect();
    assert_eq!(counted, ["Guest1", "Guest2", "Guest3", "Late"]);
    let panel = report.panel.as_ref().expect("declared");
    assert_eq!((panel.sat, panel.beyond, panel.beyond_seats), (4, 0, 4));
    let beyond = report.caveats.iter().find(|caveat| caveat.kind.name() == "beyond-panel").expect("told");
    assert!(beyond.text.starts_with("4 seats of nights came after"), "{}", beyond.text);
    assert_eq!(csv_of(&report).matches(",TRUE,").count() as u64, comparison.trials);
}

#[test]
fn agreed_looks_share_the_risk_and_end_it_for_good() {
    let mut site = site("listeners = 6\nlooks = [2, 4]");
    site.hold(&Plan { right: 1.0, ..plan(1) });
    let headline =
        |site: &crate::report::material::Site| report_of(site).comparisons[0].verdict.headline.clone();
    assert!(headline(&site).contains("No agreed look has come"), "{}", headline(&site));
    site.hold(&Plan { right: 1.0, ..plan(2) });
    let ended = report_of(&site);
    let comparison = &ended.comparisons[0];
    assert_eq!((comparison.verdict.finding, comparison.trials), (Finding::Difference, 24));
    assert_eq!((comparison.looks.len(), comparison.looks[0].ended), (1, true));
    // All right of 24: one half to the 24th, and nothing was spent before.
    let p = comparison.p_value.expect("a look");
    assert!((p / 0.5_f64.powi(24) - 1.0).abs() < 1e-12, "{p}");
    assert!(comparison.verdict.limits.iter().any(|limit| limit.contains("looked at after 2 of 6 listeners")));
    let html = page::page(&ended);
    assert!(html.contains("after 2, 4 and 6 listeners") && html.contains("Looks at the panel"));
    // Whoever sits after that changes nothing.
    site.hold(&Plan { right: 0.0, ..plan(3) });
    site.hold(&Plan { right: 0.0, ..plan(4) });
    assert_eq!(headline(&site), comparison.verdict.headline);
    // ... counts nowhere, and is said to: in the table of sittings, in the CSV, in the paragraph to paste.
    let later = report_of(&site);
    assert_eq!(later.comparisons[0].came_after, [2, 3]);
    let html = page::page(&later);
    assert_eq!(html.matches("no: a look had ended the panel").count(), 2);
    assert_eq!(
        csv_of(&later).matches(",TRUE,complete,").count(),
        24,
        "twelve answers of each of two listeners"
    );
    assert!(earwitness::report::methods::paragraphs(&later)[3].contains("The answers of 2 listeners count"));
    assert!(later.caveats.iter().all(|caveat| caveat.kind.name() != "panel-incomplete"));
    let counts: Vec<(bool, Option<NotCounted>)> =
        later.sittings.iter().map(|sitting| (sitting.counted, sitting.not_counted)).collect();
    let late = (false, Some(NotCounted::AfterLook));
    assert_eq!(counts, [(true, None), (true, None), late, late]);
    let told = earwitness::report::summary(&later).join("\n");
    assert!(
        told.contains("2 of 4 sittings count, 2 after a look had ended the panel; 2 listeners"),
        "{told}"
    );
    // The limits are those of the look: wider than of a test that is looked at once.
    let limits = later.comparisons[0].analysis.as_ref().expect("numbers").interval;
    let exact = earwitness::stats::interval::clopper_pearson(24, 24, 0.95).expect("one");
    assert!(limits.lower <= exact.lower + 1e-9 && limits.upper == 1.0, "{limits:?} {exact:?}");
    assert!(comparison.verdict.limits.iter().any(|limit| limit.contains("The limits allow for the looks")));

    let mut guessing = self::site("listeners = 6\nlooks = [2, 4]\nfor_whom = \"listeners-like-them\"");
    for number in 1..=6 {
        assert_eq!(report_of(&guessing).comparisons[0].p_value, None);
        guessing.hold(&Plan { right: 0.5, ..plan(number) });
        if number == 2 {
            assert!(
                headline(&guessing).contains("The look after 2 listeners found"),
                "{}",
                headline(&guessing)
            );
        }
    }
    let judged = report_of(&guessing);
    let comparison = &judged.comparisons[0];
    assert_eq!((comparison.looks.len(), comparison.verdict.finding), (3, Finding::NotShown));
    assert!(comparison.looks[2].spent <= 0.05);
    // The last look needs a little more than a test that was looked at once.
    let once = earwitness::stats::one::critical(earwitness::stats::Protocol::Abx, 72, 0.05).expect("a score");
    let needed = comparison.looks[2].critical.expect("a score");
    assert!(needed >= once);
    // The figure of page one shows that score, and what allows for no looks says so where it stands.
    let html = page::page(&judged);
    assert!(html.contains(&format!("needed: {needed}<")), "{needed}");
    assert!(comparison.population.is_some());
    assert!(html.contains("This does not allow for the looks: after an early end it leans high."));
    assert!(html.contains("For listeners like them the limits are <a href=\"#verdict\">wider</a>."));
}

#[test]
fn two_who_hear_it_among_guessers_are_no_similarity() {
    let mut site = site("listeners = 10\nno_difference_above = 0.5");
    for number in 1..=10 {
        site.hold(&Plan { right: if number <= 2 { 1.0 } else { 0.5 }, ..plan(number) });
    }
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    let found = comparison.mixture.expect("ten listeners");
    assert!(found.lower > 0.0 && found.upper < 0.7 && found.heard > 0.9, "{found:?}");
    if found.upper < 0.5 {
        assert!(comparison.verdict.limits[0].starts_with("Some hear it and most do not: about 2 of the 10"));
        assert!(page::page(&report).contains("Only on average, since some hear it and most do not."));
    }
    assert!(page::page(&report).contains("hear it, others guess"));
}

#[test]
fn one_clip_that_carried_it_is_named_and_listeners_and_clips_are_crossed() {
    let session = SESSION
        .replace(
            "[[comparisons]]",
            "[clips.second]\nsynth = \"plucked-strings\"\nlength = \"1 s\"\nseed = 5\n\n[[comparisons]]",
        )
        .replace("clips = [\"plucked\"]", "clips = [\"plucked\", \"second\"]");
    let mut site = Site::new(&format!("{session}\n[panel]\nlisteners = 6\n"));
    for number in 1..=6 {
        site.hold(&Plan { only_clip: Some(0), ..plan(number) });
        if number == 5 {
            let early = report_of(&site);
            assert!(
                early.comparisons[0].clips.is_none() && early.crossed.is_none(),
                "nothing before the end"
            );
        }
    }
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    let clips = comparison.clips.as_ref().expect("two clips");
    assert_eq!(clips.each.iter().map(|clip| clip.trials).sum::<u64>(), comparison.trials);
    assert_eq!(clips.each.iter().map(|clip| clip.correct).sum::<u64>(), comparison.correct);
    assert_eq!(clips.carried_by, Some(0));
    let said = &comparison.verdict.limits[0];
    assert!(said.starts_with("One clip carried it: plucked, with "), "{said}");
    let crossed = report.crossed.as_ref().expect("six listeners, two clips");
    assert!(
        crossed.words().contains("Which clip it was mattered more than who listened"),
        "{}",
        crossed.words()
    );
    let html = page::page(&report);
    assert!(html.contains("clip by clip") && html.contains("Listeners and clips crossed"));
}

#[test]
fn who_sat_and_where_is_sealed_shown_and_withheld_where_it_tells_who() {
    use earwitness::session::{Fact, SittingFact};
    let mut site =
        Site::new(&SESSION.replace(
            "trials = 12",
            "trials = 12\nfacts = [\"age-band\", \"room\", \"trained\", \"level-dba\"]",
        ));
    let told = |fact: Fact, answer: &str| SittingFact { fact, answer: answer.to_owned() };
    let facts = vec![
        told(Fact::AgeBand, "40-49"),
        told(Fact::Room, "the Zq9 room"),
        told(Fact::Trained, "yes"),
        told(Fact::LevelDba, "72.5"),
    ];
    site.hold(&Plan { facts: Some(facts), ..plan(1) });
    site.hold(&plan(2));
    let html = page::page(&report_of(&site));
    for shown in ["Who sat, and where", "40-49", "Zq9", "72.5", "not said"] {
        assert!(html.contains(shown) || shown == "not said", "{shown}");
    }
    let csv = csv_of(&report_of(&site));
    assert!(csv.contains(",40-49,,yes,,the Zq9 room,,72.5\n"), "{}", csv.lines().nth(1).expect("a row"));
    let hidden = crate::report::report_with(&site, earwitness::evidence::Options { anonymous: true });
    let (html, csv) = (page::page(&hidden), csv_of(&hidden));
    assert!(!html.contains(">40-49</td>") && !html.contains("Zq9") && html.contains("72.5"));
    assert!(!csv.contains("40-49") && !csv.contains("Zq9") && csv.contains(",,,yes,,,,72.5\n"));
    let refused = earwitness::session::parse(
        std::path::Path::new("session.toml"),
        &SESSION.replace("trials = 12", "trials = 12\nfacts = [\"shoe-size\"]"),
    );
    assert!(refused.expect_err("unknown").to_string().contains("\"shoe-size\" is unknown"));
}
