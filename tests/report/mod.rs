//! The report on invented sittings.

mod browser;
mod command;
mod copies;
mod documents;
mod golden;
mod gone;
mod many;
pub(crate) mod material;
mod numbers;
mod privacy;
pub(crate) mod self_check;
mod states;
mod tables;
mod training;

use earwitness::evidence::{self, Options};
use earwitness::report::model::Report;
use earwitness::report::{self, export, page};
use material::Site;

/// The report of a site's own sittings.
fn report_of(site: &Site) -> Report {
    report_with(site, Options::default())
}

pub(crate) fn report_with(site: &Site, options: Options) -> Report {
    let readings =
        vec![evidence::folder(&site.session.sittings_folder(), None).expect("the folder can be read")];
    report::report(&site.session, readings, options)
}

pub(crate) fn csv_of(report: &Report) -> String {
    let mut out = Vec::new();
    export::csv(report, &mut out).expect("memory can be written");
    String::from_utf8(out).expect("CSV is UTF-8")
}

pub(crate) fn json_of(report: &Report) -> String {
    let mut out = Vec::new();
    export::json(report, &mut out).expect("memory can be written");
    String::from_utf8(out).expect("JSON is UTF-8")
}

/// A page without the journals in it: they are whole, or their chain could not be checked, and so they name the device.
fn without_journals(page: &str) -> String {
    let mut page = page.to_owned();
    while let Some(from) = page.find("<pre class=\"self-check-journal\"") {
        let length = page[from..].find("</pre>").expect("its end");
        page.replace_range(from..from + length, "");
    }
    page
}

/// Every surface of a report in one text.
fn everything(report: &Report) -> String {
    [
        page::page(report),
        page::certificates(report),
        csv_of(report),
        json_of(report),
        report::summary(report).join("\n"),
    ]
    .join("\n")
}

pub(crate) fn kinds(report: &Report) -> Vec<&'static str> {
    report.caveats.iter().map(|caveat| caveat.kind.name()).collect()
}
