//! The real program in a pseudo-terminal.

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use portable_pty::{Child, CommandBuilder, PtySize, native_pty_system};

use super::rig;
use crate::commands::PROGRAM;

/// Long enough for a busy machine; nothing waits for it when all is well.
const PATIENCE: Duration = Duration::from_secs(60);

/// A program in a terminal.
pub(crate) struct Terminal {
    child: Box<dyn Child + Send + Sync>,
    keys: Box<dyn Write + Send>,
    bytes: Arc<Mutex<Vec<u8>>>,
    size: (u16, u16),
    /// Keeps the terminal open.
    master: Box<dyn portable_pty::MasterPty + Send>,
}

impl Terminal {
    pub(crate) fn start(
        folder: &Path,
        program: &Path,
        arguments: &[&str],
        variables: &[(&str, &str)],
    ) -> Self {
        let size = (80, 24);
        let pair = native_pty_system()
            .openpty(PtySize { cols: size.0, rows: size.1, pixel_width: 0, pixel_height: 0 })
            .expect("a pseudo-terminal");
        let mut command = CommandBuilder::new(program);
        command.args(arguments);
        command.cwd(folder);
        command.env("TERM", "xterm-256color");
        command.env_remove("NO_COLOR");
        for (name, value) in variables {
            command.env(name, value);
        }
        let child = pair.slave.spawn_command(command).expect("the program starts");
        drop(pair.slave);
        let bytes = Arc::new(Mutex::new(Vec::new()));
        let mut reader = pair.master.try_clone_reader().expect("a reader");
        let seen = Arc::clone(&bytes);
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(count @ 1..) = reader.read(&mut buffer) {
                seen.lock().expect("nobody panicked").extend_from_slice(&buffer[..count]);
            }
        });
        let keys = pair.master.take_writer().expect("a writer");
        Self { child, keys, bytes, size, master: pair.master }
    }

    fn sitting(folder: &Path, arguments: &[&str]) -> Self {
        let all = [&["run", ".", "--listener", "Mara", "--output", "silent"], arguments].concat();
        Self::start(folder, Path::new(PROGRAM), &all, &[])
    }

    pub(super) fn bytes(&self) -> Vec<u8> {
        self.bytes.lock().expect("nobody panicked").clone()
    }

    fn parser(&self) -> vt100::Parser {
        let cells = |count: u16| count.try_into().expect("not 0");
        let mut parser = vt100::Parser::new(cells(self.size.1), cells(self.size.0), 0);
        parser.process(&self.bytes());
        parser
    }

    /// Gives the terminal another size; the program draws anew.
    pub(crate) fn resize(&mut self, (cols, rows): (u16, u16)) {
        // What was drawn at the old size is of no use at the new one.
        self.bytes.lock().expect("nobody panicked").clear();
        self.size = (cols, rows);
        let size = PtySize { cols, rows, pixel_width: 0, pixel_height: 0 };
        self.master.resize(size).expect("it can be resized");
    }

    /// The screen as a grey picture, two square dots to a cell's height: columns, rows, a byte for each dot.
    pub(crate) fn picture(&self) -> (usize, usize, Vec<u8>) {
        let grey = |color: vt100::Color, usual: u8| match color {
            vt100::Color::Default => usual,
            vt100::Color::Idx(index) => {
                if matches!(index, 0 | 8 | 16) {
                    0
                } else {
                    255
                }
            }
            vt100::Color::Rgb(red, ..) => red,
        };
        let parser = self.parser();
        let (columns, rows) = (usize::from(self.size.0), 2 * usize::from(self.size.1));
        let mut dots = Vec::with_capacity(columns * rows);
        for row in 0..rows as u16 {
            for column in 0..self.size.0 {
                let cell = parser.screen().cell(row / 2, column).expect("a cell");
                let drawn = match cell.contents() {
                    "█" => true,
                    "▀" => row % 2 == 0,
                    "▄" => row % 2 == 1,
                    _ => false,
                };
                dots.push(if drawn { grey(cell.fgcolor(), 255) } else { grey(cell.bgcolor(), 0) });
            }
        }
        (columns, rows, dots)
    }

    pub(crate) fn screen(&self) -> String {
        self.parser().screen().contents()
    }

    /// Waits until one of these is on the screen; says which.
    pub(crate) fn wait(&self, texts: &[&str]) -> usize {
        let started = Instant::now();
        loop {
            let screen = self.screen();
            if let Some(index) = texts.iter().position(|text| screen.contains(text)) {
                return index;
            }
            assert!(started.elapsed() < PATIENCE, "{texts:?} never came; the screen shows\n{screen}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub(crate) fn press(&mut self, keys: &str) {
        self.keys
            .write_all(keys.as_bytes())
            .and_then(|()| self.keys.flush())
            .expect("the terminal takes keys");
    }

    /// From the terms to the announcement of the first part.
    fn agree(&mut self) {
        while self.wait(&["Enter accept", "Enter read on", "The seal:"]) < 2 {
            self.press("\r");
            std::thread::sleep(Duration::from_millis(150));
        }
        self.wait(&["Mara, your hand"]);
        self.press("amber river\r");
        self.wait(&["Another hand"]);
        self.press("\r");
        self.wait(&["The trials that count"]);
        self.press("\r");
    }

    /// Waits until everything that is asked about has been heard for the agreed time.
    pub(crate) fn heard(&self) {
        let started = Instant::now();
        while self.screen().contains("not heard yet") {
            assert!(started.elapsed() < PATIENCE, "it is never heard; the screen shows\n{}", self.screen());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn trial(&mut self, number: u32, of: u32) {
        self.wait(&[&format!("Trial {number} of {of}")]);
        for key in ["a", "b", "x"] {
            self.press(key);
        }
        self.wait(&["you hear this"]);
        self.heard();
        self.press("j");
        self.wait(&["Enter records \"same as A\""]);
        self.press("\r");
    }

    /// Waits for the end; gives the exit status and everything that was printed after the screen closed.
    pub(crate) fn end(&mut self) -> (u32, String) {
        let started = Instant::now();
        let status = loop {
            if let Some(status) = self.child.try_wait().expect("the child can be asked") {
                break status;
            }
            assert!(started.elapsed() < PATIENCE, "it never ended; the screen shows\n{}", self.screen());
            std::thread::sleep(Duration::from_millis(20));
        };
        std::thread::sleep(Duration::from_millis(100));
        let bytes = self.bytes();
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let after = text.rsplit("\x1b[?1049l").next().unwrap_or_default().to_string();
        (status.exit_code(), after)
    }

    /// The terminal shows what is typed.
    pub(super) fn shows_typing(&self) -> bool {
        use rustix::termios::LocalModes;
        let name = self.master.tty_name().expect("a name");
        let terminal = std::fs::File::open(name).expect("the terminal is there");
        let modes = rustix::termios::tcgetattr(&terminal).expect("its modes");
        modes.local_modes.contains(LocalModes::ECHO)
    }

    pub(crate) fn signal(&self, signal: rustix::process::Signal) {
        let process = self.child.process_id().expect("a process") as i32;
        let process = rustix::process::Pid::from_raw(process).expect("not 0");
        rustix::process::kill_process(process, signal).expect("it can be signalled");
    }

    /// Insists that the terminal was given back: the usual screen, the cursor, no mouse, no bracketed paste.
    pub(crate) fn given_back(&self) {
        let parser = self.parser();
        let screen = parser.screen();
        assert!(!screen.alternate_screen() && !screen.hide_cursor(), "the other screen or no cursor");
        assert!(!screen.bracketed_paste(), "pasting is still marked");
        assert_eq!(screen.mouse_protocol_mode(), vt100::MouseProtocolMode::None);
    }
}

fn session(trials: u32) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a temporary folder");
    rig::session(folder.path(), "abx", trials, "", "");
    folder
}

fn journals(folder: &Path) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder.join("sittings"))
        .expect("sittings")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.to_string_lossy().ends_with("Mara.jsonl"))
        .collect();
    found.sort();
    found
}

#[test]
fn a_whole_sitting_by_keys() {
    crate::unless_sound_drops_out(|| {
        let folder = session(3);
        let mut terminal = Terminal::sitting(folder.path(), &[]);
        terminal.agree();
        for number in 1..=3 {
            terminal.trial(number, 3);
        }
        // The page is longer than the terminal: all that was on it is read together.
        let mut read = terminal.screen();
        while terminal.wait(&["Enter read on", "Enter trial by trial"]) == 0 {
            read += &terminal.screen();
            terminal.press("\r");
            std::thread::sleep(Duration::from_millis(150));
        }
        read += &terminal.screen();
        assert!(read.contains("This is no listening test"), "{read}");
        // Trial by trial, with open eyes; then back to the result.
        terminal.press("\r");
        terminal.wait(&["Trial 1 of 3: "]);
        terminal.press("n");
        terminal.wait(&["Trial 2 of 3: "]);
        assert!(terminal.screen().contains("You said: same as A."), "{}", terminal.screen());
        terminal.press("x");
        terminal.wait(&["you hear this"]);
        terminal.press("\x1b");
        terminal.wait(&["Enter read on", "Enter trial by trial"]);
        terminal.press("q");
        let (code, after) = terminal.end();
        assert_eq!(code, 0, "{after}");
        terminal.given_back();
        for words in [
            "Nothing was played.",
            "right of 3",
            "no listening test",
            "Your receipt",
            "Journal: ./sittings/",
            "earwitness verify ",
        ] {
            assert!(after.contains(words), "{words} is missing in\n{after}");
        }
        let journals = journals(folder.path());
        let checked = crate::trial::kit::check(&journals[0]);
        assert!(checked.is_sound(), "{:?}", checked.problems);
        assert_eq!(checked.hands[0].by, "Mara");
        assert_eq!(checked.hands[0].text(), "amber river");
        let receipt = checked.receipt.expect("a receipt").groups();
        // Long words go on in the next line.
        let in_one_line = after.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(in_one_line.contains(&receipt), "{receipt} is missing in\n{after}");
    });
}

#[test]
fn a_click_outside_of_the_screen_does_not_end_a_sitting() {
    let folder = session(4);
    let mut terminal = Terminal::sitting(folder.path(), &[]);
    terminal.wait(&["Enter accept", "Enter read on", "The seal:"]);
    // Cells are counted from 1 (XTerm Control Sequences, Mouse Tracking): SGR, the terminal's first form, urxvt's form, and the
    // answer to where the cursor is. A terminal that sends 0 is wrong; a person's sitting does not end for that.
    for report in
        ["\x1b[<0;0;0M", "\x1b[M   ", "\x1b[32;0;0M", "\x1b[0;0R", "\x1b[<0;0;7M", "\x1b[<0;65535;65535M"]
    {
        terminal.press(report);
    }
    terminal.agree();
    terminal.wait(&["Trial 1 of 4"]);
    terminal.press("\x1b[<0;0;0M");
    terminal.trial(1, 4);
    terminal.wait(&["Trial 2 of 4"]);
    terminal.press("\x03");
    assert_eq!(terminal.end().0, 1, "it was left, and goes on later");
}

#[test]
fn a_request_to_end_gives_the_terminal_back_and_the_sitting_goes_on_later() {
    crate::unless_sound_drops_out(|| {
        let folder = session(2);
        let mut terminal = Terminal::sitting(folder.path(), &[]);
        terminal.agree();
        terminal.trial(1, 2);
        terminal.wait(&["Trial 2 of 2"]);
        terminal.signal(rustix::process::Signal::TERM);
        let (code, after) = terminal.end();
        assert_eq!(code, 1, "{after}");
        terminal.given_back();
        assert!(after.contains("the same command resumes it"), "{after}");

        let mut again = Terminal::sitting(folder.path(), &[]);
        again.wait(&["You have an unfinished sitting."]);
        assert!(
            again.screen().contains("1 trials") || again.screen().contains("1 trial"),
            "{}",
            again.screen()
        );
        again.press("\r");
        again.wait(&["Mara, your hand"]);
        again.press("\r");
        again.wait(&["The trials that count"]);
        again.press("\r");
        // Nothing was wrong with the first one: its listener left.
        again.wait(&["Trial 2 of 2, second try: the first was not finished"]);
        again.trial(2, 2);
        again.wait(&["Enter read on", "Enter trial by trial"]);
        again.press("q");
        let (code, after) = again.end();
        assert_eq!(code, 0, "{after}");
        let journals = journals(folder.path());
        assert_eq!(journals.len(), 1, "it is one sitting");
        let checked = crate::trial::kit::check(&journals[0]);
        assert!(checked.is_sound() && checked.resumed == 1, "{:?}", checked.problems);
    });
}

#[test]
fn two_sittings_at_once_are_refused_and_an_interrupt_leaves() {
    let folder = session(2);
    let mut terminal = Terminal::sitting(folder.path(), &[]);
    terminal.agree();
    terminal.wait(&["Trial 1 of 2"]);
    let second = crate::commands::earwitness(
        folder.path(),
        &["run", ".", "--listener", "Tomas", "--output", "silent", "--simulate", "0.5"],
    );
    assert_eq!(second.code, 2, "{}", second.out);
    assert!(second.err.contains("another sitting is going on"), "{}", second.err);
    terminal.press("\x03");
    let (code, after) = terminal.end();
    assert_eq!(code, 1);
    assert!(after.contains("the same command resumes it"), "{after}");
    terminal.given_back();
}

#[test]
fn nothing_is_on_the_disk_before_the_terms_are_accepted() {
    let folder = session(2);
    let mut terminal = Terminal::sitting(folder.path(), &[]);
    terminal.wait(&["The terms"]);
    terminal.press("\x03");
    let (code, after) = terminal.end();
    assert_eq!(code, 1);
    assert!(after.contains("nothing was recorded"), "{after}");
    terminal.given_back();
    assert!(!folder.path().join("sittings").exists(), "nothing was opened, so nothing is there");
}

#[test]
fn a_journal_that_is_removed_stops_the_sitting_and_is_kept() {
    crate::unless_sound_drops_out(|| {
        let folder = session(3);
        let mut terminal = Terminal::sitting(folder.path(), &[]);
        terminal.agree();
        terminal.trial(1, 3);
        terminal.wait(&["Trial 2 of 3"]);
        let journal = journals(folder.path()).remove(0);
        let whole = std::fs::read(&journal).expect("the journal");
        std::fs::remove_file(&journal).expect("it is removed");
        terminal.trial(2, 3);
        terminal.wait(&["The sitting had to stop"]);
        terminal.press("\r");
        let (code, after) = terminal.end();
        assert_eq!(code, 2, "{after}");
        let name = journal.file_name().expect("a name").to_string_lossy().into_owned();
        let kept = folder.path().join(format!("kept-1-{name}"));
        assert!(
            std::fs::read(&kept).expect("what it held").starts_with(&whole),
            "all that was answered is kept"
        );
        // Put back under its name, the sitting goes on.
        std::fs::rename(&kept, &journal).expect("it is put back");
        let mut again = Terminal::sitting(folder.path(), &[]);
        again.wait(&["Answered"]);
        again.press("\x03");
        again.end();
    });
}

#[test]
fn a_folder_that_is_removed_with_its_secret_is_not_said_to_go_on() {
    crate::unless_sound_drops_out(|| {
        let folder = session(2);
        let mut terminal = Terminal::sitting(folder.path(), &[]);
        terminal.agree();
        terminal.wait(&["Trial 1 of 2"]);
        std::fs::remove_dir_all(folder.path().join("sittings")).expect("it is removed");
        terminal.trial(1, 2);
        terminal.wait(&["The sitting had to stop", "cannot go on"]);
        terminal.press("\r");
        let (code, after) = terminal.end();
        assert_eq!(code, 2, "{after}");
        assert!(!after.contains("to resume"), "{after}");
    });
}

#[test]
fn without_colour_no_colour_is_sent() {
    let folder = session(2);
    let arguments = ["run", ".", "--listener", "Mara", "--output", "silent"];
    let mut terminal = Terminal::start(folder.path(), Path::new(PROGRAM), &arguments, &[("NO_COLOR", "1")]);
    terminal.agree();
    terminal.wait(&["Trial 1 of 2"]);
    terminal.press("a");
    terminal.wait(&["you hear this"]);
    let parser = terminal.parser();
    for row in 0..24 {
        for column in 0..80 {
            let cell = parser.screen().cell(row, column).expect("inside");
            assert_eq!(cell.fgcolor(), vt100::Color::Default, "{row} {column}");
            assert_eq!(cell.bgcolor(), vt100::Color::Default, "{row} {column}");
        }
    }
    terminal.press("\x03");
    terminal.end();
}

#[test]
fn a_terminal_that_only_prints_gets_lines_and_one_without_shapes_gets_ascii() {
    let folder = session(2);
    let arguments = ["run", ".", "--listener", "Mara", "--output", "silent"];
    let mut dumb = Terminal::start(folder.path(), Path::new(PROGRAM), &arguments, &[("TERM", "dumb")]);
    dumb.wait(&["Press Enter: accept"]);
    assert!(!dumb.bytes().contains(&0x1b), "no escape sequence is sent to a terminal that knows none");
    dumb.press("\x03");
    dumb.end();

    let variables = [("TERM", "vt220"), ("LC_ALL", "C")];
    let mut console = Terminal::start(folder.path(), Path::new(PROGRAM), &arguments, &variables);
    console.agree();
    console.wait(&["Trial 1 of 2"]);
    console.press("a");
    console.wait(&["> you hear this"]);
    assert!(console.bytes().is_ascii(), "{}", console.screen());
    console.press("\x03");
    console.end();
}

/// Set in the child that panics.
const PANICS: &str = "EARWITNESS_TEST_PANICS";

#[test]
fn a_panic_gives_the_terminal_back() {
    if std::env::var_os(PANICS).is_some() {
        let _hold = earwitness::screen::terminal::Hold::take().expect("a terminal");
        let clip: [f32; 0] = [];
        // A fault as a program has it: an index that is not there.
        let first = clip[std::env::args().count() + 1];
        unreachable!("{first}");
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let this = std::env::current_exe().expect("the test's own program");
    let name = "screen::terminal::a_panic_gives_the_terminal_back";
    let mut terminal =
        Terminal::start(folder.path(), &this, &["--exact", name, "--nocapture"], &[(PANICS, "1")]);
    let (code, after) = terminal.end();
    assert_ne!(code, 0);
    let text = String::from_utf8_lossy(&terminal.bytes()).into_owned();
    assert!(text.contains("\x1b[?1049h"), "the terminal was never taken: {text}");
    assert!(
        after.contains("index out of bounds"),
        "the message has to come after the screen closed: {after}"
    );
    terminal.given_back();
}

#[test]
fn it_can_be_made_smaller_and_larger() {
    let folder = session(2);
    let mut terminal = Terminal::sitting(folder.path(), &[]);
    terminal.wait(&["The terms"]);
    for (columns, rows, words) in
        [(50, 12, "please make it larger"), (100, 30, "The terms"), (60, 20, "The terms")]
    {
        terminal.resize((columns, rows));
        terminal.wait(&[words]);
    }
    terminal.press("\x03");
    assert_eq!(terminal.end().0, 1);
}

#[test]
fn what_commands_print_breaks_between_words() {
    let folder = session(3);
    for (arguments, command) in [
        (&["check", "."][..], Some("earwitness check . --full")),
        (&["plan", "--trials", "16", "--proportion", "0.75"], None),
        (&["check", "no-such-folder-far-away-in-a-place-that-nobody-knows", "--sound-path"], None),
        (&["plan"], None),
    ] {
        let mut terminal = Terminal::start(folder.path(), Path::new(PROGRAM), arguments, &[]);
        terminal.end();
        let text = String::from_utf8(terminal.bytes()).expect("text");
        assert!(text.len() > 80, "{text}");
        for line in text.lines().map(str::trim_end) {
            assert!(line.chars().count() <= 80, "{arguments:?}: {line}");
        }
        assert!(command.is_none_or(|command| text.lines().any(|line| line.ends_with(command))), "{text}");
    }
}

#[test]
fn a_terminal_that_is_closed_ends_the_program() {
    // In the middle of the first page, just after it, and later.
    for (bytes, milliseconds) in [(1, 0), (700, 0), (1500, 0), (1500, 1), (1500, 5), (1500, 30), (1500, 300)]
    {
        closed_after(bytes, Duration::from_millis(milliseconds));
    }
}

/// Closes the terminal when so many bytes have come and so much time has passed since; the program ends in good order.
fn closed_after(bytes: usize, delay: Duration) {
    let folder = session(3);
    let pair = native_pty_system()
        .openpty(PtySize { cols: 80, rows: 24, pixel_width: 0, pixel_height: 0 })
        .expect("a pseudo-terminal");
    let mut command = CommandBuilder::new(PROGRAM);
    command.args(["run", ".", "--listener", "Mara", "--output", "silent"]);
    command.cwd(folder.path());
    command.env("TERM", "xterm-256color");
    let mut child = pair.slave.spawn_command(command).expect("the program starts");
    drop(pair.slave);
    let mut reader = pair.master.try_clone_reader().expect("a reader");
    let mut seen = 0;
    let mut buffer = [0; 4096];
    // Words are not looked for, as they come between the terminal's own orders.
    while seen < bytes {
        seen += reader.read(&mut buffer).expect("the program draws");
    }
    std::thread::sleep(delay);
    drop((reader, pair.master));
    let started = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().expect("the child can be asked") {
            break status;
        }
        if started.elapsed() > Duration::from_secs(20) {
            child.kill().expect("it can be ended");
            panic!("the program goes on without a terminal, closed after {bytes} bytes and {delay:?}");
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    assert_eq!(
        status.exit_code(),
        1,
        "no sitting was opened, and nothing panicked; closed after {bytes} bytes and {delay:?}: {status:?}"
    );
}
