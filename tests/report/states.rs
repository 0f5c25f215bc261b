//! Whatever a folder holds, the report says so.

use earwitness::clip::dither::WordLength;
use earwitness::evidence::{Basis, State};
use earwitness::report::{page, summary};
use earwitness::session::parse;
use earwitness::stimulus::WordFacts;
use earwitness::stimulus::device_words::Faintest;
use earwitness::verdict::Finding;
use earwitness::verdict::caveat::{Caveat, Weight};

use super::material::{Plan, SESSION, Site, many_comparisons};
use super::{everything, kinds, report_of};
use crate::commands::earwitness;

#[test]
fn a_folder_without_sittings() {
    let site = Site::new(SESSION);
    let report = report_of(&site);
    assert_eq!(kinds(&report)[0], "no-sittings");
    assert_eq!(report.comparisons[0].verdict.finding, Finding::NoTrials);
    assert!(page::page(&report).contains("No complete, valid sitting: there is no verdict."));
    assert!(page::certificates(&report).contains("nothing to certify"));
    std::fs::remove_dir_all(site.path().join("sittings")).expect("removed");
    assert_eq!(kinds(&report_of(&site))[0], "no-sittings", "and without the folder itself");
}

#[test]
fn only_simulated_sittings_say_so_in_the_verdict() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan { simulated: Some(0.95), ..Plan::new("Ada", 1, 0.95) });
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    assert_eq!(comparison.basis, Basis::Simulated);
    assert_eq!(comparison.verdict.finding, Finding::NoListeningTest);
    assert!(comparison.verdict.headline.contains("simulated"), "{}", comparison.verdict.headline);
    assert!(report.sittings[0].counted && comparison.trials == 12);
    let page = page::page(&report);
    let why = "This is no listening test: the answers were simulated, nobody listened.";
    assert!(comparison.verdict.headline.starts_with(why), "{}", comparison.verdict.headline);
    assert!(page.contains(why) && page::certificates(&report).contains(why));
    assert!(summary(&report).iter().any(|line| line == why));
}

#[test]
fn only_silent_sittings_say_so_in_the_verdict() {
    for output in [earwitness::trial::OutputKind::Silent, earwitness::trial::OutputKind::File] {
        let mut site = Site::new(SESSION);
        site.hold(&Plan { output, ..Plan::new("Ada", 1, 0.95) });
        let report = report_of(&site);
        assert_eq!(report.comparisons[0].basis, Basis::Silent, "{output:?}");
        assert_eq!(report.comparisons[0].verdict.finding, Finding::NoListeningTest);
        assert!(report.comparisons[0].verdict.headline.contains("nothing was played"));
        assert!(kinds(&report).contains(&"silent"));
    }
}

#[test]
fn people_who_listened_are_not_mixed_with_simulated_or_silent_ones() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    site.hold(&Plan { simulated: Some(1.0), ..Plan::new("Robot", 2, 1.0) });
    site.hold(&Plan { output: earwitness::trial::OutputKind::Silent, ..Plan::new("Deaf", 3, 1.0) });
    let report = report_of(&site);
    let comparison = &report.comparisons[0];
    assert_eq!((comparison.basis, comparison.trials, comparison.listeners), (Basis::Listening, 12, 1));
    assert_eq!(report.sittings.iter().filter(|sitting| sitting.counted).count(), 1);
    let kinds = kinds(&report);
    assert!(kinds.contains(&"simulated") && kinds.contains(&"silent"), "{kinds:?}");
}

#[test]
fn unfinished_and_stopped_sittings_stay_visible_and_do_not_count() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    site.hold(&Plan { stop: Some((7, false)), ..Plan::new("Bel", 2, 1.0) });
    site.hold(&Plan { stop: Some((9, true)), ..Plan::new("Cas", 3, 1.0) });
    let report = report_of(&site);
    let states: Vec<State> = report.sittings.iter().map(|sitting| sitting.state).collect();
    assert_eq!(states, [State::Complete, State::Unfinished, State::StoppedEarly]);
    assert_eq!(report.comparisons[0].trials, 12);
    assert_eq!((report.register.announced, report.register.unfinished), (3, 1));
    assert_eq!(report.sittings[1].secret, None, "the seal of an unfinished sitting stays closed");
    assert_eq!(report.sittings[1].correct, None);
    let page = page::page(&report);
    assert!(page.contains("abandoned or still open") && page.contains("stopped early"));
    assert!(page.contains("1 sitting was opened and never finished"));
}

#[test]
fn a_journal_that_was_tampered_with_is_shown_as_invalid() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    let path = site.hold(&Plan::new("Bel", 2, 1.0));
    let text = std::fs::read_to_string(&path).expect("the journal");
    let changed = text.replacen("\"answer\":\"a\"", "\"answer\":\"b\"", 1);
    assert_ne!(changed, text);
    std::fs::write(&path, changed).expect("changed");
    let report = report_of(&site);
    let bel = report.sittings.iter().find(|sitting| sitting.name == "Bel").expect("Bel is listed");
    assert_eq!((bel.state, bel.counted), (State::Invalid, false));
    assert!(!bel.problems.is_empty());
    assert_eq!(report.comparisons[0].listeners, 1);
    assert!(kinds(&report).contains(&"invalid-journals"));
    assert_eq!(report.register.unfinished, 0, "the register saw it closed");
    assert!(page::page(&report).contains("invalid"));
    assert!(!super::csv_of(&report).contains("Bel"), "no number of an invalid journal is handed on");
}

#[test]
fn files_that_are_no_journals_and_missing_ones_are_named() {
    let mut site = Site::new(SESSION);
    let path = site.hold(&Plan::new("Ada", 1, 0.5));
    site.hold(&Plan::new("Bel", 2, 0.5));
    std::fs::write(site.path().join("sittings/20260301T000000Z-notes.jsonl"), "shopping list\n")
        .expect("written");
    std::fs::remove_file(path).expect("removed");
    let report = report_of(&site);
    assert_eq!(report.unusable.len(), 1);
    assert_eq!(report.unusable[0].file, "20260301T000000Z-notes.jsonl");
    assert_eq!(report.register.missing, ["a sitting opened 2026-02-01 19:30:00"]);
    let kinds = kinds(&report);
    assert!(kinds.contains(&"journals-missing") && kinds.contains(&"invalid-journals"), "{kinds:?}");
}

#[test]
fn journals_of_another_session_are_left_out_by_name() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    let mut other = Site::new(&SESSION.replace("Two invented cables", "Another one"));
    let path = other.hold(&Plan::new("Gus", 9, 1.0));
    std::fs::copy(&path, site.path().join("sittings").join(path.file_name().expect("a name")))
        .expect("copied");
    let report = report_of(&site);
    let foreign = report.sittings.iter().find(|sitting| sitting.name == "Gus").expect("listed");
    assert_eq!((foreign.state, foreign.counted), (State::Foreign, false));
    assert_eq!(report.register.unregistered, 1);
    let kinds = kinds(&report);
    assert!(kinds.contains(&"foreign-journals") && kinds.contains(&"unregistered"), "{kinds:?}");
}

/// What stands in the folder now is drawn, and nothing that was heard is told of it.
#[test]
fn a_session_file_that_was_changed_after_its_sittings_is_named_first() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 1.0));
    let changed = SESSION.replace("resistance = \"6 ohm\"", "resistance = \"4 ohm\"");
    site.session = parse(&site.session.file, &changed).expect("a session");
    let report = report_of(&site);
    assert_eq!((report.comparisons[0].trials, report.comparisons[0].correct), (0, 0));
    let caveat = report.caveats.iter().find(|one| one.kind.name() == "foreign-journals").expect("said");
    assert_eq!(caveat.weight, Weight::Serious, "nothing else counts");
    let lines = summary(&report).join("\n");
    assert!(lines.contains("0 of 1 sitting counts, 1 of another session file;"), "{lines}");
    assert!(lines.contains("! The session file is not the one that 1 journal was made with"), "{lines}");
    assert!(page::page(&report).contains("put back the text that it had then"));
}

#[test]
fn a_register_that_cannot_be_trusted_is_said() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.5));
    let register = site.path().join("sittings/register.jsonl");
    let text = std::fs::read_to_string(&register).expect("the register");
    std::fs::write(&register, text.replacen("Ada", "Eve", 1)).expect("changed");
    let report = report_of(&site);
    assert!(report.register.problem.is_some());
    assert!(kinds(&report).contains(&"register-broken"));
    assert!(!everything(&report).contains(&site.path().display().to_string()));
}

#[test]
fn missed_controls_and_leaks_are_caveats() {
    let mut site =
        Site::new(&SESSION.replace("amount = \"2 dB\"\ntrials = 2", "amount = \"2 dB\"\ntrials = 10"));
    // Nobody hears the control: its answers are guesses.
    site.hold(&Plan { deaf: true, ..Plan::new("Ada", 5, 0.5) });
    let report = report_of(&site);
    let level = report.controls.iter().find(|control| control.positive).expect("the level control");
    assert_eq!(level.trials, 10);
    assert!(level.correct <= 7, "{}", level.correct);
    assert!(kinds(&report).contains(&"controls-missed"), "{:?}", kinds(&report));
    assert_eq!(report.comparisons[0].verdict.finding, Finding::ControlsMissed);
}

#[test]
fn a_summary_has_at_most_ten_lines_and_no_control_characters() {
    let mut site = Site::new(&super::material::many_comparisons(14));
    site.hold(&Plan::new("\u{1b}[2J", 1, 0.5));
    site.hold(&Plan { stop: Some((3, false)), ..Plan::new("Bel", 2, 1.0) });
    let lines = summary(&report_of(&site));
    assert!(lines.len() <= 10, "{lines:#?}");
    assert!(lines.iter().all(|line| !line.chars().any(char::is_control)));
}

#[test]
fn late_ballots_on_paper_count_as_the_whole_journal_says() {
    let mut site = Site::new(SESSION);
    let seats = (0..10).map(|seat| (format!("Seat {seat}"), 0.7)).collect();
    let journal = site.hold(&Plan { seats, late_every: 2, ..Plan::new("Host", 21, 0.5) });
    let lines: Vec<serde_json::Value> = std::fs::read_to_string(&journal)
        .expect("the journal")
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON")["record"].take())
        .collect();
    let mut late = 0;
    let mut closed = false;
    for line in &lines {
        match line["kind"].as_str() {
            Some("votes-closed") => closed = true,
            Some("vote")
                if closed && line["by"] == "paper" && line["id"]["trial"].as_u64().unwrap_or(1) % 2 == 0 =>
            {
                late += 1;
            }
            _ => {}
        }
    }
    assert!(late > 5, "the journal holds ballots entered late: {late}");
    let report = report_of(&site);
    assert_eq!(report.sittings[0].state, State::Complete, "{:?}", report.sittings[0].problems);
    let closing = lines.last().expect("a closing");
    let of = |key: &str| closing["counts"]["comparisons"][0][key].as_u64().expect("a count");
    assert_eq!((report.comparisons[0].correct, report.comparisons[0].trials), (of("correct"), of("trials")));
    // Each vote's row names the line that holds the vote, also of a late one.
    let mut found = 0;
    for trial in report.trials.iter().filter(|trial| trial.answer.is_some()) {
        let line = &lines[trial.record as usize - 1];
        assert_eq!(line["kind"], "vote", "{line}");
        assert_eq!(line["id"]["trial"].as_u64(), Some(u64::from(trial.trial)));
        let listener = &report.listeners[trial.listener.expect("a seat") as usize];
        assert_eq!(line["seat"].as_u64(), listener.seat.map(u64::from));
        found += 1;
    }
    assert_eq!(found, lines.iter().filter(|line| line["kind"] == "vote").count());
}

#[test]
fn who_prepared_the_session_and_listened_is_named() {
    let text = SESSION.replace("alpha = 0.05", "alpha = 0.05\nprepared_by = [\"Zoé\", \"Ben\"]");
    let mut site = Site::new(&text);
    site.hold(&Plan::new("zoe", 1, 0.6));
    site.hold(&Plan { alias: Some("Night Owl".to_owned()), ..Plan::new("BEN", 2, 0.6) });
    site.hold(&Plan::new("Benjamin", 3, 0.6));
    let report = report_of(&site);
    let prepared: Vec<(&str, Option<bool>)> =
        report.listeners.iter().map(|listener| (listener.name.as_str(), listener.prepared_session)).collect();
    assert_eq!(prepared, [("zoe", Some(true)), ("Night Owl", Some(true)), ("Benjamin", Some(false))]);
    assert_eq!(kinds(&report).iter().filter(|kind| **kind == "prepared-session").count(), 2);
    let html = page::page(&report);
    assert!(html.contains("zoe prepared this session and listened too.") && html.contains("Zoé, Ben"));
    // Without names the caveat stays and the names go.
    let anonymous = super::report_with(&site, earwitness::evidence::Options { anonymous: true });
    let all = everything(&anonymous);
    assert!(
        all.contains("2 listeners prepared this session") && !all.contains("Zoé") && !all.contains("Ben")
    );
    // Nobody named: nothing is said.
    let mut silent = Site::new(SESSION);
    silent.hold(&Plan::new("zoe", 1, 0.6));
    let report = report_of(&silent);
    assert!(report.listeners[0].prepared_session.is_none() && !kinds(&report).contains(&"prepared-session"));
}

#[test]
fn what_happened_beside_the_answers_is_listed_with_its_line() {
    let mut site = Site::new(SESSION);
    let event = "Invented device of /home/somebody was slow".to_owned();
    let journal = site.hold(&Plan { event: Some(event), void_every: 4, ..Plan::new("Ada", 1, 0.6) });
    let text = std::fs::read_to_string(journal).expect("the journal");
    let lines: Vec<&str> = text.lines().collect();
    let report = report_of(&site);
    let events = &report.sittings[0].events;
    assert_eq!(events.iter().filter(|event| event.void).count() as u64, report.sittings[0].void);
    assert!(events.iter().any(|event| !event.void));
    for event in events {
        let line = lines[event.journal_line as usize - 1];
        if event.void {
            assert!(line.contains("\"kind\":\"void\"") || event.what.words().contains("was slow"), "{line}");
        } else {
            assert!(line.contains("was slow"), "{line}");
        }
    }
    let html = page::page(&report);
    assert!(html.contains("Interruptions") && html.contains("the device was slow"));
    assert!(!super::without_journals(&everything(&report)).contains("/home/somebody"));
}

#[test]
fn stimuli_are_listed_by_digest_and_a_change_is_noticed() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.6));
    site.hold(&Plan::new("Bel", 2, 0.6));
    let report = report_of(&site);
    assert_eq!(report.stimuli.len(), 1);
    assert_eq!(report.stimuli[0].sittings, [0, 1]);
    assert_eq!(report.stimuli[0].pairs.len(), 3);
    let html = page::page(&report);
    for pair in &report.stimuli[0].pairs {
        assert!(html.contains(&pair.a_sha256) && html.contains(&pair.b_sha256));
    }
    assert!(!kinds(&report).contains(&"stimuli-differ"));
    site.stimuli = 1;
    site.hold(&Plan::new("Cas", 3, 0.6));
    let report = report_of(&site);
    assert_eq!((report.stimuli.len(), report.stimuli[1].sittings.as_slice()), (2, [2].as_slice()));
    assert!(kinds(&report).contains(&"stimuli-differ"));
}

#[test]
fn the_summary_has_at_most_ten_lines_whatever_there_is() {
    let mut sites = vec![Site::new(SESSION)];
    let mut one = Site::new(SESSION);
    one.hold(&Plan::new("Ada", 1, 0.6));
    sites.push(one);
    let mut simulated = Site::new(&many_comparisons(3));
    simulated.hold(&Plan { simulated: Some(0.7), ..Plan::new("Ada", 1, 0.7) });
    sites.push(simulated);
    let mut many = Site::new(&many_comparisons(14));
    many.hold(&Plan { stop: Some((3, true)), ..Plan::new("Ada", 1, 0.6) });
    many.hold(&Plan { stop: Some((3, false)), ..Plan::new("Bel", 2, 0.6) });
    many.hold(&Plan { deaf: true, ..Plan::new("Cas", 3, 0.6) });
    sites.push(many);
    for site in &sites {
        let lines = summary(&report_of(site));
        assert!((7..=10).contains(&lines.len()), "{lines:#?}");
        assert!(
            (1..lines.len()).all(|at| !lines[..at].contains(&lines[at])),
            "nothing is said twice: {lines:#?}"
        );
        assert!(lines.iter().all(|line| !line.is_empty() && !line.contains('\n')), "{lines:#?}");
        assert!(lines.last().expect("lines").starts_with("Check it: `earwitness verify .`"));
    }
}

#[test]
fn simulated_and_silent_verdicts_carry_their_limits() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan { simulated: Some(1.0), ..Plan::new("Ada", 1, 1.0) });
    let verdict = &report_of(&site).comparisons[0].verdict;
    assert_eq!(verdict.finding, Finding::NoListeningTest);
    assert!(verdict.limits[0].contains("Nothing about anybody's hearing"), "{:?}", verdict.limits);
    assert!(verdict.limits.iter().any(|limit| limit.starts_with("What the test could show")));
}

/// Every link to a formula leads to one, and every formula has a reference.
#[test]
fn numbers_lead_to_their_formulas() {
    let mut site = Site::new(&many_comparisons(2));
    site.hold(&Plan::new("Ada", 1, 0.9));
    site.hold(&Plan::new("Bel", 2, 0.5));
    let html = page::page(&report_of(&site));
    let links: Vec<&str> =
        html.split("popovertarget=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    assert!(links.len() > 20, "{links:?}");
    for link in &links {
        let told =
            html.split(&format!("id=\"{link}\"")).nth(1).expect("a box").split("</p>").next().expect("words");
        assert!(told.split_whitespace().count() > 6 && told.ends_with('.'), "{link}: {told}");
    }
    let formulas: Vec<&str> =
        html.split("href=\"#from-").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    for formula in &formulas {
        assert!(html.contains(&format!("<div id=\"from-{formula}\"")), "{formula}");
    }
    let rows: Vec<&str> = html.split("<div id=\"from-").skip(1).collect();
    assert!(rows.len() >= 20);
    for row in rows {
        let row = row.split("</div>").next().expect("a row");
        assert_eq!((row.matches("<dt>").count(), row.matches("<dd>").count()), (1, 1), "{row}");
        assert!(!row.contains("<dd></dd>") && !row.contains("()") && !row.contains("<dd> ("), "{row}");
    }
}

#[test]
fn two_thousand_sittings_are_reported_verified_and_scored() {
    // Short ones: a test is about their number, the bench about time and memory.
    let mut site = Site::new(&SESSION.replace("trials = 12", "trials = 2").replace("warm_up = 1\n", ""));
    for number in 0..2000 {
        site.hold(&Plan::new(&format!("Listener {number:04}"), number, 0.6));
    }
    let ran = earwitness(site.path(), &["report", "."]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert!(ran.out.contains("2000 of 2000 sittings count; 2000 listeners"), "{}", ran.out);
    let page = std::fs::read_to_string(site.path().join("report/report.html")).expect("the report");
    assert!(page.contains("Listener 0000") && page.contains("Listener 1999"));
    let ran = earwitness(site.path(), &["verify", "."]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(ran.out.matches(": checked from the opened seal\n").count(), 2000);
    assert!(ran.out.contains("2000 sittings announced, 2000 of them closed"));
    let ran = earwitness(site.path(), &["score", "."]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert!(ran.out.contains("2000 of 2000 sittings; 2000 are complete and verify"));
}

/// What a journal notes of a device's words.
fn noted(level_db: f64, margin_db: f64) -> WordFacts {
    let faintest = Some(Faintest { comparison: 0, clip: 0, margin_db });
    WordFacts { word: WordLength::Bits16, noise_db: -93.3, level_db, faintest }
}

#[test]
fn words_that_could_hide_the_difference_are_a_caveat_and_their_numbers_are_in_the_report() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan { words: ("s16", Some(noted(-20.0, 31.4))), ..Plan::new("Ada", 1, 0.5) });
    let report = report_of(&site);
    assert!(!kinds(&report).contains(&"words-could-hide"), "31 dB are enough");
    let words = report.sittings[0].words.as_ref().expect("the journal says");
    assert_eq!((words.words, words.level_db, words.margin_db), (WordLength::Bits16, -20.0, Some(31.4)));
    assert_eq!((words.comparison.as_deref(), words.could_hide), (Some("thin-thick"), false));
    assert!(page::page(&report).contains("What the sound devices resolved"));

    site.hold(&Plan { words: ("s16", Some(noted(-36.0, 4.2))), ..Plan::new("Bel", 2, 0.5) });
    site.hold(&Plan { words: ("s16", Some(noted(-30.0, -2.6))), ..Plan::new("Cas", 3, 0.5) });
    // Nobody asked what an unfinished sitting could hear.
    let open = Plan { stop: Some((5, false)), ..Plan::new("Dot", 4, 0.5) };
    site.hold(&Plan { words: ("s16", Some(noted(-60.0, -30.0))), ..open });
    let report = report_of(&site);
    let caveats: Vec<&Caveat> =
        report.caveats.iter().filter(|caveat| caveat.kind.name() == "words-could-hide").collect();
    let [caveat] = caveats.as_slice() else { panic!("{caveats:?}") };
    let text = &caveat.text;
    for said in [
        "thin-thick",
        "in 2 sittings",
        "bit depth (16-bit)",
        "plucked",
        "\u{2212}3 dB out of the noise",
        "10 dB are wanted",
    ] {
        assert!(text.contains(said), "\"{said}\" is missing in: {text}");
    }
    assert!(caveat.remedy.contains("24 or 32 bits"), "{}", caveat.remedy);
    let all = everything(&report);
    assert!(all.contains(text) && all.contains("-2.6, could hide it"));
    let document: serde_json::Value = serde_json::from_str(&super::json_of(&report)).expect("JSON");
    assert_eq!(document["sittings"][2]["words"]["margin_db"], -2.6);
    assert_eq!(document["sittings"][2]["words"]["could_hide"], true);
    assert!(document["sittings"].as_array().is_some_and(|all| all.len() == 4));
}

#[test]
fn a_device_that_resolves_everything_or_has_nothing_to_resolve_is_no_caveat() {
    let float = WordFacts { word: WordLength::Float32, noise_db: -152.3, level_db: -36.0, faintest: None };
    let mut site = Site::new(SESSION);
    site.hold(&Plan { words: ("f32", Some(float)), ..Plan::new("Ada", 1, 0.5) });
    site.hold(&Plan { words: ("s16", None), ..Plan::new("Bel", 2, 0.5) });
    let report = report_of(&site);
    assert!(!kinds(&report).contains(&"words-could-hide"));
    let words = report.sittings[0].words.as_ref().expect("the journal says");
    assert_eq!((words.margin_db, words.could_hide), (None, false));
    assert!(page::page(&report).contains("none: the sides are identical"));
    assert_eq!(report.sittings[1].words, None, "nothing is made up where the journal is silent");
}

#[test]
fn only_the_sitting_that_was_agreed_on_decides_a_wager() {
    let wager = "[wager]\nclaimant = \"Ida\"\nskeptic = \"Jorin\"\nclaim = \"I hear it\"\n\
                 claimant_wins = \"Jorin cooks\"\nskeptic_wins = \"Ida cooks\"\n";
    let with = |more: &str| SESSION.replace("[amplifier]", &format!("{wager}{more}\n[amplifier]"));
    let said = |site: &Site| -> Vec<Option<String>> {
        report_of(site).sittings.iter().map(|sitting| sitting.wager.clone()).collect()
    };
    // Another listener scores 12 of 12, the claimant loses, and a second try of the claimant's, whose opening tells of no
    // earlier one, is as good as anybody could wish.
    let mut site = Site::new(&with(""));
    site.hold(&Plan::new("Kim", 1, 1.0));
    site.hold(&Plan { simulated: Some(1.0), ..Plan::new("Ida", 2, 1.0) });
    site.hold(&Plan { output: earwitness::trial::OutputKind::Silent, ..Plan::new("Ida", 3, 1.0) });
    site.hold(&Plan::new("ida ", 4, 0.3));
    site.hold(&Plan::new("Ida", 5, 1.0));
    assert_eq!(
        said(&site),
        [
            None,
            None,
            None,
            Some("Jorin wins: Ida cooks".to_owned()),
            Some(
                "Nobody wins by this sitting: this is sitting 2 of Ida, and only the first decides"
                    .to_owned()
            ),
        ]
    );
    let page = page::page(&report_of(&site));
    assert!(!page.contains("Ida wins") && page.contains("Jorin wins"));
    // Stopped first: nobody wins by it, nor by what follows.
    let mut site = Site::new(&with(""));
    site.hold(&Plan { stop: Some((5, true)), ..Plan::new("Ida", 6, 1.0) });
    site.hold(&Plan::new("Ida", 7, 1.0));
    assert!(said(&site).iter().flatten().all(|words| words.starts_with("Nobody wins by this sitting")));
    assert!(page::page(&report_of(&site)).contains("The wager is not decided"));
    // Two together, of which the second keeps silent about the first: it decides nothing.
    let mut site = Site::new(&with("deciding_sitting = \"all-together\"\nsittings = 2"));
    site.hold(&Plan::new("Ida", 8, 0.2));
    site.hold(&Plan::new("Ida", 9, 1.0));
    let words = said(&site);
    assert_eq!(words[0].as_deref(), Some("Not decided yet: this is sitting 1 of 2 that decide together"));
    assert!(words[1].as_deref().is_some_and(|words| !words.contains("Ida wins")), "{words:?}");
}

#[test]
fn a_failed_or_weak_qualification_is_told_with_its_numbers() {
    let asked =
        SESSION.replace("[[comparisons]]", "[qualification]\ntrials = 3\ncorrect = 3\n\n[[comparisons]]");
    let mut site = Site::new(&asked);
    // Deaf listeners guess in three controls; seeds are tried until one misses.
    let failed = (1..20)
        .map(|seed| site.hold(&Plan { deaf: true, ..Plan::new(&format!("Ada{seed}"), seed, 0.5) }))
        .count();
    assert_eq!(failed, 19);
    let report = report_of(&site);
    let caveat = report
        .caveats
        .iter()
        .find(|caveat| caveat.kind.name() == "not-qualified")
        .expect("somebody missed one");
    assert!(caveat.text.contains("of 3; the agreed 3 of 3 was not reached"), "{}", caveat.text);
    assert!(page::page(&report).contains("the agreed 3 of 3 was not reached"));
    assert!(
        report.caveats.iter().all(|caveat| caveat.kind.name() != "weak-qualification"),
        "one guesser in eight passes"
    );

    let mut site = Site::new(&asked.replace("correct = 3", "correct = 1"));
    site.hold(&Plan::new("Ada", 1, 0.9));
    let weak = report_of(&site).caveats.into_iter().find(|caveat| caveat.kind.name() == "weak-qualification");
    // P(at least 1 of 3 by guessing) = 7/8.
    assert!(weak.expect("told").text.contains("1 right of 3 in 88 % of tries"));
}

#[test]
fn who_hurries_is_told_so_whatever_the_score() {
    let mut site = Site::new(&SESSION.replace("abx", "triangle"));
    site.hold(&Plan { took_ms: Some(3600), ..Plan::new("Ada", 3, 0.5) });
    site.hold(&Plan { took_ms: Some(4600), ..Plan::new("Bel", 4, 0.5) });
    let report = report_of(&site);
    let hurried: Vec<&Caveat> =
        report.caveats.iter().filter(|caveat| caveat.kind.name() == "hurried").collect();
    assert_eq!(hurried.len(), 1, "4.5 s are one and a half of the agreed second each");
    assert!(hurried[0].text.starts_with("Ada hurried: 12 of 12 answers"), "{}", hurried[0].text);
    assert_eq!(hurried[0].weight, Weight::Serious);
}
