//! Help, usage errors, and a session to start from.

use std::process::{Command, Stdio};

use super::{PROGRAM, earwitness, material, ran, refused, succeeded};

const COMMANDS: [&str; 13] = [
    "demo", "new", "check", "predict", "render", "plan", "audition", "run", "night", "score", "report",
    "verify", "devices",
];

#[test]
fn help_names_every_command_and_each_command_has_its_own() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let help = earwitness(folder.path(), &["--help"]);
    assert_eq!(help.code, 0);
    for command in COMMANDS {
        assert!(help.out.contains(&format!("\n  {command} ")), "{command} is missing in\n{}", help.out);
        let own = earwitness(folder.path(), &[command, "--help"]);
        assert_eq!((own.code, own.err.as_str()), (0, ""), "{command}");
        assert!(own.out.contains("Usage: earwitness"), "{}", own.out);
    }
    let version = earwitness(folder.path(), &["-V"]);
    assert_eq!(version.out, format!("earwitness {}\n", env!("CARGO_PKG_VERSION")));
    // As journals name it; and the digest is what anybody can compute from the sources.
    let build = earwitness(folder.path(), &["--version"]);
    assert_eq!(build.out.trim_end(), earwitness::trial::sittings::PROGRAM);
    let digest = std::process::Command::new("bash")
        // Sources that somebody edits while the tests run are not those that the program was built from.
        .args([
            "-c",
            "find Cargo.lock Cargo.toml src -newer \"$0\" | grep -q . && echo edited && exit; \
             find Cargo.lock Cargo.toml src -type f | LC_ALL=C sort | xargs sha256sum | sha256sum",
            PROGRAM,
        ])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("a shell");
    let digest = String::from_utf8(digest.stdout).expect("text");
    let digest = digest.split_whitespace().next().expect("a digest");
    assert!(digest == "edited" || build.out.contains(&format!("source {digest}, ")), "{}", build.out);
}

#[test]
fn completions_and_manual_pages_name_every_command_and_option() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let written = succeeded(folder.path(), &["man", "pages"]);
    assert_eq!(written.out, "pages\n");
    let page = std::fs::read_to_string(folder.path().join("pages/earwitness-report.1")).expect("a page");
    assert!(page.contains("\\-\\-archive") && page.contains(".SH OPTIONS"), "{page}");
    let pages = std::fs::read_dir(folder.path().join("pages")).expect("the folder").count();
    assert!(pages > 20, "{pages} pages");
    for (shell, words) in [
        ("bash", "complete -F _earwitness"),
        ("zsh", "#compdef earwitness"),
        ("fish", "complete -c earwitness"),
    ] {
        let script = succeeded(folder.path(), &["completions", shell]).out;
        for word in [words, "archive", "simulate", "verify"] {
            assert!(script.contains(word), "{shell}: {word}");
        }
    }
    refused(folder.path(), &["completions", "none"], &["none", "bash"]);
}

#[test]
fn bad_usage_is_exit_status_2_on_standard_error() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    for arguments in
        [&[][..], &["prodict"], &["check"], &["new"], &["check", "a", "b"], &["predict", "x", "--wrong"]]
    {
        let ran = earwitness(folder.path(), arguments);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{arguments:?}");
        assert!(ran.err.contains("Usage") || ran.err.contains("--help"), "{arguments:?}: {}", ran.err);
    }
}

/// What help lists in such a section: the first word of each line that is indented like this.
fn listed<'h>(help: &'h str, section: &str) -> Vec<&'h str> {
    let section = help.split(section).nth(1).unwrap_or_default();
    let lines = section.lines().skip(1).take_while(|line| !line.is_empty());
    let entries = lines.filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    entries.filter_map(|line| line.split_whitespace().next()).filter(|name| *name != "help").collect()
}

/// A command with more behind it.
fn with<'t>(command: &[&'t str], more: &[&'t str]) -> Vec<&'t str> {
    [command, more].concat()
}

#[test]
fn no_command_repeats_what_acts_on_a_terminal_or_more_than_a_message_carries() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let here = folder.path();
    let help = |command: &[&str]| succeeded(here, &[command, &["--help"]].concat()).out;
    let all = help(&[]);
    let mut commands: Vec<Vec<&str>> = listed(&all, "Commands:").into_iter().map(|name| vec![name]).collect();
    let bench = help(&["bench"]);
    commands.extend(listed(&bench, "Commands:").into_iter().map(|name| vec!["bench", name]));
    assert!(commands.len() > 20, "{commands:?}");
    // It would turn the rest of the line around, and is longer than a screen.
    let turned = format!("\u{202e}{}", "a".repeat(4000));
    let (option, assigned) = (format!("--{turned}"), format!("--json={turned}"));
    let mut tried = 0;
    let mut check = |arguments: &[&str]| {
        let ran = earwitness(here, arguments);
        let named: Vec<String> = arguments.iter().map(|one| one.chars().take(30).collect()).collect();
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{named:?}: {}", ran.err);
        assert!(!ran.err.contains('\u{202e}'), "{named:?}: {:?}", ran.err);
        assert!(ran.err.len() < 3000, "{named:?}: {} bytes", ran.err.len());
        tried += 1;
    };
    for command in &commands {
        check(&with(command, &[&turned, &turned, &turned, "--wrong"]));
        check(&with(command, &[&option]));
        check(&with(command, &[&assigned]));
        let help = help(command);
        let options = help.split_whitespace().zip(help.split_whitespace().skip(1));
        let taking = options.filter(|(name, value)| name.starts_with("--") && value.starts_with('<'));
        for (name, _) in taking {
            check(&with(command, &[&format!("{name}={turned}"), "--wrong"]));
        }
    }
    check(&[&turned]);
    check(&[&format!("\u{1b}[2J{turned}")]);
    check(&["plan", "--trials", &format!("1,{}", "0".repeat(4000))]);
    check(&["bench", "response", &"a".repeat(100_000)]);
    refused(here, &["verify", &"a".repeat(5000)], &["has 5000 characters", "at most 4096"]);
    assert!(tried > 200, "{tried} command lines");
}

#[test]
fn a_picture_has_the_name_of_what_it_is() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    material::session(folder.path(), material::SYNTH, material::PAIR, material::RESISTOR);
    for command in [&["plan", "--proportion", "0.75"][..], &["predict", "."]] {
        refused(folder.path(), &[command, &["--plot", "curve.png"]].concat(), &["curve.png", "ends in .svg"]);
        assert!(!folder.path().join("curve.png").exists());
        let ran = earwitness(folder.path(), &[command, &["--plot", "curve.SVG"]].concat());
        assert_eq!(ran.code, 0, "{}", ran.err);
    }
}

#[test]
fn new_writes_a_session_that_check_accepts_and_never_over_one_that_is_there() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let made = earwitness(folder.path(), &["new", "deep/bet"]);
    assert_eq!(made.code, 0, "{}", made.err);
    assert_eq!(made.out, "deep/bet/session.toml\n");
    let file = folder.path().join("deep/bet/session.toml");
    earwitness::session::load(&file).expect("the template is a valid session");
    std::fs::write(&file, "mine").expect("writing");
    refused(folder.path(), &["new", "deep/bet"], &["deep/bet/session.toml", "is there already"]);
    assert_eq!(std::fs::read_to_string(&file).expect("reading"), "mine");
    std::fs::write(folder.path().join("plain"), "").expect("writing");
    refused(folder.path(), &["new", "plain"], &["plain", "cannot be made"]);
}

#[test]
fn every_remark_in_the_template_that_shows_a_key_is_valid_too() {
    let template = earwitness::session::template::template();
    for line in [
        "family = \"holm\"",
        "prepared_by = [\"Ada\"]",
        "confidence = true",
        "rest_after = \"20 min\"",
        "stopping = {",
        "qualification = {",
    ] {
        let shown = format!("# {line}");
        assert!(template.contains(&shown), "{shown}");
        let text = template.replacen(&shown, line, 1);
        earwitness::session::parse(std::path::Path::new("session.toml"), &text)
            .unwrap_or_else(|e| panic!("{e}"));
    }
    let with = |section: &str| {
        let rest = template.split(&format!("# [{section}]")).nth(1).expect("the section is shown");
        let shown = rest.split("\n\n").next().expect("its own lines");
        // What is shown for other protocols would be refused here, and a photograph has to be there.
        let own = shown.lines().filter(|line| !line.contains("only for") && !line.contains("photographs"));
        let lines: Vec<&str> = own.map(|line| line.strip_prefix("# ").unwrap_or(line)).collect();
        let text = format!("{template}\n[{section}]\n{}", lines.join("\n"));
        earwitness::session::parse(std::path::Path::new("session.toml"), &text)
    };
    assert!(with("wager").expect("valid").wager.is_some());
    assert!(with("panel").expect("valid").panel.is_some());
    assert!(with("threshold").expect("valid").threshold.is_some());
    assert!(with("switcher").expect("valid").switcher.is_some());
}

#[test]
fn the_example_sessions_and_the_demonstration_are_valid_and_say_that_they_are_invented() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions");
    for name in ["bet-at-home", "reviewer-panel", "club-night"] {
        let session = earwitness::session::load(&root.join(name)).unwrap_or_else(|error| panic!("{error}"));
        assert!(session.invented, "{name}");
    }
    let demo = earwitness::session::template::DEMO;
    let session = earwitness::session::parse(std::path::Path::new("session.toml"), demo).expect("valid");
    assert!(session.invented);
}

#[test]
fn whoever_stops_reading_hears_nothing_more() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    material::session(folder.path(), material::SYNTH, material::PAIR, material::RESISTOR);
    let simulate = ["run", ".", "--listener", "Mara", "--output", "silent", "--simulate", "0.5"];
    assert_eq!(earwitness(folder.path(), &simulate).code, 0);
    let sittings = std::fs::read_dir(folder.path().join("sittings")).expect("sittings");
    let journal = sittings
        .map(|entry| entry.expect("an entry").path())
        .find(|path| path.to_string_lossy().ends_with("Mara.jsonl"))
        .expect("a journal");
    let journal = journal.to_string_lossy();
    for arguments in [
        &["report", ".", "--csv"][..],
        &["report", ".", "--json"],
        &["report", "."],
        &["check", "."],
        &["predict", ".", "--csv"],
        &["predict", ".", "--json"],
        &["plan", "--proportion", "0.75"],
        &["score", "--protocol", "abx", "--correct", "12", "--trials", "16"],
        &["score", &journal],
        &["verify", &journal],
    ] {
        // Nobody reads: the pipe is closed before the first byte comes.
        let (reader, writer) = std::io::pipe().expect("a pipe");
        drop(reader);
        let child = Command::new(PROGRAM)
            .args(arguments)
            .current_dir(folder.path())
            .stdin(Stdio::null())
            .stdout(writer)
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let ran = ran(&child.wait_with_output().expect("it ends"), arguments);
        assert_eq!(ran.code, 141, "{arguments:?}: {}", ran.err);
        for word in ["pipe", "could not be written", "error"] {
            assert!(!ran.err.contains(word), "{arguments:?} complains: {}", ran.err);
        }
    }
}

#[test]
fn every_command_tells_where_its_time_went() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let short = "synth = \"plucked-strings\"\nlength = \"0.5 s\"";
    material::session(folder.path(), short, material::PAIR, material::RESISTOR);
    let told = "most memory so far";
    let unasked = earwitness(folder.path(), &["plan", "--proportion", "0.75"]);
    assert!(!unasked.err.contains(told), "nobody asked: {}", unasked.err);
    for (arguments, stage) in [
        (&["new", "bet"][..], "session"),
        (&["check", "."], "stimuli"),
        (&["predict", "."], "differences"),
        (&["render", ".", "--out", "wav"], "stimuli"),
        (&["plan", "--proportion", "0.75"], "statistics"),
        (&["run", ".", "--listener", "Ada", "--simulate", "1", "--output", "silent"], "sitting"),
        (&["score", "sittings"], "statistics"),
        (&["verify", "sittings"], "journals"),
        (&["report", "."], "journals"),
        (&["bench", "sweep", "--out", "sweep.wav"], "bench"),
    ] {
        let ran = earwitness(folder.path(), &[arguments, &["--timings"]].concat());
        assert_eq!(ran.code, 0, "{arguments:?}: {}", ran.err);
        let after = ran.err.split(told).nth(1).unwrap_or_else(|| panic!("{arguments:?}: {}", ran.err));
        let figures = |name: &str| {
            let line = after.lines().find(|line| line.starts_with(&format!("{name:<24}")));
            let line = line.unwrap_or_else(|| panic!("{arguments:?} has no {name}: {after}"));
            let mut words = line[24..].split_whitespace();
            let mut number = || words.next().and_then(|word| word.parse::<f64>().ok()).expect("a number");
            (number(), number(), number())
        };
        let (seconds, processor, memory) = figures("all");
        assert!(seconds >= 0.0 && processor > 0.0 && memory > 1.0, "{arguments:?}: {after}");
        assert!(figures(stage).0 <= seconds, "{arguments:?}: {after}");
        assert!(!ran.out.contains("processor seconds"), "results alone are on standard output");
    }
}

#[test]
fn comparisons_of_the_same_cables_on_the_same_clip_are_computed_once() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let short = "synth = \"plucked-strings\"\nlength = \"0.5 s\"";
    material::session(folder.path(), short, material::PAIR, material::RESISTOR);
    let file = folder.path().join("session.toml");
    let session = std::fs::read_to_string(&file).expect("a session");
    let from = session.find("[[comparisons]]").expect("a comparison");
    let comparison = session[from..].split("\n[").next().expect("its table").to_owned();
    let name = comparison.split('"').nth(1).expect("its name");
    let processor = |more: usize| -> f64 {
        let again: Vec<String> =
            (0..more).map(|number| comparison.replace(name, &format!("c{number}"))).collect();
        let again = again.join("\n");
        std::fs::write(&file, format!("{session}\n{again}")).expect("written");
        let ran = earwitness(folder.path(), &["check", ".", "--timings", "--output", "silent"]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        let line = ran.err.lines().find(|line| line.starts_with("clips to an ear")).expect("the stage");
        line.split_whitespace().nth(5).and_then(|word| word.parse().ok()).expect("processor seconds")
    };
    let (one, many) = (processor(0), processor(100));
    assert!(many < 10.0 * one + 0.1, "one comparison took {one} s, a hundred more {many} s");
}
