//! One judge: what counts, what is missing and what it proves is decided in one place, and every surface says the same.

mod agreement;
mod believed;
mod caveats;
mod family;
mod panel;
mod room;

use earwitness::evidence::Options;
use earwitness::report::model::Report;

use crate::report::material::Site;

fn report_of(site: &Site) -> Report {
    crate::report::report_with(site, Options::default())
}
