use super::material::{Plan, Site, SESSION};
use earwitness::report::{self, Options, page, export};

#[test]
fn write_samples() {
    let mut site = Site::new(SESSION);
    site.hold(&Plan::new("Ada", 1, 0.95));
    site.hold(&Plan::new("Bel", 2, 0.5));
    site.hold(&Plan::new("Cas", 3, 0.5));
    site.hold(&Plan { stop: Some((5, true)), ..Plan::new("Dov", 4, 0.5) });
    site.hold(&Plan { stop: Some((5, false)), ..Plan::new("Eli", 5, 0.5) });
    site.hold(&Plan { simulated: Some(0.9), ..Plan::new("Fay", 6, 0.9) });
    site.hold(&Plan { void_every: 5, ..Plan::new("<script>alert(1)</script>", 7, 0.5) });
    let readings = vec![report::folder(&site.session.sittings_folder(), None).expect("reads")];
    let report = report::report(&site.session, readings, Options::default());
    std::fs::create_dir_all("/tmp/report-sample").unwrap();
    std::fs::write("/tmp/report-sample/report.html", page::page(&report)).unwrap();
    std::fs::write("/tmp/report-sample/certificates.html", page::certificates(&report)).unwrap();
    let mut out = Vec::new();
    export::csv(&report, &mut out).unwrap();
    std::fs::write("/tmp/report-sample/report.csv", out).unwrap();
    let mut out = Vec::new();
    export::json(&report, &mut out).unwrap();
    std::fs::write("/tmp/report-sample/report.json", out).unwrap();
    println!("{}", report::summary(&report).join("\n"));
}
