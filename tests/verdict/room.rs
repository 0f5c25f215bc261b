//! A room shares its draws: its controls too, and who was there is one rule.

use crate::report::kinds;
use crate::report::material::{Plan, SESSION, Site};

use super::report_of;

/// Two identical controls and twelve phones that answer "a" whatever they hear: in half of the nights all are right in both
/// or in neither. That proves nothing but the draw.
#[test]
fn phones_that_answer_alike_are_no_leak() {
    let mut both_right = 0;
    for seed in 0..8 {
        let mut site = Site::new(&SESSION.replace("confidence = true\n", ""));
        let seats = (0..12).map(|seat| (format!("Seat{seat}"), 0.5)).collect();
        site.hold(&Plan { seats, always: Some(0), ..Plan::new("Host", seed, 0.5) });
        let report = report_of(&site);
        let control = report.controls.iter().find(|control| !control.positive).expect("identical");
        assert!(control.trials > 0);
        both_right += u32::from(control.correct == control.trials);
        assert!(!kinds(&report).contains(&"leak"), "seed {seed}: {} of {}", control.correct, control.trials);
    }
    assert!(both_right > 0, "the fixture has the nights that were believed to leak");
}

/// Listeners with draws of their own who are right where nothing can be heard are one.
#[test]
fn listeners_who_are_right_where_nothing_can_be_heard_are_a_leak() {
    let mut site =
        Site::new(&SESSION.replace("kind = \"identical\"\ntrials = 2", "kind = \"identical\"\ntrials = 8"));
    for seed in 0..3 {
        site.hold(&Plan { knows: true, ..Plan::new(&format!("L{seed}"), seed, 0.9) });
    }
    assert!(kinds(&report_of(&site)).contains(&"leak"));
}
