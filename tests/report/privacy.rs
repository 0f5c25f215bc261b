//! Nobody's name, path or machine gets out that was not meant to.

use std::collections::BTreeSet;

use earwitness::evidence::{Options, State};
use earwitness::report::page;

use super::material::{Plan, SESSION, Site};
use super::{everything, report_of, report_with, without_journals};

#[test]
fn names_are_text_whatever_they_hold() {
    let nasty = "<script>alert(1)</script>\"'&<img src=x onerror=alert(1)>";
    let mut site = Site::new(&SESSION.replace("Two invented cables", "<b>Title</b> & more"));
    site.hold(&Plan::new(nasty, 1, 0.6));
    site.hold(&Plan { hands: vec![(nasty.to_owned(), nasty.to_owned())], ..Plan::new("Bel", 2, 0.5) });
    let report = report_of(&site);
    for html in [page::page(&report), page::certificates(&report)] {
        assert!(!html.contains("<script>alert") && !html.contains("<img") && !html.contains("<b>Title"));
        assert!(html.matches("<script").count() <= 1, "the report's own script, and no other");
        assert!(html.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
        assert!(html.contains("&lt;b&gt;Title&lt;/b&gt; &amp; more"));
    }
}

#[test]
fn a_spreadsheet_takes_no_name_for_a_formula() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("=HYPERLINK(\"x\")", 1, 0.6));
    let csv = super::csv_of(&report_of(&site));
    assert!(csv.contains("'=HYPERLINK") && !csv.contains(",=HYPERLINK") && !csv.contains(",\"=HYPERLINK"));
}

#[test]
fn an_alias_hides_the_name_everywhere() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan {
        alias: Some("Night Owl".to_owned()),
        hands: Vec::new(),
        ..Plan::new("Zacharias", 1, 0.6)
    });
    let report = report_of(&site);
    let all = everything(&report);
    assert!(all.contains("Night Owl"));
    assert!(!all.to_lowercase().contains("zacharias"), "the journal's file name holds the hidden name");
}

#[test]
fn no_path_device_or_user_leaves_the_machine() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.6));
    std::fs::write(site.path().join("sittings/x.jsonl"), "no journal").expect("written");
    std::fs::create_dir(site.path().join("sittings/y.jsonl")).expect("a folder named like a journal");
    let all = without_journals(&everything(&report_of(&site)));
    let folder = site.path().file_name().expect("a name").to_string_lossy().into_owned();
    for secret in
        [site.path().display().to_string(), folder, "/home/somebody".to_owned(), "Invented device".to_owned()]
    {
        assert!(!all.contains(&secret), "{secret} is in the report");
    }
}

#[test]
fn anonymous_replaces_every_name() {
    let wager = "[wager]\nclaimant = \"Zacharias\"\nskeptic = \"Yolanda\"\nclaim = \"Zacharias hears it\"\n\
                 claimant_wins = \"Yolanda cooks\"\nskeptic_wins = \"Zacharias cooks\"\n\n[amplifier]";
    let mut site = Site::new(&SESSION.replace("[amplifier]", wager));
    site.hold(&Plan {
        hands: vec![("Yolanda".to_owned(), "Yolanda was here".to_owned())],
        ..Plan::new("Zacharias", 1, 0.6)
    });
    site.hold(&Plan {
        seats: vec![("Xenia".to_owned(), 0.6), ("Wilhelm".to_owned(), 0.5)],
        ..Plan::new("Viktor", 2, 0.5)
    });
    site.hold(&Plan { stop: Some((3, false)), ..Plan::new("Ursula", 3, 0.5) });
    std::fs::write(site.path().join("sittings/20260101T000000Z-tobias.jsonl"), "no journal\n")
        .expect("written");
    let report = report_with(&site, Options { anonymous: true });
    let all = everything(&report).to_lowercase();
    for name in ["zacharias", "yolanda", "xenia", "wilhelm", "viktor", "ursula", "tobias"] {
        assert!(!all.contains(name), "{name} is in the anonymous report");
    }
    assert!(all.contains("listener 1") && all.contains("the skeptic") && all.contains("withheld"));
    assert!(!all.contains("19:30"), "times of day are withheld");
    let named = everything(&report_of(&site));
    assert!(
        named.contains("Zacharias") && named.contains("Xenia"),
        "and without it the chosen names stand there"
    );
}

/// A session in which Zacharias and Yolanda are named wherever people may write, and what else belongs to its kind.
fn named_session(more: &str) -> String {
    let mut text =
        SESSION.replace("Two invented cables", "Zacharias and Yolanda").replace("[amplifier]", more);
    for (kind, name) in [("cables", "thin"), ("cables", "thick"), ("clips", "plucked")] {
        text = text.replace(&format!("[{kind}.{name}]"), &format!("[{kind}.\"zacharias_{name}\"]"));
        text = text.replace(&format!("\"{name}\""), &format!("\"zacharias_{name}\""));
    }
    text.replace("\"thin-thick\"", "\"cables_of_Yolanda\"")
}

#[test]
fn what_counts_is_the_same_with_names_withheld() {
    let wager = "[wager]\nclaimant = \"Zacharias\"\nskeptic = \"Yolanda\"\nclaim = \"Zacharias hears it\"\n\
                 claimant_wins = \"Yolanda cooks\"\nskeptic_wins = \"Zacharias cooks\"\n\n[amplifier]";
    let panel = "[panel]\nlisteners = 2\n\n[amplifier]";
    let switcher = "[switcher]\nkind = \"command\"\ncommand = [\"./switch\", \"{terminal}\"]\n\
                    terminals = [\"thin\", \"thick\"]\n\n[amplifier]";
    let attribute = named_session("[amplifier]")
        .replace(
            "protocol = \"abx\"",
            "protocol = \"two-afc\"\nattribute = \"Yolanda brighter\"\nattribute_side = \"b\"",
        )
        .replace("amount = \"2 dB\"", "amount = \"2 dB\"\nmore = \"b\"");
    let plans = [Plan::new("Zacharias", 1, 0.9), Plan::new("Yolanda", 2, 0.6)];
    let watched = plans.clone().map(|plan| Plan { watched: vec!["Xenia".to_owned()], ..plan });
    let seats = vec![("Xenia".to_owned(), 0.9), ("Wilhelm".to_owned(), 0.5)];
    let night = plans.clone().map(|plan| Plan { seats: seats.clone(), ..plan });
    for (kind, text, plans) in [
        ("without more", named_session("[amplifier]"), &plans),
        ("a wager", named_session(wager), &plans),
        ("a panel", named_session(panel), &plans),
        ("a switcher", named_session(switcher), &plans),
        ("an attribute", attribute, &plans),
        ("a witness", named_session("[amplifier]"), &watched),
        ("a night", named_session("[amplifier]"), &night),
    ] {
        let mut site = Site::new(&text);
        for plan in plans {
            site.hold(plan);
        }
        let [named, anonymous] = [false, true].map(|anonymous| report_with(&site, Options { anonymous }));
        for report in [&named, &anonymous] {
            for sitting in &report.sittings {
                assert_eq!((sitting.state, &sitting.problems), (State::Complete, &Vec::new()), "{kind}");
                assert!(sitting.counted, "{kind}");
            }
            assert!(report.unusable.is_empty() && report.sittings.len() == 2, "{kind}");
        }
        assert_eq!(named.comparisons[0].trials, anonymous.comparisons[0].trials, "{kind}");
        assert_eq!(named.compared.changed, anonymous.compared.changed, "{kind}");
        let all = without_journals(&everything(&anonymous)).to_lowercase();
        for name in ["zacharias", "yolanda", "xenia", "wilhelm"] {
            assert!(!all.contains(name), "{kind}: {name} is in the anonymous report");
        }
    }
}

#[test]
fn changed_terms_are_told_with_names_withheld_too() {
    let mut site = Site::new(&named_session("[amplifier]"));
    site.session.alpha = 0.4;
    site.hold(&Plan::new("Zacharias", 1, 0.9));
    site.session.alpha = 0.05;
    for anonymous in [false, true] {
        let report = report_with(&site, Options { anonymous });
        let sitting = &report.sittings[0];
        assert_eq!(sitting.state, State::Invalid);
        assert_eq!(
            sitting.problems,
            ["record 1: its terms are not those that the session gives: alpha"],
            "anonymous: {anonymous}"
        );
    }
}

/// A session with all kinds of texts in it, to which names can be added.
fn wordy() -> String {
    SESSION
        .replace("alpha = 0.05", "alpha = 0.05\nprepared_by = [\"Bel\"]")
        .replace("protocol = \"abx\"", "protocol = \"two-afc\"\nattribute = \"brighter\"\nattribute_side = \"b\"")
        .replace("amount = \"2 dB\"", "amount = \"2 dB\"\nmore = \"b\"")
        .replace("kind = \"level\"", "kind = \"tilt\"")
        .replace(
            "[amplifier]",
            "[wager]\nclaimant = \"Ada\"\nskeptic = \"Bel\"\nclaim = \"Ada hears it\"\nclaimant_wins = \"Bel cooks\"\n\
             skeptic_wins = \"Ada cooks\"\n\n[amplifier]",
        )
        + "\n[club]\nname = \"Circle\"\nlogo = \"logo.png\"\n\n[cables.measured]\nresponse = \"measured.csv\"\n\n[clips.recorded]\nfile = \"recorded.wav\"\n\n[[comparisons]]\n\
           name = \"recorded\"\na = \"measured\"\nb = \"thick\"\nclips = [\"recorded\"]\n"
}

/// The files that [`wordy`] reads, under these names.
fn files(folder: &std::path::Path, table: &str, sound: &str, logo: &str) {
    // A picture of 1 by 1 pixel, without its pixel.
    let header = [0, 0, 0, 13, b'I', b'H', b'D', b'R', 0, 0, 0, 1, 0, 0, 0, 1, 8, 2, 0, 0, 0, 0, 0, 0, 0];
    let end = [0, 0, 0, 0, b'I', b'E', b'N', b'D', 0, 0, 0, 0];
    std::fs::write(folder.join(logo), [&b"\x89PNG\r\n\x1a\n"[..], &header, &end].concat()).expect("written");
    let rows = "frequency_hz,gain_db,phase_deg\n20,-0.1,0\n1000,-0.1,0\n20000,-0.2,0\n";
    std::fs::write(folder.join(table), rows).expect("written");
    let format = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(folder.join(sound), format).expect("created");
    for n in 0..24_000_i16 {
        wav.write_sample((n % 100) * 100).expect("written");
    }
    wav.finalize().expect("finished");
}

/// The same files, named after somebody.
fn named_files(canary: &str) -> [String; 3] {
    ["measured.csv", "recorded.wav", "logo.png"].map(|file| format!("{canary} {file}"))
}

/// Every way to put a name into a text value of the session that the session still accepts: each key that takes words of
/// one's own is found by trying.
fn with_names(text: &str, canary: &str) -> (String, Vec<String>) {
    let folder = tempfile::tempdir().expect("a folder");
    files(folder.path(), "measured.csv", "recorded.wav", "logo.png");
    let [table, sound, logo] = named_files(canary);
    files(folder.path(), &table, &sound, &logo);
    let accepted = |text: &str| {
        std::fs::write(folder.path().join("session.toml"), text).expect("written");
        earwitness::session::load(folder.path()).is_ok()
    };
    assert!(accepted(text), "{:?}", earwitness::session::load(folder.path()));
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let mut found = Vec::new();
    for number in 0..lines.len() {
        let Some((key, value)) = lines[number].split_once(" = ") else { continue };
        let Some(inner) = value.strip_prefix('"').and_then(|value| value.strip_suffix('"')) else { continue };
        for named in [format!("{canary} {inner}"), canary.to_owned()] {
            let line = format!("{key} = \"{named}\"");
            let mut tried = lines.clone();
            tried[number] = line;
            if accepted(&tried.join("\n")) {
                found.push(key.to_owned());
                lines = tried;
                break;
            }
        }
    }
    (lines.join("\n"), found)
}

/// Keys whose texts are anybody's words, found by trying.
const FOUND: [&str; 11] = [
    "title",
    "claimant",
    "skeptic",
    "claim",
    "claimant_wins",
    "skeptic_wins",
    "file",
    "response",
    "name",
    "attribute",
    "logo",
];
/// Keys whose texts are names that other keys refer to, and lists of words.
const NAMED: [&str; 4] = ["a", "b", "clips", "prepared_by"];
/// Keys that hold nobody's words in anything that is published, and why.
const NOBODYS: [(&str, &str); 9] = [
    ("synth", "one of a few"),
    ("facts", "some of a few"),
    ("way", "one of a few"),
    ("cable", "the name of a cable inside another one's sections"),
    ("terminals", "names of cables, as the terms of the comparison show them"),
    ("port", "neither in terms nor in a journal"),
    ("command", "neither in terms nor in a journal"),
    ("caption", "a photograph's, which is withheld with it"),
    ("yardstick", "a folder, whose session is read and not named"),
];

#[test]
fn a_name_in_any_text_leaves_with_no_anonymous_report() {
    const CANARY: &str = "Zinnia";
    let text = wordy();
    let (text, found) = with_names(&text, CANARY);
    for key in FOUND {
        assert!(found.iter().any(|with| with == key), "{key} takes no words any more? {found:?}");
    }
    let known: BTreeSet<&str> = FOUND.into_iter().chain(NAMED).chain(NOBODYS.map(|(key, _)| key)).collect();
    let read = crate::commands::documents::keys_after(&[".text(", ".required_text(", ".texts(", "written("]);
    let forgotten: Vec<&String> = read.iter().filter(|key| !known.contains(key.as_str())).collect();
    assert!(forgotten.is_empty(), "texts of a session that this test holds no name in: {forgotten:?}");
    // Names that other keys refer to.
    let mut text = text.replace("prepared_by = [\"Bel\"]", "prepared_by = [\"Zinnia Vale\"]");
    for name in ["thin", "thick", "measured", "plucked", "recorded"] {
        for kind in ["cables", "clips"] {
            text = text.replace(&format!("[{kind}.{name}]"), &format!("[{kind}.\"zinnia_{name}\"]"));
        }
        for key in ["a", "b"] {
            text = text.replace(&format!("{key} = \"{name}\""), &format!("{key} = \"zinnia_{name}\""));
        }
        text = text.replace(&format!("clips = [\"{name}\"]"), &format!("clips = [\"zinnia_{name}\"]"));
    }
    let mut site = Site::with_files(&text, |folder| {
        let [table, sound, logo] = named_files(CANARY);
        files(folder, &table, &sound, &logo);
    });
    let hands = vec![("Zinnia".to_owned(), "Zinnia's hand".to_owned())];
    let event = Some("the device of Zinnia was slow".to_owned());
    let claimant = site.session.wager.as_ref().expect("a wager").claimant.as_written().to_owned();
    site.hold(&Plan {
        hands: hands.clone(),
        event: event.clone(),
        void_every: 3,
        ..Plan::new(&claimant, 1, 0.9)
    });
    site.hold(&Plan {
        alias: Some("Zinnia".to_owned()),
        hands: hands.clone(),
        ..Plan::new("ZINNIA", 2, 0.6)
    });
    let seats = ["Zinnia", "zinnia b", "Zinnia-C"].map(|seat| (seat.to_owned(), 0.6)).to_vec();
    site.hold(&Plan { hands, event, seats, void_every: 2, ..Plan::new("Zinnia the host", 3, 0.5) });
    site.hold(&Plan { stop: Some((3, false)), ..Plan::new("Zinnia Open", 4, 0.5) });
    std::fs::write(site.path().join("sittings/zinnia.jsonl"), "no journal of Zinnia\n").expect("written");
    std::fs::write(site.path().join(format!("{CANARY} measured.csv")), "changed by Zinnia").expect("written");
    for anonymous in [false, true] {
        let readings = ["Zinnia's place", "Elsewhere"].map(|place| {
            let place = Some(place.to_owned());
            earwitness::evidence::folder(&site.session.sittings_folder(), place)
                .expect("the folder can be read")
        });
        let report = earwitness::report::report(&site.session, readings.into(), Options { anonymous });
        let all = everything(&report).to_lowercase();
        let at =
            all.find("zinnia").map(|at| all[at.saturating_sub(200)..].chars().take(300).collect::<String>());
        assert_eq!(at.is_none(), anonymous, "{at:?}");
        // Nobody knows him: what a host types is withheld as it stands.
        assert_eq!(all.contains("quirin"), !anonymous);
    }
    // Nothing changed, so that circuit and figures are drawn too.
    let [table, sound, logo] = named_files(CANARY);
    files(site.path(), &table, &sound, &logo);
    let report = report_with(&site, Options { anonymous: true });
    assert!(
        !report.compared.figures.is_empty() && report.compared.clips.len() == 2,
        "{:?}",
        report.compared.problems
    );
    assert!(!everything(&report).to_lowercase().contains("zinnia"));
}
