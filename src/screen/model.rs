//! What the screen itself remembers.

use super::scene::{Scene, Stage};

/// What lies over a stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Overlay {
    /// Nothing.
    #[default]
    None,
    /// Every key.
    Keys,
    /// The question whether to leave.
    Leave,
    /// The text behind a key of the page, by its place.
    Fold(usize),
}

/// What the screen itself remembers between two frames: nothing of the sitting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Model {
    /// Width of the terminal in cells.
    pub columns: u16,
    /// Height of the terminal in cells.
    pub rows: u16,
    /// What lies over the stage.
    pub overlay: Overlay,
    /// Lines scrolled down.
    pub scroll: u16,
    /// First line of what lies over the stage: the keys, or the text behind one.
    pub keys_from: u16,
    /// What has been typed so far.
    pub typed: String,
    /// The page that `scroll` and `typed` belong to.
    page: Option<u64>,
    /// Its heading: another one on the same page starts at the top too, and what is typed stays.
    heading: String,
}

impl Model {
    /// A model for a terminal of this size in cells.
    pub fn new(columns: u16, rows: u16) -> Self {
        Self {
            columns,
            rows,
            overlay: Overlay::None,
            scroll: 0,
            keys_from: 0,
            typed: String::new(),
            page: None,
            heading: String::new(),
        }
    }

    /// Takes note of what is shown now: a new page starts at its top with an empty line.
    pub fn meet(&mut self, scene: &Scene) {
        let page = match &scene.stage {
            Stage::Page(page) => Some(page.id),
            Stage::Trial(_) => None,
        };
        if page != self.page {
            self.page = page;
            self.scroll = 0;
            self.typed.clear();
            self.overlay = Overlay::None;
        }
        if let Stage::Page(page) = &scene.stage
            && page.heading != self.heading
        {
            self.scroll = 0;
            self.heading.clone_from(&page.heading);
        }
    }
}
