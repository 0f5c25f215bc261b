//! The tables for those who would rather compute.

use std::process::Command;

use earwitness::report::dictionary::COLUMNS;

use super::material::{Plan, SESSION, Site};
use super::{csv_of, json_of, report_of};

fn site() -> Site {
    let mut site = Site::new(SESSION);
    site.hold(&Plan { void_every: 4, ..Plan::new("Ada, the \"first\"", 1, 0.9) });
    site.hold(&Plan {
        seats: vec![("Bel".to_owned(), 0.6), ("Cas".to_owned(), 0.5)],
        ..Plan::new("Host", 2, 0.5)
    });
    site.hold(&Plan { stop: Some((4, false)), ..Plan::new("Dov", 3, 0.5) });
    site
}

#[test]
fn the_csv_has_one_row_per_attempt_and_vote() {
    let site = site();
    let report = report_of(&site);
    let csv = csv_of(&report);
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    assert_eq!(
        reader.headers().expect("a head").iter().collect::<Vec<_>>(),
        COLUMNS.map(|column| column.name)
    );
    let rows: Vec<csv::StringRecord> =
        reader.records().collect::<Result<_, _>>().expect("every row has all fields");
    assert_eq!(rows.len(), report.trials.len());
    let column = |name: &str| COLUMNS.iter().position(|column| column.name == name).expect("a column");
    let counted: Vec<_> = rows.iter().filter(|row| &row[column("counted")] == "TRUE").collect();
    assert_eq!(counted.len() as u64, report.comparisons[0].trials);
    let right = counted.iter().filter(|row| &row[column("correct")] == "1").count() as u64;
    assert_eq!(right, report.comparisons[0].correct);
    let sealed = rows.iter().filter(|row| &row[column("state")] == "unfinished").collect::<Vec<_>>();
    assert!(
        !sealed.is_empty()
            && sealed
                .iter()
                .all(|row| row[column("presented")].is_empty() && row[column("correct")].is_empty())
    );
    // Each row names the line of its journal.
    let journal =
        site.session.sittings_folder().join(report.sittings[0].journal.as_ref().expect("a public name"));
    let journal = std::fs::read_to_string(journal).expect("the journal");
    let lines: Vec<&str> = journal.lines().collect();
    for row in rows.iter().filter(|row| &row[column("sitting")] == "1") {
        let line: usize = row[column("journal_line")].parse().expect("a number");
        let text = lines[line - 1];
        assert_eq!(Some(&row[column("journal")]), report.sittings[0].journal.as_deref());
        if &row[column("void")] == "TRUE" {
            assert!(text.contains("\"kind\":\"void\""), "{text}");
        } else {
            assert!(text.contains(&format!("\"answer\":\"{}\"", &row[column("answer")])), "{text}");
        }
    }
}

#[test]
fn the_json_document_names_its_schema_first() {
    let json = json_of(&report_of(&site()));
    assert!(json.starts_with("{\n  \"schema\": \"earwitness.report/1\""));
    let value: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(value["comparisons"][0]["name"], "thin-thick");
    assert_eq!(value["sittings"].as_array().expect("a list").len(), 3);
    assert!(value["caveats"].as_array().expect("a list").iter().all(|caveat| caveat["remedy"].is_string()));
}

#[test]
fn pandas_loads_the_csv_as_it_is() {
    let python = crate::tool("EARWITNESS_PYTHON");
    let report = report_of(&site());
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("report.csv");
    std::fs::write(&file, csv_of(&report)).expect("written");
    let script = "import sys, pandas as pd\n\
        table = pd.read_csv(sys.argv[1])\n\
        counted = table[table.counted]\n\
        assert table.counted.dtype == bool and table.void.dtype == bool, table.dtypes\n\
        assert table.took_s.dtype == float and table.correct.dtype == float, table.dtypes\n\
        assert table.switches.dtype.kind == 'i'\n\
        print(len(table), len(counted), int(counted.correct.sum()), sorted(counted.listener.unique()))\n";
    let run = Command::new(python).args(["-c", script]).arg(&file).output().expect("Python starts");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let expected = format!(
        "{} {} {} ['Ada, the \"first\"', 'Bel', 'Cas']",
        report.trials.len(),
        report.comparisons[0].trials,
        report.comparisons[0].correct
    );
    assert_eq!(String::from_utf8_lossy(&run.stdout).trim(), expected);
}

#[test]
fn r_loads_the_csv_as_it_is() {
    let report = report_of(&site());
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("report.csv");
    std::fs::write(&file, csv_of(&report)).expect("written");
    let script = "table <- read.csv(commandArgs(trailingOnly = TRUE)[1])\n\
        stopifnot(is.logical(table$counted), is.logical(table$void), is.numeric(table$took_s), is.integer(table$switches))\n\
        stopifnot(is.integer(table$correct), is.integer(table$journal_line))\n\
        counted <- table[table$counted, ]\n\
        cat(nrow(table), nrow(counted), sum(counted$correct), sort(unique(counted$listener)), sep = '|')\n";
    let run = Command::new("Rscript")
        .args(["--vanilla", "-e", script])
        .arg(&file)
        .env("LC_ALL", "C.UTF-8")
        .output()
        .unwrap_or_else(|error| panic!("Rscript: {error}; `bash tests/run` installs r-base-core"));
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let expected = format!(
        "{}|{}|{}|Ada, the \"first\"|Bel|Cas",
        report.trials.len(),
        report.comparisons[0].trials,
        report.comparisons[0].correct
    );
    assert_eq!(String::from_utf8_lossy(&run.stdout).trim(), expected);
}

/// The documents that say what was measured and done, through the command.
#[test]
fn the_dictionary_types_the_table_in_pandas_and_r() {
    let site = site();
    let export = |option: &str| {
        let ran = crate::commands::earwitness(site.path(), &["report", ".", option]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        ran.out
    };
    let folder = tempfile::tempdir().expect("a folder");
    for (name, option) in
        [("table.csv", "--csv"), ("dictionary.csv", "--dictionary"), ("trials.json", "--trials")]
    {
        std::fs::write(folder.path().join(name), export(option)).expect("written");
    }
    let script = "import json, pandas as pd\n\
        words = pd.read_csv('dictionary.csv', keep_default_na=False)\n\
        kinds = {'text': 'string', 'category': 'category', 'whole number': 'Int64', 'number': 'Float64', 'truth value': 'boolean'}\n\
        table = pd.read_csv('table.csv', dtype={row.column: kinds[row.type] for row in words.itertuples()})\n\
        assert list(table.columns) == list(words.column), table.columns\n\
        assert str(table.correct.dtype) == 'Int64' and str(table.counted.dtype) == 'boolean', table.dtypes\n\
        for row in words[words.type == 'category'].itertuples():\n\
        \x20   assert set(table[row.column].dropna().unique()) <= set(row.values.split('|')), row\n\
        document = json.load(open('trials.json'))\n\
        rows = pd.DataFrame(document['trials'])\n\
        assert document['schema'] == 'earwitness.trials/1' and len(rows) == len(table)\n\
        assert [c['column'] for c in document['columns']] == list(words.column)\n\
        assert rows.took_s.sum() == table.took_s.sum() and rows.counted.sum() == table.counted.sum()\n\
        assert rows.correct.dropna().isin([0, 1]).all() and rows.correct.sum() == table.correct.sum()\n\
        print(len(table))\n";
    let python = crate::tool("EARWITNESS_PYTHON");
    let run =
        Command::new(python).args(["-c", script]).current_dir(folder.path()).output().expect("Python starts");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    assert_eq!(String::from_utf8_lossy(&run.stdout).trim(), report_of(&site).trials.len().to_string());
    let script = "words <- read.csv('dictionary.csv')\n\
        kinds <- c('text' = 'character', 'category' = 'factor', 'whole number' = 'integer', 'number' = 'numeric', 'truth value' = 'logical')\n\
        table <- read.csv('table.csv', na.strings = '', colClasses = setNames(kinds[words$type], words$column))\n\
        stopifnot(identical(names(table), words$column), is.factor(table$answer), is.integer(table$correct), is.logical(table$void))\n\
        for (i in which(words$type == 'category')) stopifnot(levels(table[[i]]) %in% strsplit(words$values[i], '|', fixed = TRUE)[[1]])\n";
    let run = Command::new("Rscript")
        .args(["--vanilla", "-e", script])
        .current_dir(folder.path())
        .env("LC_ALL", "C.UTF-8")
        .output()
        .expect("Rscript");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let methods = export("--methods");
    for said in ["Listeners compared thin with thick", "ChaCha20", "error risk of 5 %", "SHA-256"] {
        assert!(methods.contains(said), "{said}: {methods}");
    }
}

/// Ten listeners, two comparisons, two clips: some hear the difference on one clip only.
fn crossed_site() -> Site {
    let two = super::material::many_comparisons(2);
    let clip = "\n[clips.chord]\nsynth = \"slow-chord\"\nlength = \"1 s\"\n";
    let session = two.replace("clips = [\"plucked\"]", "clips = [\"plucked\", \"chord\"]") + clip;
    let mut site = Site::new(&session);
    let rights = [0.55, 0.95, 0.6, 0.8, 0.9, 0.7, 0.5, 0.85, 0.75, 0.65];
    for (number, right) in (1_u64..).zip(rights) {
        let only_clip = (number % 2 == 0).then_some(0);
        site.hold(&Plan { only_clip, ..Plan::new(&format!("Listener {number:02}"), 800 + number, right) });
    }
    site
}

#[test]
fn the_crossed_model_of_the_exported_csv_is_that_of_lme4() {
    let report = report_of(&crossed_site());
    let csv = csv_of(&report);
    if std::env::var_os("EARWITNESS_BLESS").is_some() {
        let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/panel.csv");
        std::fs::create_dir_all(file.parent().expect("a folder")).expect("a folder");
        std::fs::write(file, &csv).expect("written");
    }
    let reference: serde_json::Value =
        serde_json::from_str(include_str!("../reference/panel_csv.json")).expect("R's numbers");
    // What R counted in the table is what stands in it today: else its numbers are of other answers.
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let column = |name: &str| COLUMNS.iter().position(|column| column.name == name).expect("a column");
    let mut cells = std::collections::BTreeMap::<(String, String, String), (u64, u64)>::new();
    for row in reader.records().map(|row| row.expect("a row")) {
        if &row[column("counted")] == "TRUE" {
            let of = |name: &str| row[column(name)].to_owned();
            let cell = cells.entry((of("listener"), of("clip"), of("comparison"))).or_default();
            *cell = (cell.0 + u64::from(&row[column("correct")] == "1"), cell.1 + 1);
        }
    }
    let counted = reference["cells"].as_array().expect("cells").iter().map(|cell| {
        let text = |at: usize| cell[at].as_str().expect("text").to_owned();
        let number = |at: usize| cell[at].as_u64().expect("a number");
        ((text(0), text(1), text(2)), (number(3), number(4)))
    });
    assert_eq!(cells, counted.collect(), "run tests/reference/panel_csv.R anew");
    let found = report.crossed.expect("ten listeners on two clips");
    let number = |value: &serde_json::Value| value.as_f64().expect("a number");
    // lme4 stops within about a thousandth of the peak.
    crate::stats::close(found.model.ln_likelihood, number(&reference["ln_likelihood"]), 1e-6);
    crate::stats::close(found.model.listeners, number(&reference["listeners"]), 3e-3);
    crate::stats::close(found.model.clips, number(&reference["clips"]), 3e-3);
    for (name, expected) in reference["comparisons"]
        .as_array()
        .expect("names")
        .iter()
        .zip(reference["log_odds"].as_array().expect("numbers"))
    {
        let at = found
            .comparisons
            .iter()
            .position(|own| Some(own.as_str()) == name.as_str())
            .expect("a comparison");
        crate::stats::close(found.model.log_odds[at], number(expected), 3e-3);
    }
}
