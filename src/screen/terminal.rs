//! Raw mode and back, whatever happens; what the terminal sends, as [`Input`].

use std::io::{self, IsTerminal, Write};
use std::mem::ManuallyDrop;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use crossterm::event::{
    self, DisableBracketedPaste, DisableMouseCapture, EnableBracketedPaste, EnableMouseCapture, Event,
    KeyCode, KeyEvent, KeyEventKind, KeyModifiers, MouseButton, MouseEventKind,
};
use crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode};
use crossterm::{cursor, execute};
use ratatui::backend::CrosstermBackend;
use ratatui::layout::Rect;
use ratatui::{Terminal, TerminalOptions, Viewport};

use super::keys::{Input, Key};
use super::model::Model;
use super::palette::Palette;
use super::render::render;
use super::scene::{Intent, Scene};
use super::update::update;
use crate::system::{self, Output, Typing, is_hung_up};

/// The terminal is in raw mode and on the other screen now.
static TAKEN: AtomicBool = AtomicBool::new(false);

/// A way to the terminal that waits for nobody: the process may hold standard output's lock while a panic elsewhere
/// has to restore the terminal.
pub fn writer() -> io::Result<Output> {
    system::standard_output()
}

/// Both ends of the program are a terminal.
pub fn is_there() -> bool {
    io::stdin().is_terminal() && io::stdout().is_terminal()
}

/// How many columns the terminal has; `None` where it does not say.
pub fn columns() -> Option<usize> {
    crossterm::terminal::size().ok().map(|(columns, _)| usize::from(columns)).filter(|columns| *columns > 0)
}

/// The terminal that [is there](is_there) can only print lines, and says so: `TERM` is `dumb`.
pub fn is_dumb() -> bool {
    std::env::var_os("TERM").is_some_and(|term| term == "dumb")
}

/// Gives the terminal back as it was. Safe to call at any time, from anywhere, more than once.
pub fn restore() {
    show_typing();
    if TAKEN.swap(false, Ordering::SeqCst) {
        if let Ok(mut out) = writer() {
            let _ =
                execute!(out, DisableBracketedPaste, DisableMouseCapture, LeaveAlternateScreen, cursor::Show);
        }
        let _ = disable_raw_mode();
    }
}

/// Holds the terminal; gives it back when dropped, also by a panic.
#[derive(Debug)]
pub struct Hold(());

impl Hold {
    /// Takes the terminal: raw mode, the other screen, mouse. A panic anywhere restores it before its message is
    /// written.
    pub fn take() -> io::Result<Self> {
        static HOOK: std::sync::Once = std::sync::Once::new();
        HOOK.call_once(|| {
            let before = std::panic::take_hook();
            std::panic::set_hook(Box::new(move |information| {
                restore();
                before(information);
            }));
        });
        enable_raw_mode()?;
        // From now on another size is noticed, also one that comes before the first key is waited for.
        let _ = event::poll(Duration::ZERO);
        TAKEN.store(true, Ordering::SeqCst);
        let hold = Self(());
        execute!(writer()?, EnterAlternateScreen, EnableMouseCapture, EnableBracketedPaste)?;
        Ok(hold)
    }
}

impl Drop for Hold {
    fn drop(&mut self) {
        restore();
    }
}

/// How standard input's terminal was set before it was told to show nothing; `None` while it shows what is typed.
static SHOWING: Mutex<Option<Typing>> = Mutex::new(None);

/// What is typed is not shown while this lives. For lines: the terminal stays in its usual mode.
#[derive(Debug)]
pub struct Hidden(());

impl Hidden {
    /// Turns the echo of standard input off; `None` where standard input is no terminal, so that nothing could be hidden.
    pub fn take() -> io::Result<Option<Self>> {
        if !io::stdin().is_terminal() {
            return Ok(None);
        }
        let before = Typing::now()?;
        let hidden = before.hidden();
        // Before anything is changed, so that whoever ends the program can always change it back.
        SHOWING.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(before);
        let hold = Self(());
        hidden.set()?;
        Ok(Some(hold))
    }
}

impl Drop for Hidden {
    fn drop(&mut self) {
        show_typing();
    }
}

/// Lets the terminal show again what is typed.
fn show_typing() {
    if let Some(before) = SHOWING.lock().unwrap_or_else(PoisonError::into_inner).take() {
        let _ = before.set();
    }
}

/// Where input comes from: a terminal, or a list in a test.
pub trait InputSource {
    /// The next input, or `None` when nothing came within this time.
    fn next(&mut self, wait: Duration) -> io::Result<Option<Input>>;
    /// Size of the terminal in columns and rows.
    fn size(&self) -> io::Result<(u16, u16)>;
    /// The terminal is gone: its window was closed, or the connection broke. It then reads as an interrupt for ever.
    fn is_closed(&self) -> bool {
        false
    }
}

/// Most columns and rows that are drawn.
const LARGEST: (u16, u16) = (1000, 500);

/// The process's terminal as a source.
#[derive(Debug, Default)]
pub struct Keyboard;

impl InputSource for Keyboard {
    fn next(&mut self, wait: Duration) -> io::Result<Option<Input>> {
        if self.is_closed() {
            return Ok(Some(Input::Key(Key::Interrupt)));
        }
        // With no time at all, crossterm would not look.
        match event::poll(wait.max(Duration::from_millis(1))) {
            Ok(false) => Ok(None),
            Ok(true) => Ok(translate(&event::read()?)),
            Err(_) if self.is_closed() => Ok(Some(Input::Key(Key::Interrupt))),
            Err(error) => Err(error),
        }
    }

    fn size(&self) -> io::Result<(u16, u16)> {
        // A terminal may claim any size, and every cell of the screen takes memory.
        crossterm::terminal::size().map(|(columns, rows)| (columns.min(LARGEST.0), rows.min(LARGEST.1)))
    }

    fn is_closed(&self) -> bool {
        is_hung_up(&io::stdin())
    }
}

/// An event of the terminal as an input; `None` for what has no meaning here.
fn translate(event: &Event) -> Option<Input> {
    match event {
        Event::Key(KeyEvent { code, modifiers, kind, .. }) if *kind != KeyEventKind::Release => {
            let control = modifiers.contains(KeyModifiers::CONTROL);
            let key = match code {
                KeyCode::Char('c' | 'C') if control => Key::Interrupt,
                KeyCode::Char(_) if control || modifiers.contains(KeyModifiers::ALT) => return None,
                KeyCode::Char(character) => Key::Character(*character),
                KeyCode::Enter => Key::Enter,
                KeyCode::Esc => Key::Escape,
                KeyCode::Backspace => Key::Backspace,
                KeyCode::Up => Key::Up,
                KeyCode::Down => Key::Down,
                KeyCode::Left => Key::Left,
                KeyCode::Right => Key::Right,
                KeyCode::PageUp => Key::PageUp,
                KeyCode::PageDown => Key::PageDown,
                KeyCode::Home => Key::Home,
                KeyCode::End => Key::End,
                KeyCode::Tab => Key::Tab,
                _ => return None,
            };
            Some(Input::Key(key))
        }
        Event::Mouse(mouse) => match mouse.kind {
            MouseEventKind::Down(MouseButton::Left) => {
                Some(Input::Click { column: mouse.column, row: mouse.row })
            }
            MouseEventKind::ScrollUp => Some(Input::Wheel(-1)),
            MouseEventKind::ScrollDown => Some(Input::Wheel(1)),
            _ => None,
        },
        Event::Paste(text) => Some(Input::Paste(text.clone())),
        Event::Resize(..) => Some(Input::Resize),
        _ => None,
    }
}

/// The screen: scenes in, intents out, bytes to a writer.
pub struct Screen<S: InputSource, W: Write> {
    source: S,
    /// Never dropped: its own way of showing the cursor again panics where the terminal is gone, and [`Hold`] does it.
    terminal: ManuallyDrop<Terminal<CrosstermBackend<W>>>,
    model: Model,
    palette: Palette,
    scene: Option<Scene>,
}

impl<S: InputSource, W: Write> Screen<S, W> {
    /// A screen that reads from `source` and draws to `writer`, as large as the source says.
    pub fn new(source: S, writer: W, palette: Palette) -> io::Result<Self> {
        let (columns, rows) = source.size()?;
        let terminal = Terminal::with_options(
            CrosstermBackend::new(writer),
            TerminalOptions { viewport: Viewport::Fixed(Rect::new(0, 0, columns, rows)) },
        )?;
        let terminal = ManuallyDrop::new(terminal);
        Ok(Self { source, terminal, model: Model::new(columns, rows), palette, scene: None })
    }

    /// Draws a scene; only what has changed is sent.
    pub fn show(&mut self, scene: &Scene) -> io::Result<()> {
        self.model.meet(scene);
        let drawn = self.draw(scene);
        // A closed terminal is no failure: the next input is the wish to leave, and the sitting ends in good order.
        if !self.source.is_closed() {
            drawn?;
        }
        self.scene = Some(scene.clone());
        Ok(())
    }

    fn draw(&mut self, scene: &Scene) -> io::Result<()> {
        let (model, palette) = (&self.model, self.palette);
        self.terminal.draw(|frame| render(model, scene, palette, frame))?;
        Ok(())
    }

    /// Waits at most this long for one input and says what the listener wants by it.
    pub fn wait(&mut self, wait: Duration) -> io::Result<Vec<Intent>> {
        let Some(input) = self.source.next(wait)? else { return Ok(Vec::new()) };
        if self.source.is_closed() {
            // Nobody is there to see anything; a page that stays up must not take a whole core.
            std::thread::sleep(wait.min(Duration::from_millis(10)));
        } else if input == Input::Resize {
            let (columns, rows) = self.source.size()?;
            (self.model.columns, self.model.rows) = (columns, rows);
            self.terminal.resize(Rect::new(0, 0, columns, rows))?;
        }
        let Some(scene) = self.scene.take() else { return Ok(Vec::new()) };
        let intents = update(&mut self.model, &scene, &input);
        // What only the screen remembers (typing, scrolling, help) is drawn at once.
        if intents.is_empty() && !self.source.is_closed() {
            self.draw(&scene)?;
        }
        self.scene = Some(scene);
        Ok(intents)
    }
}
