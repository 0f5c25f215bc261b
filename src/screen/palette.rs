//! Colours, and their absence.
//!
//! Every meaning is also said by a word, a symbol or weight: colour only repeats it. The two accents, cyan and yellow,
//! stay apart for every common kind of colour blindness; red and green are not used.

use ratatui::style::{Color, Modifier, Style};

/// How things look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Palette {
    coloured: bool,
}

impl Palette {
    /// With colours.
    pub fn coloured() -> Self {
        Self { coloured: true }
    }

    /// Without: weight and reversal only.
    pub fn plain() -> Self {
        Self { coloured: false }
    }

    /// Without colours if `NO_COLOR` is set and not empty, or if the terminal says that it is dumb.
    pub fn from_environment() -> Self {
        let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
        let dumb = set("TERM").is_some_and(|term| term == "dumb");
        Self { coloured: set("NO_COLOR").is_none() && !dumb }
    }

    fn with(self, color: Color, modifier: Modifier) -> Style {
        let style = Style::new().add_modifier(modifier);
        if self.coloured { style.fg(color) } else { style }
    }

    /// Lines and frames that only hold things together.
    pub fn quiet(self) -> Style {
        self.with(Color::DarkGray, Modifier::empty())
    }

    /// Labels beside values.
    pub fn label(self) -> Style {
        self.with(Color::Gray, Modifier::empty())
    }

    /// Headings.
    pub fn heading(self) -> Style {
        Style::new().add_modifier(Modifier::BOLD)
    }

    /// What is sounding now, and what can be pressed.
    pub fn live(self) -> Style {
        self.with(Color::Cyan, Modifier::BOLD)
    }

    /// What asks for attention: cautions, marks, a choice that waits to be confirmed.
    pub fn attention(self) -> Style {
        self.with(Color::Yellow, Modifier::BOLD)
    }

    /// A code for a camera: dark on light whatever the terminal's own colours are. Its light parts are drawn.
    pub fn code(self) -> Style {
        if self.coloured { Style::new().fg(Color::White).bg(Color::Black) } else { Style::new() }
    }

    /// A bar that must not be overlooked.
    pub fn bar(self) -> Style {
        self.attention().add_modifier(Modifier::REVERSED)
    }
}
