//! The commented session that `earwitness new` writes.

use crate::stats::Protocol;
use crate::stats::protocol::Definition;

/// Text of a valid session with every common key explained.
pub fn template() -> String {
    let remarks = Protocol::ALL.map(|own| format!("# {:<14} {}", Definition::of(own).name, own.about()));
    include_str!("template.toml").replacen("# {protocols}", &remarks.join("\n"), 1)
}

/// The built-in session of `earwitness demo`: invented cables, an invented loudspeaker, a synthesised clip.
pub const DEMO: &str = include_str!("demo.toml");

/// What makes it look for a threshold.
pub const THRESHOLD: &str = "
[threshold]
scale = \"multiple\"
smallest = 0.2
largest = 8
trials = 20
";
