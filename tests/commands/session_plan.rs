//! `plan --session`: what a declared panel can show, against sums over the binomial distribution written out here.

use super::material::{PAIR, RESISTOR, SYNTH, session};
use super::{earwitness, json, succeeded};

fn declared(panel: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a temporary folder");
    session(folder.path(), SYNTH, PAIR, RESISTOR);
    let path = folder.path().join("session.toml");
    let text = std::fs::read_to_string(&path).expect("the session") + panel;
    std::fs::write(path, text).expect("writing");
    folder
}

/// P(X <= k), X binomial, by the recursion over trials.
fn at_most(k: usize, n: usize, p: f64) -> f64 {
    let mut row = vec![1.0];
    for _ in 0..n {
        let mut next = vec![0.0; row.len() + 1];
        for (i, q) in row.iter().enumerate() {
            next[i] += q * (1.0 - p);
            next[i + 1] += q * p;
        }
        row = next;
    }
    row[..=k].iter().sum()
}

#[test]
fn a_declared_panel_is_planned_from_its_session() {
    let folder = declared("\n[panel]\nlisteners = 12\nsittings_each = 2\nno_difference_above = 0.3\n");
    let found = json(folder.path(), &["plan", "--session", ".", "--json"]);
    // 12 listeners x 2 sittings x 6 trials of ABX.
    let n = 144;
    assert_eq!((found["trials"].as_u64(), found["session"]["trials_each"].as_u64()), (Some(n), Some(12)));
    let critical = (0..=n as usize).find(|k| 1.0 - at_most(k.saturating_sub(1), n as usize, 0.5) <= 0.05);
    assert_eq!(found["critical"].as_u64(), critical.map(|k| k as u64));
    let proportion = found["proportion"].as_f64().expect("a proportion");
    let power = 1.0 - at_most(critical.expect("one") - 1, n as usize, proportion);
    assert!((power - 0.8).abs() < 1e-9, "{power}");

    // "Heard in at most 30 %" is right in 65 % of trials: supported up to the largest score that is so low in 5 %, and not
    // where guessing is as low in 2.5 % of tests.
    let claim = &found["session"]["no_difference"];
    let largest =
        |p: f64, risk: f64| (0..n as usize).rev().find(|k| at_most(*k, n as usize, p) <= risk).expect("one");
    let (most, below) = (largest(0.65, 0.05), largest(0.5, 0.025));
    assert_eq!(claim["critical"].as_u64(), Some(most as u64));
    let supported = at_most(most, n as usize, 0.5) - at_most(below, n as usize, 0.5);
    let said = claim["supported_if_nobody_hears"].as_f64().expect("a probability");
    assert!((said - supported).abs() < 1e-9 * supported, "{said} {supported}");
    assert!(claim["standard_error"].is_null());

    // Alone as one of 12 tests: 0.05 / 12 is 1 in 240, and 11 of 12 right come up in 13 of 4096 guessers' tests.
    assert_eq!(found["session"]["alone"]["tests"], 12);
    assert_eq!(found["session"]["alone"]["critical"], 11);

    let said = succeeded(folder.path(), &["plan", "--session", ".", "--discriminators", "0.5"]).out;
    assert_eq!(said.lines().filter(|line| !line.starts_with(' ')).count(), 4, "{said}");
    assert!(
        said.contains("12 listeners, 12 trials each") && said.contains("it takes 11 of 12 right"),
        "{said}"
    );
}

#[test]
fn what_is_claimed_of_others_is_simulated_and_rarer() {
    let panel = "\n[panel]\nlisteners = 8\nsittings_each = 2\nno_difference_above = 0.4\n";
    let arguments = ["plan", "--session", ".", "--json", "--simulations", "200"];
    let these = json(declared(panel).path(), &arguments);
    let others = json(declared(&format!("{panel}for_whom = \"listeners-like-them\"\n")).path(), &arguments);
    let of = |found: &serde_json::Value, key: &str| found["session"]["no_difference"][key].as_f64();
    let (exact, simulated) =
        (of(&these, "supported_if_nobody_hears"), of(&others, "supported_if_nobody_hears"));
    let (exact, simulated) = (exact.expect("a probability"), simulated.expect("a probability"));
    let error = of(&others, "standard_error").expect("a standard error");
    assert!((error - (simulated * (1.0 - simulated) / 200.0).sqrt()).abs() < 1e-12, "{error}");
    assert!(simulated > 0.2 && simulated < exact + 2.0 * error, "{simulated} +- {error}, {exact}");
    assert!(others["session"]["no_difference"]["critical"].is_null(), "no plain score decides");
}

#[test]
fn without_a_panel_one_sitting_is_planned_and_sessions_of_another_kind_are_refused() {
    let folder = declared("");
    let said = succeeded(folder.path(), &["plan", "--session", "."]).out;
    assert!(said.contains("No [panel] is declared"), "{said}");
    assert_eq!(earwitness(folder.path(), &["plan", "--session", ".", "--trials", "9"]).code, 2);
    let rule = "\n[stopping]\nkind = \"sequential\"\nalpha = 0.2\nbeta = 0.1\nproportion = 0.9\n";
    let panel = declared(&format!("{rule}\n[panel]\nlisteners = 6\n"));
    let said = succeeded(panel.path(), &["plan", "--session", "."]).out;
    assert_eq!(said.lines().count(), 3, "{said}");
    assert!(said.contains("6 listeners, each until a sequential rule decides, at most 6 trials"), "{said}");
    let found = json(panel.path(), &["plan", "--session", ".", "--json"])["session"].clone();
    let (guesser, listener) = (
        found["guesser"]["difference"].as_f64().expect("a probability"),
        found["listener"]["difference"].as_f64().expect("a probability"),
    );
    let needed = (1..=6).find(|k| 1.0 - at_most(k - 1, 6, guesser) <= 0.05).expect("six are enough");
    assert_eq!(found["needed"], needed);
    let power = found["power"].as_f64().expect("a probability");
    assert!((power - (1.0 - at_most(needed - 1, 6, listener))).abs() < 1e-9, "{found}");
    let threshold =
        earwitness(declared("\n[threshold]\nscale = \"multiple\"\n").path(), &["plan", "--session", "."]);
    assert_eq!(threshold.code, 2, "{}", threshold.out);
    assert!(threshold.err.contains("plan --threshold"), "{}", threshold.err);
}

#[test]
fn looks_and_who_is_left_out_are_planned() {
    let controls = "\n[[controls]]\nkind = \"level\"\namount = \"1 dB\"\ntrials = 4\n";
    let panel = "\n[panel]\nlisteners = 12\nlooks = [6]\nleave_out = \"missed-controls\"\n";
    let folder = declared(&format!("{controls}{panel}"));
    let found = json(folder.path(), &["plan", "--session", ".", "--json", "--discriminators", "0.5"]);
    let looks = found["session"]["looks"].as_array().expect("looks");
    assert_eq!(
        (looks.len(), looks[0]["trials"].as_u64(), looks[1]["trials"].as_u64()),
        (2, Some(36), Some(72))
    );
    let first = looks[0]["critical"].as_u64().expect("a score") as usize;
    let ends = looks[0]["ends"].as_f64().expect("a probability");
    assert!((ends - (1.0 - at_most(first - 1, 36, 0.75))).abs() < 1e-9, "{found}");
    // 2 - 2 Phi(1.959964 / sqrt(0.5)) = 0.00557 may be spent there.
    assert!(1.0 - at_most(first - 1, 36, 0.5) <= 0.005575 && 1.0 - at_most(first - 2, 36, 0.5) > 0.005575);
    // Of four controls, at most two right come up for one who hears nine of ten in 5.23 % of sittings, three in more than 10 %.
    let left = &found["session"]["left_out"];
    assert!((left["able"].as_f64().expect("a probability") - at_most(2, 4, 0.9)).abs() < 1e-12, "{left}");
    assert!((left["guessing"].as_f64().expect("a probability") - at_most(2, 4, 0.5)).abs() < 1e-12, "{left}");
    let said = succeeded(folder.path(), &["plan", "--session", "."]).out;
    assert!(
        said.contains("Looks: after 6 listeners")
            && said.contains("Left out: the rule on controls (4 trials)"),
        "{said}"
    );
}

#[test]
fn drop_outs_say_how_many_to_invite() {
    let folder = declared("\n[panel]\nlisteners = 20\n");
    let found = json(folder.path(), &["plan", "--session", ".", "--json", "--drop-outs", "0.15"]);
    let own = &found["session"]["drop_outs"];
    // 20 or more of n come: the distribution itself, written out here.
    let complete = |n: usize| 1.0 - at_most(19, n, 0.85);
    let invite = (20..60).find(|n| complete(*n) >= 0.9).expect("one");
    assert_eq!((invite, own["invite"].as_u64()), (26, Some(26)));
    let near =
        |key: &str, expected: f64| (own[key].as_f64().expect("a number") / expected - 1.0).abs() < 1e-9;
    assert!(near("complete", complete(26)) && near("complete_without_more", 0.85_f64.powi(20)), "{own}");
    let lines = succeeded(folder.path(), &["plan", "--session", ".", "--drop-outs", "0.15"]).out;
    let said = lines.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("invite 26. Then 20 sit in"), "{said}");
    for wrong in ["1", "-0.1", "nan"] {
        let option = format!("--drop-outs={wrong}");
        assert_eq!(earwitness(folder.path(), &["plan", "--session", ".", &option]).code, 2, "{wrong}");
    }
    let none = declared("");
    assert_eq!(earwitness(none.path(), &["plan", "--session", ".", "--drop-outs", "0.1"]).code, 2);
}

#[test]
fn a_night_is_rehearsed_before_anyone_comes() {
    let folder = declared("\n[[controls]]\nkind = \"level\"\namount = \"3 dB\"\ntrials = 3\n");
    let run =
        |more: &[&str]| earwitness(folder.path(), &[&["night", ".", "--simulate", "0.9"], more].concat());
    assert_eq!(run(&["--simulate-guests", "0"]).code, 2);
    assert_eq!(run(&["--simulate-lapse", "2"]).code, 2);
    let said = run(&["--simulate-guests", "6", "--simulate-spread", "0.2", "--simulate-controls", "1"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.out.contains("Guest 06: simulated, right with probability"), "{}", said.out);
    assert_eq!(earwitness(folder.path(), &["verify", "."]).code, 0);
    let report = json(folder.path(), &["report", ".", "--json"]);
    assert_eq!(report["listeners"].as_array().expect("a list").len(), 6);
    assert_eq!(report["controls"][0]["correct"], report["controls"][0]["trials"], "all hear the controls");
    assert_eq!(report["controls"][0]["trials"], 18);
    assert!(report["caveats"].as_array().expect("a list").iter().any(|caveat| caveat["kind"] == "simulated"));
    // A lapse has nothing to do with what is heard: of guests who only lapse, controls are no better than chance.
    let lapsing = declared("\n[[controls]]\nkind = \"level\"\namount = \"3 dB\"\ntrials = 8\n");
    let arguments = ["night", ".", "--simulate", "1", "--simulate-guests", "60", "--simulate-lapse", "1"];
    assert_eq!(earwitness(lapsing.path(), &arguments).code, 0);
    let report = json(lapsing.path(), &["report", ".", "--json"]);
    let right = report["controls"][0]["correct"].as_u64().expect("a number");
    // 480 fair draws: six standard deviations, 66, to either side.
    assert!((174..=306).contains(&right), "{right} of 480");
}

#[test]
fn a_panel_is_rehearsed_before_anyone_comes() {
    let panel = "\n[panel]\nlisteners = 3\nleave_out = \"missed-controls\"\n";
    let folder =
        declared(&format!("\n[[controls]]\nkind = \"level\"\namount = \"3 dB\"\ntrials = 4\n{panel}"));
    let run = |more: &[&str]| {
        let first = ["run", ".", "--listener", "Try", "--output", "silent", "--simulate", "0.9"];
        earwitness(folder.path(), &[&first[..], more].concat())
    };
    assert_eq!(run(&["--simulate-panel", "0"]).code, 2);
    assert_eq!(run(&["--simulate-spread", "0.5"]).code, 2, "a spread is a panel's");
    assert_eq!(run(&["--fact", "trained=yes"]).code, 2, "the session asks for no facts");
    let said = run(&["--simulate-panel", "3", "--simulate-controls", "0", "--simulate-spread", "0.2"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(
        said.out.contains("Try 03: simulated, right with probability")
            && said.out.contains("Nobody listened.")
    );
    let report = json(folder.path(), &["report", ".", "--json"]);
    assert_eq!(report["panel"]["sat"], 3);
    assert_eq!(report["panel"]["left_out"].as_array().expect("a list").len(), 3, "nobody heard a control");
    assert!(report["caveats"].as_array().expect("a list").iter().any(|caveat| caveat["kind"] == "simulated"));
    // What a referee asks first is answered on the page.
    succeeded(folder.path(), &["report", "."]);
    let page = std::fs::read_to_string(folder.path().join("report/report.html")).expect("the page");
    for answer in [
        "Nobody: 3 listeners were agreed on and sealed; 3 have sat.",
        "Each sitting seals every file that it reads",
        "An error risk of",
        "The session asked for no facts",
        "Left out: 3",
        "It can have been: A was the same cable in each sitting.",
    ] {
        assert!(page.contains(answer), "{answer}");
    }
}
