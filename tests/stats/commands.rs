//! `score` and `plan` as their users run them.

use std::path::Path;

use serde_json::Value;

use super::close;
use crate::commands::material::{PAIR, RESISTOR, SYNTH, session};
use crate::commands::{self, earwitness, refused};

fn json(folder: &Path, line: &str) -> Value {
    let arguments: Vec<&str> = line.split_whitespace().chain(["--json"]).collect();
    let document = commands::json(folder, &arguments);
    let text = document.to_string();
    assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
    document
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

#[test]
fn score_has_the_agreed_keys_schema_first() {
    let folder = tempfile::tempdir().expect("a folder");
    let found = json(folder.path(), "score --protocol abx --correct 12 --trials 16");
    let keys: Vec<&String> = found.as_object().expect("an object").keys().collect();
    assert_eq!(keys[0], "schema");
    assert_eq!(found["schema"], "earwitness.score/1");
    for key in [
        "protocol",
        "correct",
        "trials",
        "chance",
        "p_value",
        "mid_p",
        "proportion",
        "interval",
        "wilson",
        "jeffreys",
        "critical",
        "discriminators",
        "d_prime",
        "bayes_factor_10",
    ] {
        assert!(keys.iter().any(|k| *k == key), "{key} is missing");
    }
    close(number(&found["p_value"]), 2517.0 / 65536.0, 1e-14);
    assert_eq!(found["critical"], 12);
    close(number(&found["interval"]["lower"]), 0.476229180103872, 1e-12);
    assert_eq!(found["d_prime"]["model"], "differencing");
    let other =
        json(folder.path(), "score --protocol abx --correct 12 --trials 16 --model independent-observation");
    assert_eq!(other["d_prime"]["model"], "independent-observation");
    assert!(number(&other["d_prime"]["value"]) < number(&found["d_prime"]["value"]));
    // Every protocol, every extreme: numbers, never null.
    for protocol in ["abx", "duo-trio", "triangle", "tetrad", "two-afc", "preference"] {
        for correct in [0, 5] {
            let found =
                json(folder.path(), &format!("score --protocol {protocol} --correct {correct} --trials 5"));
            for key in ["value", "lower", "upper"] {
                number(&found["d_prime"][key]);
            }
        }
    }
    assert_eq!(json(folder.path(), "score --protocol abx --correct 2 --trials 3")["critical"], Value::Null);
}

#[test]
fn score_reads_back_to_the_last_bit() {
    let folder = tempfile::tempdir().expect("a folder");
    let found = json(folder.path(), "score --protocol triangle --correct 300 --trials 400");
    let exact = earwitness::stats::one::analyse(earwitness::stats::Protocol::Triangle, 300, 400, 0.05)
        .expect("counts");
    assert_eq!(number(&found["p_value"]).to_bits(), exact.p_value.to_bits());
    assert!(exact.p_value < 1e-60);
}

#[test]
fn similarity_stands_beside_the_difference() {
    let folder = tempfile::tempdir().expect("a folder");
    let line = "score --protocol triangle --correct 26 --trials 75 --similarity 0.2";
    let found = json(folder.path(), line);
    close(number(&found["similarity"]["p_value"]), 0.0237701, 2e-6);
    assert_eq!(found["similarity"]["similar"], true);
    let words = earwitness(folder.path(), &line.split_whitespace().collect::<Vec<_>>());
    assert!(
        words.out.contains("\"Heard in at most 20 % of trials\" is supported at a risk of 5 %"),
        "{}",
        words.out
    );
}

#[test]
fn counts_of_many_listeners() {
    let folder = tempfile::tempdir().expect("a folder");
    // Columns in any order, comments, spaces, a listener with two rows.
    let text = "# an invented evening\ntrials, listener ,protocol,comparison,correct\n16,Nora,abx,flex-braid,13\n\
                16,Otto,abx,flex-braid,8\n8,Otto,abx,flex-braid,4\n10,Nora,triangle,flex-none,8\n";
    std::fs::write(folder.path().join("counts.csv"), text).expect("writing");
    let found = json(folder.path(), "score counts.csv");
    let comparisons = found["comparisons"].as_array().expect("an array");
    assert_eq!(comparisons.len(), 2);
    let first = &comparisons[0];
    assert_eq!((&first["comparison"], &first["protocol"]), (&"flex-braid".into(), &"abx".into()));
    assert_eq!((&first["pooled"]["correct"], &first["pooled"]["trials"]), (&25.into(), &40.into()));
    assert_eq!(first["listeners"][1]["trials"], 24);
    close(number(&first["listeners"][0]["holm_p_value"]), 2.0 * 697.0 / 65536.0, 1e-12);
    close(number(&comparisons[1]["listeners"][0]["p_value"]), 201.0 / 59049.0, 1e-13);
    // As a spreadsheet writes it where the comma is the decimal sign.
    let other = format!("\u{feff}{}", text.replace(',', ";").replace('\n', "\r\n"));
    std::fs::write(folder.path().join("other.csv"), other).expect("writing");
    assert_eq!(json(folder.path(), "score other.csv"), found);
    let words = earwitness(folder.path(), &["score", "counts.csv"]);
    assert!(
        words.out.contains("Best: Nora") && words.out.contains("Holm over 2 comparisons"),
        "{}",
        words.out
    );
}

#[test]
fn bad_counts_name_file_line_and_cause() {
    let folder = tempfile::tempdir().expect("a folder");
    let head = "listener,comparison,protocol,correct,trials\n";
    for (text, words) in [
        (format!("{head}Nora,c,abx,5,4\n"), ["line 2", "5 right of 4"]),
        (format!("{head}Nora,c,abx,1,4\nOtto,c,abx,0,0\n"), ["line 3", "no trials"]),
        (format!("{head}Nora,c,abx,-1,4\n"), ["line 2", "\"-1\""]),
        (format!("{head}Nora,c,abx,1.5,4\n"), ["line 2", "whole number"]),
        (format!("{head}Nora,c,xba,1,4\n"), ["line 2", "triangle"]),
        (format!("{head}Nora,c,abx,1\n"), ["counts.csv", "fields"]),
        (format!("{head}Nora,c,abx,1,99999999999\n"), ["line 2", "too many"]),
        ("listener,protocol,correct,trials\nNora,abx,1,4\n".to_string(), ["comparison", "header"]),
        (head.to_string(), ["no counts", "header"]),
        (String::new(), ["counts.csv", "header"]),
    ] {
        std::fs::write(folder.path().join("counts.csv"), &text).expect("writing");
        refused(folder.path(), &["score", "counts.csv"], &words);
    }
    std::fs::write(folder.path().join("counts.csv"), [0xff, 0xfe, 0x00, 0x0a, 0x41]).expect("writing");
    refused(folder.path(), &["score", "counts.csv"], &["counts.csv"]);
    refused(folder.path(), &["score"], &["nothing to score"]);
    refused(
        folder.path(),
        &["score", "--protocol", "abx", "--correct", "9", "--trials", "8"],
        &["9 right of 8"],
    );
    refused(
        folder.path(),
        &["score", "--protocol", "abx", "--correct", "1", "--trials", "8", "--alpha", "1.5"],
        &["--alpha is 1.5"],
    );
}

#[test]
fn plan_gives_first_and_stable_numbers() {
    let folder = tempfile::tempdir().expect("a folder");
    let found = json(folder.path(), "plan --protocol two-afc --alpha 0.05 --power 0.9 --d-prime 1");
    assert_eq!(found.as_object().expect("an object").keys().next().map(String::as_str), Some("schema"));
    assert_eq!((&found["trials"], &found["critical"]), (&30.into(), &20.into()));
    close(number(&found["power"]), 0.917255, 1e-6);
    assert!(number(&found["alpha"]) <= 0.05);
    assert_eq!(found["stable"]["trials"], 33);
    // The same for a given number.
    let given = json(folder.path(), "plan --protocol abx --alpha 0.05 --proportion 0.6 --trials 16");
    assert_eq!(given["critical"], 12);
    close(number(&given["alpha"]), 2517.0 / 65536.0, 1e-13);
    close(1.0 - number(&given["power"]), 0.8334, 1e-4);
    // Without a size: the smallest one that these trials find.
    let found = json(folder.path(), "plan --trials 16 --power 0.9");
    assert_eq!((&found["critical"], &found["wanted_power"]), (&12.into(), &0.9.into()));
    close(number(&found["power"]), 0.9, 1e-9);
    assert!(number(&found["proportion"]) > 0.75, "{found}");
    let table = json(folder.path(), "plan --proportion 0.75 --trials 16 --table 10..20");
    assert_eq!(table["table"].as_array().expect("rows").len(), 11);
}

#[test]
fn plan_draws_panels_sequential_tests_and_similarity() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran = earwitness(folder.path(), &["plan", "--proportion", "0.75", "--plot", "power.svg"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let svg = std::fs::read_to_string(folder.path().join("power.svg")).expect("a picture");
    assert!(svg.contains("<svg") && svg.contains("trials") && svg.contains("stable from"), "{svg}");
    let panel = json(
        folder.path(),
        "plan --discriminators 0.25 --listeners 12 --trials 16 --gamma 0.2 --simulations 4000",
    );
    let (exact, simulated) = (number(&panel["panel"]["pooled_exact"]), &panel["panel"]["pooled"]);
    assert!((number(&simulated["value"]) - exact).abs() < 4.5 * number(&simulated["standard_error"]));
    assert!(exact < number(&panel["panel"]["power_if_alike"]));
    let sequential = json(
        folder.path(),
        "plan --protocol duo-trio --proportion 0.7 --alpha 0.1 --beta 0.1 --sequential --trials 200",
    );
    close(number(&sequential["sequential"]["slope"]), 0.6029, 1e-4);
    assert!(number(&sequential["sequential"]["guessing"]["expected_trials"]) < 30.0);
    let similar =
        json(folder.path(), "plan --protocol triangle --similarity 0.2 --discriminators 0.1 --trials 100");
    close(number(&similar["power"]), 0.306810, 1e-6);
}

#[test]
fn bad_plans_say_what_is_allowed() {
    let folder = tempfile::tempdir().expect("a folder");
    for (line, words) in [
        ("plan", "--discriminators"),
        ("plan --proportion 0.5", "above 0.500"),
        ("plan --proportion 1.2", "at most 1"),
        ("plan --proportion NaN", "NaN"),
        ("plan --discriminators 0", "above 0"),
        ("plan --d-prime 99", "between 0 and 20"),
        ("plan --proportion 0.7 --power 1", "--power is 1"),
        ("plan --proportion 0.7 --alpha 0", "--alpha is 0"),
        ("plan --proportion 0.50001", "10000000"),
        ("plan --proportion 0.7 --trials 0", "--trials is 0"),
        ("plan --proportion 0.7 --table 20..10", "20..10"),
        ("plan --proportion 0.7 --table 1..9999999", "at most 10000"),
        ("plan --proportion 0.7 --protocol xyz", "duo-trio"),
        ("plan --proportion 0.7 --listeners 0", "0 listeners"),
        ("plan --proportion 0.7 --listeners 5 --gamma 1", "gamma"),
        ("plan --proportion 0.7 --plot no/such/folder.svg", "no/such/folder.svg"),
        ("plan --similarity 0.1 --discriminators 0.3", "below the limit"),
        ("plan --similarity 0.0001", "larger limit"),
        ("plan --proportion 0.7 --sequential --trials 9999999", "100000"),
    ] {
        refused(folder.path(), &line.split_whitespace().collect::<Vec<_>>(), &[words]);
    }
}

#[test]
fn a_simulated_sitting_is_scored_and_called_what_it_is() {
    let folder = tempfile::tempdir().expect("a folder");
    session(folder.path(), SYNTH, PAIR, RESISTOR);
    let ran = earwitness(
        folder.path(),
        &["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "1"],
    );
    assert_eq!(ran.code, 0, "{}", ran.err);
    let found = json(folder.path(), "score .");
    assert_eq!(found["listening_test"], false);
    let journal = &found["journals"][0];
    assert_eq!(
        (&journal["listener"], &journal["ok"], &journal["simulated"]),
        (&"Nora".into(), &true.into(), &true.into())
    );
    let comparison = &journal["comparisons"][0];
    assert_eq!((&comparison["correct"], &comparison["trials"]), (&6.into(), &6.into()));
    assert!(comparison["verdict"].as_str().is_some_and(|text| text.starts_with("This is no listening test")));
    close(number(&comparison["analysis"]["p_value"]), 1.0 / 64.0, 1e-13);
    let sittings = folder.path().join("sittings");
    let file = std::fs::read_dir(&sittings)
        .expect("sittings")
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .find(|path| path.to_string_lossy().ends_with("Nora.jsonl"))
        .expect("the journal");
    // A copy is no further evidence.
    let copy = folder.path().join("copy.jsonl");
    std::fs::copy(&file, &copy).expect("a copy");
    let ran = earwitness(folder.path(), &["score", ".", "copy.jsonl"]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(ran.err.contains("1 of 2 journals"), "{}", ran.err);
    // A changed journal is left out, and the answer is no.
    let text = std::fs::read_to_string(&file).expect("the journal");
    std::fs::write(
        &file,
        text.replacen("\"answer\":\"a\"", "\"answer\":\"b\"", 1).replacen("Nora", "Nova", 1),
    )
    .expect("writing");
    let ran = earwitness(folder.path(), &["score", "."]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(
        ran.out.contains("does not verify") && ran.err.contains("1 of 1 journals"),
        "{} {}",
        ran.out,
        ran.err
    );
}

/// Holds a simulated sitting of a session with two comparisons of the usual names.
fn two_comparisons(folder: &Path, more: &str, listener: &str, right: &str) {
    session(folder, SYNTH, PAIR, RESISTOR);
    let file = folder.join("session.toml");
    let text = std::fs::read_to_string(&file).expect("the session");
    let second = "[[comparisons]]\nname = \"none-one\"\na = \"none\"\nb = \"one\"\n";
    std::fs::write(&file, format!("{more}{text}{second}")).expect("writing");
    let line = ["run", ".", "--listener", listener, "--output", "silent", "--simulate", right];
    let ran = earwitness(folder, &line);
    assert_eq!(ran.code, 0, "{}", ran.err);
}

#[test]
fn sessions_are_kept_apart_and_their_family_rule_is_obeyed() {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, more) in [("one", ""), ("two", "family = \"none\"\n")] {
        std::fs::create_dir(folder.path().join(name)).expect("a folder");
        two_comparisons(&folder.path().join(name), more, "Nora", "1");
    }
    let ran = earwitness(folder.path(), &["score", "one", "two", "--json"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert!(ran.err.contains("2 sessions") && ran.err.contains("stay separate"), "{}", ran.err);
    let found: Value = serde_json::from_str(&ran.out).expect("JSON");
    let comparisons = found["comparisons"].as_array().expect("comparisons");
    assert_eq!(comparisons.len(), 4, "two comparisons of the same names in each of two sessions");
    assert_eq!(comparisons[0]["comparison"], comparisons[2]["comparison"]);
    assert_ne!(comparisons[0]["session"], comparisons[2]["session"]);
    assert_eq!(comparisons[0]["session"], found["journals"][0]["session"]);
    // All six right in both: 1/64, twice that by Holm; not adjusted where the session says so.
    assert_eq!((&comparisons[0]["family"], &comparisons[2]["family"]), (&"holm".into(), &"none".into()));
    close(number(&comparisons[0]["family_p_value"]), 2.0 / 64.0, 1e-12);
    assert_eq!(comparisons[2]["family_p_value"], Value::Null);
    for comparison in comparisons {
        assert_eq!(comparison["pooled"]["trials"], 6);
    }
    let words = earwitness(folder.path(), &["score", "one", "two"]).out;
    assert!(words.matches("Session ").count() == 2 && words.contains("is judged by itself"), "{words}");
    refused(folder.path(), &["score", "one", "--family", "none"], &["journals", "agreed"]);
}

#[test]
fn a_sequential_session_is_judged_by_its_rule() {
    let folder = tempfile::tempdir().expect("a folder");
    let rule = "stopping = { kind = \"sequential\", alpha = 0.1, beta = 0.1, proportion = 0.95 }\n";
    two_comparisons(folder.path(), rule, "Nora", "1");
    let line = ["run", ".", "--listener", "Otto", "--output", "silent", "--simulate", "0"];
    assert_eq!(earwitness(folder.path(), &line).code, 0);
    let found = json(folder.path(), "score .");
    let sequential = &found["comparisons"][0]["sequential"];
    assert_eq!((&sequential["found"], &sequential["sittings"]), (&1.into(), &2.into()));
    let alone = number(&sequential["guesser"]["difference"]);
    close(number(&sequential["p_value"]), 1.0 - (1.0 - alone).powi(2), 1e-12);
    close(number(&found["comparisons"][0]["family_p_value"]), 2.0 * number(&sequential["p_value"]), 1e-12);
    let words = earwitness(folder.path(), &["score", "."]).out;
    assert!(
        words.contains("The sequential rule decides: it found a difference in 1 of 2 sittings"),
        "{words}"
    );
}

#[test]
fn the_lean_of_answers_is_described_in_every_protocol() {
    for (protocol, more, alternatives, bias) in [
        ("abx", "", 2, true),
        ("duo-trio", "", 2, true),
        ("triangle", "", 3, false),
        ("tetrad", "", 3, false),
        ("two-afc", "attribute = \"brighter\"\nattribute_side = \"a\"\n", 2, true),
        ("preference", "", 2, false),
    ] {
        let folder = tempfile::tempdir().expect("a folder");
        session(folder.path(), SYNTH, PAIR, RESISTOR);
        let file = folder.path().join("session.toml");
        let text = std::fs::read_to_string(&file).expect("the session");
        let text = text.replace("protocol = \"abx\"", &format!("protocol = \"{protocol}\""));
        std::fs::write(&file, format!("{more}{text}")).expect("writing");
        let line = ["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "0.6"];
        let ran = earwitness(folder.path(), &line);
        assert_eq!(ran.code, 0, "{protocol}: {}", ran.err);
        let found = json(folder.path(), "score .");
        let described = &found["journals"][0]["comparisons"][0]["description"];
        let counts = |key: &str| -> Vec<u64> {
            described["lean"][key]
                .as_array()
                .expect(key)
                .iter()
                .map(|v| v.as_u64().expect("a count"))
                .collect()
        };
        assert_eq!(described["alternatives"].as_array().expect("names").len(), alternatives, "{protocol}");
        assert_eq!(
            (counts("given").len(), counts("given").iter().sum::<u64>()),
            (alternatives, 6),
            "{protocol}"
        );
        if protocol == "preference" {
            assert!(counts("right").is_empty());
        } else {
            let correct = found["journals"][0]["comparisons"][0]["correct"].as_u64();
            assert_eq!(counts("right").iter().sum::<u64>(), 6, "{protocol}");
            assert_eq!(Some(counts("found").iter().sum::<u64>()), correct, "{protocol}");
        }
        assert!(bias || described["bias"].is_null(), "{protocol}");
        let words = earwitness(folder.path(), &["score", "."]).out;
        let said = words.lines().find_map(|line| line.strip_prefix("  answers  "));
        let said = said.unwrap_or_else(|| panic!("{protocol}: {words}")).trim().to_owned();
        // The report says it in the same words.
        earwitness(folder.path(), &["report", "."]);
        let page = std::fs::read_to_string(folder.path().join("report/report.html")).expect("the report");
        let page = page.replace('\u{a0}', " ");
        assert!(page.contains(&format!("answers by alternative: {said}")), "{protocol}: {said}");
    }
}

#[test]
fn names_that_are_nearly_right_are_suggested() {
    let folder = tempfile::tempdir().expect("a folder");
    refused(
        folder.path(),
        &["score", "--protocol", "triangel", "--correct", "1", "--trials", "2"],
        &["\"triangel\"", "did you mean `triangle`?"],
    );
    refused(folder.path(), &["plan", "--proportion", "0.7", "--protocol", "duotrio"], &["`duo-trio`"]);
    let counts = "listener,comparison,protocol,correct,trials\nNora,c,tetrd,1,4\n";
    std::fs::write(folder.path().join("counts.csv"), counts).expect("writing");
    refused(folder.path(), &["score", "counts.csv"], &["line 2", "did you mean `tetrad`?"]);
    for (line, words) in [
        ("score --protocol abx --correct -3 --trials 4", "\"-3\" must be a whole number, 0 or more"),
        ("score --protocol abx --correct three --trials 4", "\"three\" must be a whole number"),
        ("score --protocol abx --correct 3 --trials 4.5", "\"4.5\" must be a whole number"),
        ("plan --proportion 0.7 --trials 1,000", "\"1,000\" must be a whole number, 0 or more; write 1000"),
        ("score --protocol abx --correct 1'200'000 --trials 4", "; write 1200000"),
        ("night . --simulate 0.5 --simulate-guests 1,000", "; write 1000"),
        ("score --protocol abx --correct 3 --trials 0", "no trials"),
        ("score --protocol abx --correct 3 --trials 4 --alpha 0", "--alpha is 0"),
        ("score --protocol abx --correct 3 --trials 4 --alpha 1", "--alpha is 1"),
        ("score --protocol abx --correct 3 --trials 4 --alpha -0.1", "--alpha is -0.1"),
        ("score --protocol abx --correct 3 --trials 4 --alpha NaN", "--alpha is NaN"),
        ("score --protocol abx --correct 3 --trials 4 --level 1", "--level is 1"),
        ("score --protocol abx --correct 3 --trials 4 --similarity 1", "--similarity is 1"),
        ("score --protocol preference --correct 3 --trials 4 --similarity 0.2", "cancel"),
        ("score --protocol abx --correct 3 --trials 4 --similarity 0.2 --beta 0", "--beta is 0"),
        ("score --protocol triangle --correct 3 --trials 4 --model differencing", "the model of triangle"),
        ("score --protocol abx --correct 3 --trials 20000000", "too many"),
        ("score absent.csv", "absent.csv"),
        ("score absent.jsonl", "absent.jsonl"),
        ("score counts.csv --family hom", "did you mean `holm`?"),
        ("plan --proportion 0.7 --sequential --plot x.svg", "--sequential"),
        ("plan --proportion 0.7 --trials -4", "\"-4\" must be a whole number"),
    ] {
        refused(folder.path(), &line.split_whitespace().collect::<Vec<_>>(), &[words]);
    }
}

#[test]
fn counts_carry_similarity_and_the_family_that_was_asked_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let text = "listener,comparison,protocol,correct,trials\nNora,c,triangle,13,38\nOtto,c,triangle,13,37\nNora,d,triangle,5,12\n";
    std::fs::write(folder.path().join("counts.csv"), text).expect("writing");
    let found = json(folder.path(), "score counts.csv --similarity 0.2");
    close(number(&found["comparisons"][0]["similarity"]["p_value"]), 0.0237701, 2e-6);
    assert_eq!(found["comparisons"][0]["family"], "holm");
    let alone = json(folder.path(), "score counts.csv --family none");
    assert_eq!(alone["comparisons"][0]["family_p_value"], Value::Null);
    let words = earwitness(folder.path(), &["score", "counts.csv", "--similarity", "0.2"]).out;
    assert!(words.contains("is supported at a risk of 5 %") && words.contains("Holm over 2"), "{words}");
}

#[test]
fn p_values_below_the_smallest_double_have_their_logarithm() {
    let folder = tempfile::tempdir().expect("a folder");
    let line = "score --protocol triangle --correct 100000 --trials 100000";
    let found = json(folder.path(), line);
    close(number(&found["log10_p_value"]), -100_000.0 * 3.0_f64.log10(), 1e-12);
    let words = earwitness(folder.path(), &line.split_whitespace().collect::<Vec<_>>()).out;
    assert!(words.contains("about 1e-47713"), "{words}");
    let ordinary = json(folder.path(), "score --protocol abx --correct 12 --trials 16");
    close(number(&ordinary["log10_p_value"]), (2517.0_f64 / 65536.0).log10(), 1e-12);
}

#[test]
fn a_panel_is_planned_in_tables_and_pictures() {
    let folder = tempfile::tempdir().expect("a folder");
    let line = "plan --discriminators 0.25 --listeners 8 --overdispersion 0.2 --simulations 2000 --seed 7";
    let found = json(folder.path(), &format!("{line} --trials 12 --table 10..14 --plot panel.svg"));
    let rows = found["table"].as_array().expect("rows");
    assert_eq!(rows.len(), 5);
    assert_eq!((&rows[2]["trials_each"], &rows[2]["trials_all"]), (&12.into(), &96.into()));
    close(number(&rows[2]["power"]), number(&found["panel"]["pooled_exact"]), 1e-12);
    assert!(number(&rows[2]["power"]) < number(&rows[2]["power_if_alike"]));
    assert_eq!(
        (&found["panel"]["seed"], &found["panel"]["pooled"]["simulations"]),
        (&7.into(), &2000.into())
    );
    let svg = std::fs::read_to_string(folder.path().join("panel.svg")).expect("a picture");
    assert!(svg.contains("trials of each listener") && svg.contains("if all were alike"), "{svg}");
    // The same seed gives the same simulation, and the other name of the option is the same option.
    let again = json(folder.path(), &line.replace("--overdispersion", "--trials 12 --gamma"));
    assert_eq!(again["panel"], found["panel"]);
}
