//! Several journals of one sitting: it counts once, or not at all where they contradict each other.

use earwitness::evidence::{Options, State, folder};
use earwitness::report::{page, report};

use super::material::{Plan, SESSION, Site};
use super::{kinds, report_of};

#[test]
fn a_sitting_counts_once_however_many_copies_of_its_journal_there_are() {
    let mut site = Site::new(SESSION);
    let ada = site.hold(&Plan::new("Ada", 1, 0.9));
    site.hold(&Plan::new("Bel", 2, 0.9));
    let alone = report_of(&site);
    assert_eq!(alone.comparisons[0].trials, 24);
    // A copy beside it, a shorter state of the same sitting, and a copy in the folder of another place.
    let bytes = std::fs::read(&ada).expect("the journal");
    std::fs::write(ada.with_file_name("copy.jsonl"), &bytes).expect("written");
    let other = Site::new(SESSION);
    let earlier = other.path().join("sittings/0-earlier.jsonl");
    std::fs::write(earlier, &bytes[..bytes.len() / 2]).expect("written");
    std::fs::copy(&ada, other.path().join("sittings/theirs.jsonl")).expect("copied");
    let readings = [(&site, "here"), (&other, "there")].map(|(site, name)| {
        folder(&site.session.sittings_folder(), Some(name.to_owned())).expect("readable")
    });
    let report = report(&site.session, readings.into(), Options::default());
    assert_eq!(report.comparisons[0].trials, 24);
    assert_eq!((report.sittings.len(), report.listeners.len()), (2, 2));
    let left_out: Vec<&str> = report.unusable.iter().map(|file| file.file.as_str()).collect();
    assert_eq!(left_out, ["copy.jsonl", "0-earlier.jsonl", "theirs.jsonl"]);
    assert!(report.unusable.iter().all(|file| file.reason.contains("the same sitting as another journal")));
    assert!(page::page(&report).contains("a sitting counts once"));
    assert!(kinds(&report).contains(&"invalid-journals"));
}

#[test]
fn two_ends_of_one_sitting_contradict_each_other_and_neither_counts() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.9));
    // The same secret, and other answers: one of the two was written anew.
    let mut other = Site::new(SESSION);
    other.hold(&Plan::new("Ada", 1, 0.1));
    let readings =
        [&site, &other].map(|site| folder(&site.session.sittings_folder(), None).expect("readable"));
    let report = report(&site.session, readings.into(), Options::default());
    assert_eq!(report.comparisons[0].trials, 0);
    assert!(report.sittings.iter().all(|sitting| sitting.state == State::Invalid && !sitting.counted));
    assert!(page::page(&report).contains("the same seal and other records"));
}

#[test]
fn a_journal_of_other_terms_takes_nothing_from_the_one_of_its_seal_that_holds() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.9));
    let mut other = Site::new(SESSION);
    other.session.alpha = 0.4;
    other.hold(&Plan::new("Ada", 1, 0.1));
    for order in [[&site, &other], [&other, &site]] {
        let readings = order.map(|site| folder(&site.session.sittings_folder(), None).expect("readable"));
        let report = report(&site.session, readings.into(), Options::default());
        assert_eq!(report.comparisons[0].trials, 12);
        assert_eq!(report.sittings.iter().filter(|sitting| sitting.state == State::Complete).count(), 1);
        assert!(report.unusable[0].reason.contains("the seal of another journal"), "{:?}", report.unusable);
    }
}
