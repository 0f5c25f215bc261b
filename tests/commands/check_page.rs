//! `check` on one screen: what a person sees of a session before anybody listens.

use super::{material, succeeded};
use std::path::Path;

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_shipped_bet_and_night_fit_a_screen_and_say_what_matters() {
    let sessions = Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions");
    for (name, most, words) in [
        (
            "bet-at-home",
            41,
            [
                "12 of 16 right",
                "once in 26 tests",
                "Ida claims",
                "Find Ida's smallest audible step first",
                "at 480 Hz",
                "On drums",
            ],
        ),
        (
            "club-night",
            40,
            [
                "9 of 10 right",
                "once in 93 tests",
                "difference in level",
                "almost nothing else",
                "On plucked",
                "loop resistance",
            ],
        ),
    ] {
        let page = succeeded(&sessions, &["check", name, "--output", "silent"]).out;
        assert!((24..=most).contains(&page.lines().count()), "{} lines: {page}", page.lines().count());
        assert!(page.lines().all(|line| line.chars().count() <= 100), "{page}");
        let said = one_line(&page);
        for word in words.into_iter().chain([
            "[1]",
            "Jesteadt",
            "Be careful",
            "running amplifier",
            "--witness",
            "--full",
        ]) {
            assert!(said.contains(word), "{name}: \"{word}\" is missing in\n{page}");
        }
        // Each source once.
        assert_eq!(said.matches("Jesteadt").count(), 1, "{page}");
        let full = succeeded(&sessions, &["check", name, "--full", "--output", "silent"]).out;
        assert!(full.lines().count() > page.lines().count() + 15, "{full}");
        assert!(full.contains("How you could still be cheated") && full.contains("filters of"), "{full}");
    }
}

#[test]
fn a_difference_that_is_level_alone_is_called_that() {
    let folder = tempfile::tempdir().expect("a folder");
    let here = folder.path();
    // By hand: two metres of 0.2 mm2 have 0.172 ohm in front of 8.02 ohm, 0.184 dB; its skin effect and inductance are nothing.
    let cable = "construction = \"parallel-pair\"\nlength = \"1 m\"\nconductor = \"0.2 mm2\"\nspacing = \"2.9 mm\"\npermittivity = 4.0";
    material::session(here, material::SYNTH, cable, material::RESISTOR);
    let said = one_line(&succeeded(here, &["check", ".", "--output", "silent"]).out);
    assert!(said.contains("This is a difference in level of 0.18 dB and nothing else."), "{said}");
}
