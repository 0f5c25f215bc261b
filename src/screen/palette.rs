//! Weight and one accent, readable on any background.
//!
//! Text always has the terminal's own colour: whoever chose black, white or cream chose a colour for letters that can be
//! read on it. Emphasis is weight and reversal; lines that only hold things together are dim. The accent is a teal that
//! stands out by at least 3:1 (WCAG 2.2, 1.4.11) from black, white and the usual tinted backgrounds; it only ever colours
//! shapes, each of which says the same without it.

use ratatui::style::{Color, Modifier, Style};

/// The accent of shapes: number 30 of the 256 colours, the same teal on every terminal.
pub const ACCENT: Color = Color::Indexed(30);

/// How things look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Palette {
    coloured: bool,
    ascii: bool,
}

impl Palette {
    /// With the accent.
    pub fn coloured() -> Self {
        Self { coloured: true, ascii: false }
    }

    /// Without colours: weight and reversal only.
    pub fn plain() -> Self {
        Self { coloured: false, ascii: false }
    }

    /// The same, drawn with nothing but the characters of ASCII.
    #[must_use]
    pub fn in_ascii(self) -> Self {
        Self { ascii: true, ..self }
    }

    /// Whether shapes are drawn with the characters of ASCII.
    pub fn is_ascii(self) -> bool {
        self.ascii
    }

    /// As the process's environment asks for: see [`Palette::of`].
    pub fn from_environment() -> Self {
        Self::of(|name| std::env::var(name).ok())
    }

    /// The palette for these variables of the environment. Without the accent if `NO_COLOR` is set and not empty, or if
    /// the terminal does not promise 256 colours (`TERM`, `COLORTERM`). In ASCII on a Linux console, whose font lacks most
    /// shapes, and where the locale (`LC_ALL`, else `LC_CTYPE`, else `LANG`) names another encoding than UTF-8.
    pub fn of(variable: impl Fn(&str) -> Option<String>) -> Self {
        let set = |name: &str| variable(name).filter(|value| !value.is_empty());
        let term = set("TERM").unwrap_or_default();
        let colours = term.contains("256") || set("COLORTERM").is_some();
        let locale = set("LC_ALL").or_else(|| set("LC_CTYPE")).or_else(|| set("LANG"));
        let other_encoding = locale.is_some_and(|name| {
            let name = name.to_ascii_lowercase();
            !name.contains("utf-8") && !name.contains("utf8")
        });
        let palette = if colours && set("NO_COLOR").is_none() { Self::coloured() } else { Self::plain() };
        if term == "linux" || other_encoding { palette.in_ascii() } else { palette }
    }

    /// Lines and frames that only hold things together; never text.
    pub fn line(self) -> Style {
        Style::new().add_modifier(Modifier::DIM)
    }

    /// Labels beside values.
    pub fn label(self) -> Style {
        Style::new()
    }

    /// Headings, what can be pressed, what is chosen, cautions.
    pub fn strong(self) -> Style {
        Style::new().add_modifier(Modifier::BOLD)
    }

    /// Shapes that show what sounds, how far something is, what was reached; never text.
    pub fn accent(self) -> Style {
        if self.coloured { self.strong().fg(ACCENT) } else { self.strong() }
    }

    /// A code for a camera: dark on light whatever the terminal's own colours are. Its light parts are drawn.
    pub fn code(self) -> Style {
        if self.coloured { Style::new().fg(Color::White).bg(Color::Black) } else { Style::new() }
    }

    /// A bar that must not be overlooked.
    pub fn bar(self) -> Style {
        self.strong().add_modifier(Modifier::REVERSED)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(variables: &[(&str, &str)]) -> Palette {
        Palette::of(|name| {
            variables.iter().find(|(given, _)| *given == name).map(|(_, value)| (*value).to_owned())
        })
    }

    #[test]
    fn the_environment_decides_about_colours_and_shapes() {
        assert_eq!(of(&[("TERM", "xterm-256color")]), Palette::coloured());
        assert_eq!(of(&[("TERM", "xterm-256color"), ("LANG", "de_DE.UTF-8")]), Palette::coloured());
        assert_eq!(of(&[("TERM", "xterm-256color"), ("NO_COLOR", "1")]), Palette::plain());
        assert_eq!(of(&[("TERM", "xterm-256color"), ("NO_COLOR", "")]), Palette::coloured());
        assert_eq!(of(&[("TERM", "xterm")]), Palette::plain());
        assert_eq!(of(&[("TERM", "xterm"), ("COLORTERM", "truecolor")]), Palette::coloured());
        assert_eq!(of(&[("TERM", "linux")]), Palette::plain().in_ascii());
        assert_eq!(of(&[("TERM", "vt220"), ("LANG", "C")]), Palette::plain().in_ascii());
        let latin = of(&[("TERM", "xterm-256color"), ("LC_ALL", "fr_FR.ISO-8859-1"), ("LANG", "fr_FR.utf8")]);
        assert_eq!(latin, Palette::coloured().in_ascii());
    }
}
