//! The real program's host screen and room display in pseudo-terminals, from joining to the results.

use std::io::Write;
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use super::stage::{self, Phone, join};
use crate::commands::PROGRAM;
use crate::screen::terminal::Terminal;

/// What a camera reads from the terminal's screen, each dot eight pixels wide; empty if there is nothing to read.
fn photographed(terminal: &Terminal) -> String {
    let (columns, rows, dots) = terminal.picture();
    let script = "import sys, numpy, zxingcpp\n\
        dots = numpy.frombuffer(sys.stdin.buffer.read(), numpy.uint8).reshape(int(sys.argv[1]), int(sys.argv[2]))\n\
        print(*(read.text for read in zxingcpp.read_barcodes(dots.repeat(8, 0).repeat(8, 1))), end='')\n";
    let mut reader = Command::new(crate::tool("EARWITNESS_PYTHON"))
        .args(["-c", script, &rows.to_string(), &columns.to_string()])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("Python starts");
    reader.stdin.take().expect("its input").write_all(&dots).expect("it reads");
    let output = reader.wait_with_output().expect("it ends");
    assert!(output.status.success(), "the reader of codes failed; what it said stands above");
    String::from_utf8(output.stdout).expect("text")
}

/// Presents a trial until votes are taken. One that is void since this machine stood still comes again under another name.
fn present(host: &mut Terminal, phone: &Phone) {
    let mut presented = serde_json::Value::Null;
    let started = Instant::now();
    loop {
        let state = phone.state();
        match state["phase"].as_str() {
            Some("voting") => return,
            Some("ready") if state["trial"]["id"] != presented => {
                presented = state["trial"]["id"].clone();
                host.press("\r");
            }
            _ => {}
        }
        assert!(started.elapsed() < Duration::from_secs(60), "no votes are taken: {state}");
        // No faster than a phone's page asks.
        std::thread::sleep(Duration::from_millis(900));
    }
}

#[test]
fn a_host_conducts_a_night_from_the_terminal() {
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "abx", 2, "");
    let night =
        ["night", ".", "--output", "silent", "--listen", "127.0.0.1:0", "--gap", "0.1", "--vote-time", "60"];
    let mut host = Terminal::start(folder.path(), Path::new(PROGRAM), &night, &[]);
    host.wait(&["welcome"]);
    host.wait(&["seats taken"]);
    let shown = host.screen();
    let address =
        shown.split("http://").nth(1).expect("the address").split_whitespace().next().expect("all of it");
    let (socket, code) = address.split_once("/#").expect("the code is in the address");
    let socket: SocketAddr = socket.parse().expect("an address");
    // On 24 lines the host, who types, sees the whole code for cameras.
    host.wait(&["seats taken"]);
    assert_eq!(photographed(&host), format!("http://{address}"), "{}", host.screen());
    let ida = Phone::seated(socket, &join(socket, code, "Ida", None));
    let ola = Phone::seated(socket, &join(socket, code, "Ola", None));
    host.wait(&["seats taken     2"]);

    let mut room = Terminal::start(folder.path(), Path::new(PROGRAM), &["night", ".", "--room-display"], &[]);
    room.wait(&["Take a seat"]);
    // The whole code for cameras is in view on a terminal of 24 lines.
    room.wait(&["Open on a phone"]);
    assert_eq!(photographed(&room), format!("http://{address}"), "{}", room.screen());
    assert!(room.screen().contains(code), "the code to type stands beside it:\n{}", room.screen());

    // Enter goes back from what was asked to be read, and begins nothing; an answer goes with the next word.
    host.press("status\r");
    host.wait(&["2 Ola"]);
    host.press("\r");
    host.wait(&["seats taken     2"]);
    assert!(host.screen().contains("welcome"), "{}", host.screen());
    host.press("dance\r");
    host.wait(&["\"dance\" is not"]);
    host.press("all off\r");
    host.wait(&["votes stay open"]);
    assert!(!host.screen().contains("dance"), "{}", host.screen());
    // A journal is there: nobody is told that nothing was recorded.
    host.press("\x1b");
    host.wait(&["Everything recorded is kept"]);
    host.press("n");

    host.press("\r");
    host.wait(&["joining"]);
    host.press("hand amber river\r");
    host.press("\r");
    for trial in ["Warm-up 1 of 1", "Trial 1 of 3", "Trial 2 of 3", "Trial 3 of 3"] {
        host.wait(&["next presents the trial", "next begins the trials that count"]);
        host.wait(&[trial]);
        room.wait(&[trial]);
        present(&mut host, &ida);
        host.wait(&["next closes the votes"]);
        let id = ida.state()["trial"]["id"].as_str().expect("a trial").to_owned();
        assert_eq!(ida.vote(&id, "a").status, 200);
        assert_eq!(ola.vote(&id, "b").status, 200);
        host.wait(&["2 of 2"]);
        room.wait(&["2 of 2"]);
        for screen in [host.screen(), room.screen()] {
            assert!(!screen.contains("right") && !screen.contains("Ida: "), "nothing is told:\n{screen}");
        }
        host.press("\r");
    }
    host.wait(&["next opens the seal"]);
    host.press("30 a b a\r");
    host.press("\r");
    host.wait(&["the seal is open"]);
    host.wait(&["The reveal: 1 of 8"]);
    room.wait(&["The reveal"]);
    assert!(!host.screen().contains("of 2 right"), "one step after the other:\n{}", host.screen());
    host.press("\r");
    host.wait(&["Trial 1"]);
    room.wait(&["Trial 1"]);
    host.press("results\r");
    host.wait(&["nothing was played aloud"]);
    room.wait(&["Receipt of the night"]);
    // Ended from outside, the display gives its terminal back.
    room.signal(rustix::process::Signal::TERM);
    room.end();
    room.given_back();
    host.press("\x1b");
    host.wait(&["Leave"]);
    host.press("y");
    let (status, said) = host.end();
    assert_eq!(status, 0, "{said}");
    assert!(said.contains("Highest scores:") && said.contains("Receipt of the night:"), "{said}");
    assert!(said.contains("3 listeners took part, 1 on paper"), "{said}");
}

/// A session whose stimuli cannot be made: levels cannot be matched on silence.
fn silent_clip(folder: &Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 8000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(folder.join("nothing.wav"), spec).expect("a sound file");
    for _ in 0..8000 {
        writer.write_sample(0_i16).expect("a sample");
    }
    writer.finalize().expect("a whole file");
    stage::session(folder, "abx", 2, "levels = \"matched\"");
    let file = folder.join("session.toml");
    let text = std::fs::read_to_string(&file).expect("the session");
    let text = text.replace("synth = \"slow-chord\"\nlength = \"1.2 s\"", "file = \"nothing.wav\"");
    std::fs::write(&file, text).expect("the session can be written");
}

#[test]
fn the_first_page_comes_at_once_and_says_what_cannot_be_prepared() {
    let folder = tempfile::tempdir().expect("a folder");
    silent_clip(folder.path());
    let night = ["night", ".", "--output", "silent", "--listen", "127.0.0.1:0"];
    let mut host = Terminal::start(folder.path(), Path::new(PROGRAM), &night, &[]);
    host.wait(&["The night cannot be opened"]);
    assert!(host.screen().contains("silent"), "{}", host.screen());
    host.press("\r");
    let (status, said) = host.end();
    assert_eq!(status, 2, "{said}");
    assert!(said.contains("it is silent"), "{said}");
    host.given_back();
    assert!(!folder.path().join("sittings").exists(), "nothing is on the disk");

    let run = ["run", ".", "--listener", "Ida", "--output", "silent"];
    let mut sitting = Terminal::start(folder.path(), Path::new(PROGRAM), &run, &[]);
    sitting.wait(&["The stimuli cannot be made"]);
    sitting.press("\r");
    let (status, said) = sitting.end();
    assert_eq!(status, 2, "{said}");
    assert!(said.contains("it is silent"), "{said}");
    assert!(!folder.path().join("sittings").exists(), "nothing is on the disk");
}

#[test]
fn a_host_may_leave_while_the_stimuli_are_prepared() {
    let folder = tempfile::tempdir().expect("a folder");
    stage::session(folder.path(), "abx", 2, "");
    let file = folder.path().join("session.toml");
    let text = std::fs::read_to_string(&file).expect("the session");
    let long = text.replace("length = \"1.2 s\"", "length = \"60 s\"");
    std::fs::write(&file, long).expect("the session can be written");
    let night = ["night", ".", "--output", "silent", "--listen", "127.0.0.1:0"];
    let mut host = Terminal::start(folder.path(), Path::new(PROGRAM), &night, &[]);
    host.wait(&["Preparing the stimuli"]);
    host.press("\x03");
    let (status, said) = host.end();
    assert_eq!(status, 0, "{said}");
    assert!(said.contains("nothing was opened"), "{said}");
    host.given_back();
    assert!(!folder.path().join("sittings").exists(), "nothing is on the disk");
}
