//! The commented session that `earwitness new` writes.

/// Text of a valid session with every common key explained.
pub const TEMPLATE: &str = include_str!("template.toml");

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
