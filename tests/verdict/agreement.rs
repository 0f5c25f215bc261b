//! Phone page, room page, `score --json`, report JSON, CSV, certificate and HTML give the same numbers. The result screen
//! draws the same findings; `what_a_sitting_prints` holds its lines.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use earwitness::ballot::results::{self, NightResults};
use earwitness::ballot::reveal::Place;
use earwitness::ballot::view::Snapshot;
use earwitness::report::model::Report;
use earwitness::report::page;
use earwitness::trial::journal::{self, Journal};
use serde_json::Value;

use super::report_of;
use crate::commands;
use crate::report::csv_of;
use crate::report::json_of;
use crate::report::material::{Plan, SESSION, Site, many_comparisons};

fn panel() -> (Site, Vec<PathBuf>) {
    let mut site = Site::new(&many_comparisons(2));
    let plans = [
        Plan::new("Ada", 1, 0.95),
        Plan { void_every: 6, ..Plan::new("Bel", 2, 0.5) },
        Plan::new("Cas", 3, 0.6),
        Plan { stop: Some((5, true)), ..Plan::new("Dov", 4, 0.9) },
        Plan { stop: Some((5, false)), ..Plan::new("Eve", 5, 0.9) },
    ];
    let journals = plans.iter().map(|plan| site.hold(plan)).collect();
    (site, journals)
}

fn night(missing_wrong: bool) -> (Site, Vec<PathBuf>) {
    let session = if missing_wrong {
        many_comparisons(2).replace("alpha = 0.05\n", "alpha = 0.05\nmissing_votes = \"wrong\"\n")
    } else {
        many_comparisons(2)
    };
    let mut site = Site::new(&session.replace("confidence = true\n", ""));
    let seats = (0..6).map(|seat| (format!("Seat{seat}"), 0.5 + 0.1 * f64::from(seat))).collect();
    let path = site.hold(&Plan { seats, late_every: 3, ..Plan::new("Host", 12, 0.5) });
    (site, vec![path])
}

fn sequential() -> (Site, Vec<PathBuf>) {
    let rule = "[stopping]\nkind = \"sequential\"\nalpha = 0.05\nbeta = 0.1\nproportion = 0.8\n\n[amplifier]";
    let session = SESSION.replace("trials = 12\n", "trials = 40\n").replace("[amplifier]", rule);
    let mut site = Site::new(&session);
    let journals =
        [Plan::new("Ada", 1, 0.95), Plan::new("Bel", 2, 0.5)].iter().map(|p| site.hold(p)).collect();
    (site, journals)
}

/// One that nearly every caveat applies to.
fn doubtful() -> (Site, Vec<PathBuf>) {
    let mut site = Site::new(
        &SESSION
            .replace("amount = \"2 dB\"\ntrials = 2", "amount = \"2 dB\"\ntrials = 8")
            .replace("alpha = 0.05", "alpha = 0.05\ninvented = true\nprepared_by = [\"Ada\"]"),
    );
    let journals = [
        Plan {
            deaf: true,
            took_ms: Some(3300),
            only_last: true,
            hands: Vec::new(),
            ..Plan::new("Ada", 21, 1.0)
        },
        Plan { simulated: Some(0.9), ..Plan::new("Bel", 2, 0.9) },
        Plan { output: earwitness::trial::OutputKind::Silent, ..Plan::new("Cas", 3, 0.5) },
        Plan { stop: Some((5, true)), ..Plan::new("Dov", 4, 0.9) },
    ];
    let journals = journals.iter().map(|plan| site.hold(plan)).collect();
    (site, journals)
}

/// Right answers and counted trials of a listener on a comparison, from the table for people who compute.
fn of_table(csv: &str, comparison: &str, listener: &str) -> (u64, u64) {
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let heads = reader.headers().expect("a head").clone();
    let column = |name: &str| heads.iter().position(|head| head == name).expect("a column");
    let (counted, name, of, correct) =
        (column("counted"), column("listener"), column("comparison"), column("correct"));
    reader.records().map(|row| row.expect("a row")).fold((0, 0), |(right, all), row| {
        let counts = &row[counted] == "TRUE" && &row[of] == comparison && &row[name] == listener;
        (right + u64::from(counts && &row[correct] == "1"), all + u64::from(counts))
    })
}

fn score(site: &Site) -> Value {
    let ran = commands::earwitness(site.path(), &["score", "sittings", "--json"]);
    serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}: {} {}", ran.out, ran.err))
}

fn escaped(text: &str) -> String {
    let text = earwitness::units::printed::unbroken(text);
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// Everything that the surfaces say of every listener and comparison, held together.
fn agree(name: &str, site: &Site, journals: &[PathBuf]) -> Report {
    let report = report_of(site);
    let (csv, html, certificates) = (csv_of(&report), page::page(&report), page::certificates(&report));
    let document: Value = serde_json::from_str(&json_of(&report)).expect("JSON");
    let scores = score(site);
    let mut compared = 0;
    for (index, comparison) in report.comparisons.iter().enumerate() {
        let written = &document["comparisons"][index];
        assert!(
            html.contains(&escaped(&comparison.verdict.headline)),
            "{name}: {}",
            comparison.verdict.headline
        );
        assert_eq!(written["verdict"]["headline"], comparison.verdict.headline.as_str());
        assert_eq!(written["verdict"]["title"], comparison.verdict.title.as_str());
        assert!(html.contains(&format!(">{}<", escaped(&comparison.verdict.title))), "{name}: the title");
        let sum = comparison.results.iter().fold((0, 0), |(c, n), own| (c + own.correct, n + own.trials));
        assert_eq!(sum, (comparison.correct, comparison.trials), "{name}: the whole is its parts");
        for own in &comparison.results {
            let at = format!("{name}: {} on {}", own.name, comparison.name);
            let sequential = own.sequential.is_some();
            if !sequential {
                assert_eq!(
                    of_table(&csv, &comparison.name, &own.name),
                    (own.correct, own.trials),
                    "{at}: CSV"
                );
            }
            assert!(html.contains(&format!(">{}/{}<", own.correct, own.trials)), "{at}: page");
            assert!(
                certificates.contains(&format!("{} of {}", own.correct, own.trials)),
                "{at}: certificate"
            );
            assert!(certificates.contains(&escaped(&own.verdict.headline)), "{at}: {}", own.verdict.headline);
            compared += 1;
        }
    }
    assert!(compared > 0 || report.comparisons.iter().all(|comparison| comparison.trials == 0), "{name}");
    for path in journals {
        of_journal(name, &report, &scores, path);
    }
    report
}

/// What `score --json` and, of a night, every phone and the room say of one journal.
fn of_journal(name: &str, report: &Report, scores: &Value, path: &Path) {
    let file = path.file_name().expect("a name").to_string_lossy();
    let entry = scores["journals"].as_array().expect("journals").iter().find(|entry| entry["file"] == *file);
    let entry = entry.unwrap_or_else(|| panic!("{name}: {file} is scored"));
    let counted = report.sittings.iter().find(|sitting| sitting.journal.as_deref() == Some(&*file));
    let counted = counted.expect("in the report");
    if !counted.counted || !entry["left_out"].is_null() {
        return;
    }
    let phones = counted.night.then(|| {
        let read = journal::read(path).expect("a journal");
        let phones = results::compute(&read.records, &read.digests).expect("it is closed");
        of_the_server(name, report, &read, &phones);
        phones
    });
    for (index, comparison) in report.comparisons.iter().enumerate() {
        let said = &entry["comparisons"][index];
        for own in &comparison.results {
            if own.name != entry["listener"] && phones.is_none() {
                continue;
            }
            let at = format!("{name}: {} on {}", own.name, comparison.name);
            let Some(phones) = &phones else {
                assert_eq!(
                    (&said["correct"], &said["trials"]),
                    (&own.correct.into(), &own.trials.into()),
                    "{at}"
                );
                let together = scores["comparisons"].as_array().expect("comparisons").iter();
                let together = together.filter(|found| found["comparison"] == comparison.name.as_str());
                let listed = together
                    .flat_map(|found| found["listeners"].as_array().expect("listeners"))
                    .find(|listed| listed["listener"] == own.name.as_str())
                    .unwrap_or_else(|| panic!("{at}: score lists the listener"));
                assert_eq!(listed["correct"], own.correct, "{at}");
                if own.sequential.is_none() {
                    let holm = listed["holm_p_value"].as_f64().expect("a number");
                    assert!(
                        (holm / own.adjusted_p_value.expect("tested") - 1.0).abs() < 1e-9,
                        "{at}: {holm}"
                    );
                }
                continue;
            };
            let seat = said["seats"]
                .as_array()
                .expect("seats")
                .iter()
                .find(|seat| seat["alias"] == own.name.as_str());
            let seat = seat.unwrap_or_else(|| panic!("{at}: score lists the seat"));
            assert_eq!(
                (&seat["correct"], &seat["trials"]),
                (&own.correct.into(), &own.trials.into()),
                "{at}: score"
            );
            let phone = phones.seats.iter().find(|seat| seat.alias == own.name).expect("a phone");
            let headline = &own.verdict.headline;
            assert!(
                phone.sentences.iter().any(|said| said.contains(headline)),
                "{at}: {:?}",
                phone.sentences
            );
        }
        if let Some(phones) = &phones {
            assert_eq!(
                (&said["correct"], &said["trials"]),
                (&comparison.correct.into(), &comparison.trials.into()),
                "{name}: the room in score"
            );
            assert_eq!(said["verdict"], comparison.verdict.headline.as_str());
            let headline = &comparison.verdict.headline;
            assert!(phones.room.iter().any(|said| said.contains(headline)), "{name}: {:?}", phones.room);
            let missing: u64 = phones.seats.iter().map(|seat| seat.missing).sum();
            assert_eq!(Some(missing), counted.missing_votes, "{name}: votes that never came");
        }
    }
}

/// What the server of the night hands out to each phone and, step by step, to the room's display.
fn of_the_server(name: &str, report: &Report, read: &Journal, phones: &NightResults) {
    let results = Arc::new(phones.clone());
    let steps = results.steps.len();
    let served = |at: usize| {
        let place = Place { at, furthest: at };
        Snapshot::closed(read, Arc::clone(&results), place).expect("a closed night")
    };
    let end = served(steps - 1);
    for seat in &phones.seats {
        let state: Value =
            serde_json::from_str(&end.phone(seat.seat, 0).expect("it sat there")).expect("JSON");
        let own = report.comparisons.iter().flat_map(|comparison| &comparison.results);
        let own = own.filter(|own| own.name == seat.alias);
        let (right, of) = own.fold((0, 0), |(right, of), own| (right + own.correct, of + own.trials));
        let phone = &state["result"]["own"];
        assert_eq!((&phone["right"], &phone["of"]), (&right.into(), &of.into()), "{name}: {}", seat.alias);
    }
    let rooms = (0..steps).map(|at| serde_json::from_str::<Value>(&served(at).room(0)).expect("JSON"));
    let verdicts: Vec<Value> = rooms.filter(|room| !room["reveal"]["step"]["sentence"].is_null()).collect();
    assert_eq!(verdicts.len(), report.comparisons.len(), "{name}: the display shows each verdict");
    for (room, comparison) in verdicts.iter().zip(&report.comparisons) {
        let step = &room["reveal"]["step"];
        assert_eq!(step["sentence"], comparison.verdict.headline.as_str(), "{name}: the display");
        assert_eq!(
            (&step["score"]["right"], &step["score"]["of"]),
            (&comparison.correct.into(), &comparison.trials.into()),
            "{name}: the display's score"
        );
    }
}

#[test]
fn every_surface_gives_the_same_numbers_of_a_panel() {
    let (site, journals) = panel();
    let report = agree("panel", &site, &journals);
    assert_eq!(report.comparisons[0].results.len(), 3);
}

#[test]
fn every_surface_gives_the_same_numbers_of_a_night() {
    for wrong in [false, true] {
        let (site, journals) = night(wrong);
        let report = agree(&format!("night, missing is wrong: {wrong}"), &site, &journals);
        let missing = report.sittings[0].missing_votes.expect("a night");
        assert!(missing > 0, "the fixture has votes that never came");
        let counted: u64 = report.comparisons.iter().map(|comparison| comparison.trials).sum();
        // Two comparisons of 12 trials and six seats.
        assert_eq!(counted + if wrong { 0 } else { missing }, 144);
    }
}

#[test]
fn every_surface_gives_the_same_numbers_of_a_sequential_rule() {
    let (site, journals) = sequential();
    agree("sequential", &site, &journals);
}

#[test]
fn every_surface_gives_the_same_numbers_where_every_caveat_applies() {
    let (site, journals) = doubtful();
    let report = agree("doubtful", &site, &journals);
    let kinds = crate::report::kinds(&report);
    for kind in [
        "invented",
        "simulated",
        "silent",
        "stopped-early",
        "implausible",
        "controls-missed",
        "no-hands",
        "prepared-session",
        "level-audible",
    ] {
        assert!(kinds.contains(&kind), "{kind} is not among {kinds:?}");
    }
}

#[test]
fn what_a_sitting_prints_is_what_score_and_report_say() {
    let site = Site::new(SESSION);
    let run = ["run", ".", "--listener", "Ada", "--simulate", "0.8", "--output", "silent"];
    let ran = commands::earwitness(site.path(), &run);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let report = report_of(&site);
    let headline = &report.comparisons[0].results[0].verdict.headline;
    let printed = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(printed.contains(headline), "{headline}\n{printed}");
    let scores = score(&site);
    assert_eq!(scores["journals"][0]["comparisons"][0]["verdict"], headline.as_str());
}

/// The result screen's heading is the title of the journal judged by itself; with one sitting it is the report's, its page's
/// and its document's.
#[test]
fn screen_page_and_document_lead_with_one_title() {
    let mut titles = std::collections::BTreeSet::new();
    for (seed, right, more) in
        [(1, 1.0, ""), (2, 0.5, ""), (3, 0.0, ""), (4, 0.5, "knows"), (5, 0.5, "deaf"), (6, 1.0, "program")]
    {
        let mut site = Site::new(SESSION);
        let path = site.hold(&Plan {
            knows: more == "knows",
            deaf: more == "deaf",
            simulated: (more == "program").then_some(1.0),
            ..Plan::new("Ada", seed, right)
        });
        let report = report_of(&site);
        let title = &report.comparisons[0].verdict.title;
        let checked = crate::trial::kit::check(&path);
        let (.., found) = earwitness::verdict::of_journal(&checked, &earwitness::verdict::OnPaper::default())
            .expect("it is closed");
        assert_eq!(found.comparisons[0].verdict.title, *title, "{more}");
        assert!(page::page(&report).contains(&format!(">{title}</h1>")), "{title}");
        let document: Value = serde_json::from_str(&json_of(&report)).expect("JSON");
        assert_eq!(document["comparisons"][0]["verdict"]["title"], title.as_str());
        titles.insert(title.clone());
    }
    assert!(titles.len() >= 4, "different findings have different titles: {titles:?}");
}
