//! The other party's passphrase: never shown, asked for again when it is wrong, on the screen and in plain lines.

use std::path::Path;

use super::rig;
use super::terminal::Terminal;
use crate::commands::PROGRAM;

const OPEN: [&str; 8] = ["run", ".", "--listener", "Mara", "--output", "silent", "--plain", "--opponent"];
const RESUME: [&str; 8] = ["run", ".", "--listener", "Mara", "--output", "silent", "--plain", "--resume"];

fn plain(folder: &Path, arguments: &[&str]) -> Terminal {
    Terminal::start(folder, Path::new(PROGRAM), arguments, &[])
}

fn shown(terminal: &Terminal) -> String {
    String::from_utf8_lossy(&terminal.bytes()).into_owned()
}

#[test]
fn a_terminal_in_plain_lines_does_not_show_it_and_a_wrong_one_is_asked_for_again() {
    crate::unless_sound_drops_out(|| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        rig::session(folder.path(), "abx", 1, "", "");
        let mut terminal = plain(folder.path(), &OPEN);
        terminal.wait(&["Press Enter: accept"]);
        terminal.press("\r");
        terminal.wait(&["What you type here is not shown"]);
        terminal.wait(&["Passphrase: Type a line"]);
        terminal.press("secret words\r");
        terminal.wait(&["The same passphrase once more"]);
        let second = shown(&terminal);
        assert_eq!(second.matches("dices").count(), 1, "only the first page offers it: {second}");
        terminal.press("secret words\r");
        terminal.wait(&["Mara, your hand"]);
        // From here on what is typed is shown again.
        terminal.press("amber river\r");
        terminal.wait(&["Another hand"]);
        let text = shown(&terminal);
        assert!(!text.contains("secret words") && text.contains("amber river"), "{text}");
        terminal.press("\x03");
        let (code, text) = terminal.end();
        assert_eq!(code, 1, "{text}");
        assert!(text.contains("the same command resumes it"), "{text}");

        let mut wrong = plain(folder.path(), &RESUME);
        for (typed, answer) in [("wrong one", "2 more tries"), ("wrong two", "one more try")] {
            wrong.wait(&["Passphrase: Type a line"]);
            wrong.press(&format!("{typed}\r"));
            wrong.wait(&[answer]);
        }
        wrong.press("wrong three\r");
        let (code, text) = wrong.end();
        assert_eq!(code, 2, "{text}");
        assert!(text.contains("the passphrase was wrong 3 times") && text.contains("asks again"), "{text}");
        assert!(!shown(&wrong).contains("wrong one"), "{text}");

        let mut right = plain(folder.path(), &RESUME);
        right.wait(&["Passphrase: Type a line"]);
        right.press("wrong one\r");
        right.wait(&["2 more tries"]);
        right.press("secret words\r");
        right.wait(&["Mara, your hand"]);
        right.press("\x03");
        assert_eq!(right.end().0, 1);
        assert!(!shown(&right).contains("secret words"));
    });
}

#[test]
fn lines_from_a_pipe_say_that_it_cannot_be_hidden() {
    crate::unless_sound_drops_out(|| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        rig::session(folder.path(), "abx", 1, "", "");
        let ran = rig::piped(
            folder.path(),
            &OPEN,
            "\nsecret words\nsecret words\n\n\n\nx\nwait 1.2\nanswer 1\nrecord\n\n",
        );
        assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
        assert!(ran.out.contains("a passphrase cannot be hidden"), "{}", ran.out);
        assert!(!ran.out.contains("secret words"), "{}", ran.out);
    });
}

#[test]
fn a_terminal_shows_again_what_is_typed_however_the_program_is_ended() {
    use rustix::process::Signal;
    let folder = tempfile::tempdir().expect("a temporary folder");
    rig::session(folder.path(), "abx", 1, "", "");
    let mut terminal = plain(folder.path(), &OPEN);
    terminal.wait(&["Press Enter: accept"]);
    terminal.press("\r");
    terminal.wait(&["Passphrase: Type a line"]);
    assert!(!terminal.shows_typing(), "a passphrase is being typed");
    // Two requests to end before the program can do anything about the first.
    for signal in [Signal::STOP, Signal::TERM, Signal::INT, Signal::CONT] {
        terminal.signal(signal);
    }
    let (code, text) = terminal.end();
    assert_ne!(code, 0, "{text}");
    assert!(terminal.shows_typing(), "the terminal was left without its echo");
}
