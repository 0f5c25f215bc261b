//! A folder of many sittings. `EARWITNESS_SOAK=500` makes it a panel of five hundred.

use super::material::{Plan, SESSION, Site};
use crate::commands::{json, succeeded};

#[test]
fn a_folder_of_many_sittings_is_verified_and_reported_whole() {
    let count = std::env::var("EARWITNESS_SOAK").map_or(24, |count| count.parse().expect("a number"));
    let mut site = Site::new(SESSION);
    for number in 0..count {
        site.hold(&Plan::new(&format!("Listener {number}"), number + 1, 0.5 + 0.4 * (number % 2) as f64));
    }
    let verified = json(site.path(), &["verify", ".", "--json"]);
    assert_eq!(verified["journals"].as_array().expect("journals").len() as u64, count);
    let started = std::time::Instant::now();
    let ran = succeeded(site.path(), &["report", ".", "--timings"]);
    println!("{count} sittings: report {:?}\n{}", started.elapsed(), ran.err);
    let report = json(site.path(), &["report", ".", "--json"]);
    let counted =
        report["sittings"].as_array().expect("sittings").iter().filter(|sitting| sitting["counted"] == true);
    assert_eq!(counted.count() as u64, count);
    assert_eq!(report["register"]["problem"], serde_json::Value::Null);
}
