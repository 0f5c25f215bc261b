//! Everything that reads what others wrote, each as one function of bytes: a value, or a message for people. The test beside this
//! file and libFuzzer (`libfuzzer`) call the same functions.

#[path = "chained.rs"]
pub(crate) mod chained;
#[path = "evening.rs"]
pub(crate) mod evening;

use std::path::Path;

use earwitness::ballot::paper;
use earwitness::circuit::table::{AccuracyTable, ImpedanceTable, LcrTable, ResponseTable, decode};
use earwitness::circuit::touchstone;
use earwitness::clip::{ClipSource, OpenClip};
use earwitness::report::archive::Archive;
use earwitness::stats::Protocol;
use earwitness::trial::copy::WitnessCopy;
use earwitness::trial::{Definition, Digest, journal, register, training, verify};

/// What came of an attack: `Err` is a message for people.
pub(crate) type Outcome = Result<(), String>;

/// A kind of input.
pub(crate) struct Target {
    /// One word for files and programs.
    pub(crate) name: &'static str,
    /// Reads such bytes. What is read from files only has a folder to itself.
    pub(crate) read: fn(&[u8], &Path) -> Outcome,
}

/// All of them; what a night's web server makes of bytes that are no HTTP is attacked in `night::hostile`.
pub(crate) const TARGETS: [Target; 20] = [
    Target { name: "session", read: session },
    Target { name: "impedance", read: |bytes, _| said(ImpedanceTable::parse(&decode(bytes), "z.csv")) },
    Target { name: "lcr", read: |bytes, _| said(LcrTable::parse(&decode(bytes), "lcr.csv", 3.048)) },
    Target { name: "accuracy", read: |bytes, _| said(AccuracyTable::parse(&decode(bytes), "a.csv")) },
    Target { name: "response", read: |bytes, _| said(ResponseTable::parse(&decode(bytes), "r.csv")) },
    Target { name: "one-port", read: |bytes, _| said(touchstone::parse(&decode(bytes), "x.s1p", 1)) },
    Target { name: "two-port", read: |bytes, _| said(touchstone::parse(&decode(bytes), "x.s2p", 2)) },
    Target { name: "sound", read: |bytes, folder| sound(bytes, folder, "x.wav") },
    Target { name: "compressed", read: |bytes, folder| sound(bytes, folder, "x") },
    Target { name: "photograph", read: photograph },
    Target { name: "words", read: |bytes, _| said(Digest::NOTHING.matches(&String::from_utf8_lossy(bytes))) },
    Target { name: "journal", read: journal },
    Target { name: "register", read: register },
    Target { name: "training", read: training },
    Target { name: "copy", read: copy },
    Target { name: "archive", read: archive },
    Target { name: "ballots", read: |bytes, _| said(paper::import(bytes, Definition::of(Protocol::Abx), 4)) },
    Target { name: "answers", read: answers },
    Target { name: "evening", read: evening::evening },
    Target { name: "forged", read: chained::forged },
];

/// Pieces that files are made of, and numbers that break things.
pub(crate) const DICTIONARY: [&str; 80] = [
    "0",
    "-1",
    "1e308",
    "1e-308",
    "-0",
    "nan",
    "inf",
    "5e-324",
    "99999999999999999999",
    "18446744073709551616",
    "\0",
    "\u{1b}[2J",
    "\r",
    "\n",
    "\n\n",
    "\"",
    "\\",
    "'",
    "[",
    "]",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    ",",
    ";",
    "\t",
    "#",
    "!",
    "\u{feff}",
    "\u{202e}",
    "frequency_hz",
    "magnitude_ohm",
    "phase_deg",
    "Rs (mohm)",
    "Ls [uH]",
    "Cp",
    "D",
    "# Hz S RI R 50",
    "# GHz Z MA R 0",
    "[Version] 2.0",
    "[Number of Ports] 2",
    "[Reference]",
    "[Matrix Format] lower",
    "RIFF",
    "WAVE",
    "fmt ",
    "data",
    "fact",
    "LIST",
    "\"kind\":\"closing\"",
    "\"kind\":\"hand\"",
    "\"number\":1,",
    "\"chain\":",
    "null",
    "true",
    "trials = 1000",
    "alpha = 1",
    "[cables.x]",
    "construction = \"braid\"",
    "GET / HTTP/1.1\r\n",
    "Content-Length: 4294967296\r\n",
    "Transfer-Encoding: chunked\r\n",
    "ustar",
    "host next\n",
    "host void the lights went out\n",
    "host open\n",
    "host stop\n",
    "host confirm\n",
    "host paper 31 Bel\n",
    "host 31 a b - b\n",
    "host release 1\n",
    "wait 3000\n",
    "dropout\n",
    "join {\"code\":\"x\",\"alias\":\"Ola\"}\n",
    "2 link mine\n",
    "2 hand mine\n",
    "2 vote mine\n",
    "../",
];

/// Reads, and holds what is said against what a person can use.
///
/// # Panics
/// The message is empty, endless, or holds what a terminal acts on.
pub(crate) fn attempt(target: &Target, bytes: &[u8], folder: &Path) -> Outcome {
    let outcome = (target.read)(bytes, folder);
    if let Err(message) = &outcome {
        let strange = message.chars().any(|letter| letter.is_control() || letter == '\u{202e}');
        assert!(message.len() > 8 && message.len() < 4000 && !strange, "{}: {message:?}", target.name);
    }
    outcome
}

fn said<T, E: std::fmt::Display>(result: Result<T, E>) -> Outcome {
    result.map(|_| ()).map_err(|error| earwitness::units::foreign::shown(&error.to_string()))
}

fn session(bytes: &[u8], _: &Path) -> Outcome {
    // The tables that it may name are those of the project.
    let file = Path::new(env!("CARGO_MANIFEST_DIR"))
        .ancestors()
        .map(|above| above.join("sessions/reviewer-panel/session.toml"))
        .find(|file| file.exists());
    said(earwitness::session::parse(&file.expect("the project's sessions"), &String::from_utf8_lossy(bytes)))
}

fn written(folder: &Path, name: &str, bytes: &[u8]) -> std::path::PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, bytes).expect("written");
    path
}

fn sound(bytes: &[u8], folder: &Path, name: &str) -> Outcome {
    let path = written(folder, name, bytes);
    let source = ClipSource::File { path, start_seconds: 0.0, length_seconds: None };
    said(OpenClip::open(&source).and_then(|clip| clip.read_all()))
}

/// A session whose photograph these bytes are, and its club's logo where they could be one.
fn photograph(bytes: &[u8], folder: &Path) -> Outcome {
    const SESSION: &str = "title = \"x\"\nprotocol = \"two-afc\"\nattribute = \"bright\"\nsides = \"two\"\ntrials = 4\n\
        [amplifier]\noutput_resistance = \"1 mohm\"\n[loudspeaker]\nresistance = \"8 ohm\"\n\
        [cables.one]\nconstruction = \"direct\"\n[cables.two]\nconstruction = \"direct\"\n\
        [clips.noise]\nsynth = \"pink-noise\"\nlength = \"1 s\"\n\
        [[comparisons]]\nname = \"one-two\"\na = \"one\"\nb = \"two\"\nclips = [\"noise\"]\n\
        [switcher]\nkind = \"operator\"\nterminals = [\"one\", \"two\"]\n\
        photographs = [{ file = \"rig.jpg\", caption = \"The rig\" }]\n";
    const LOGO: &str = "[club]\nname = \"Lower Mill\"\nlogo = \"rig.jpg\"\n";
    written(folder, "rig.jpg", bytes);
    let logo = if bytes.starts_with(b"\x89PNG") { LOGO } else { "" };
    written(folder, "session.toml", format!("{SESSION}{logo}").as_bytes());
    said(earwitness::session::load(folder))
}

fn journal(bytes: &[u8], _: &Path) -> Outcome {
    let read = journal::read_from(Path::new("changed"), &mut &bytes[..]);
    let sound = read.as_ref().ok().map(verify::verify);
    assert!(sound.is_none_or(|checked| !checked.is_sound() || checked.records > 0));
    said(read)
}

fn register(bytes: &[u8], folder: &Path) -> Outcome {
    written(folder, register::REGISTER, bytes);
    said(register::read(folder))
}

fn training(bytes: &[u8], folder: &Path) -> Outcome {
    written(folder, training::TRAINING, bytes);
    said(training::read(folder))
}

fn copy(bytes: &[u8], folder: &Path) -> Outcome {
    said(WitnessCopy::read(&written(folder, "copy.json", bytes)))
}

fn archive(bytes: &[u8], _: &Path) -> Outcome {
    let read = Archive::parse(bytes);
    if let Ok(read) = &read {
        assert!(read.to_bytes().expect("written") == bytes, "another spelling was read");
    }
    said(read)
}

fn answers(bytes: &[u8], _: &Path) -> Outcome {
    said(paper::answers(&String::from_utf8_lossy(bytes), Definition::of(Protocol::Abx), 4))
}
