//! Everything that reads what others wrote ([`targets`]), fed with what a machine changed: a message, or a value; never a panic,
//! never a long wait, never a message that a terminal acts on. Seeds are whole files of the kind; a dictionary holds what each kind
//! is made of.
//!
//! `EARWITNESS_ATTACKS=100000 cargo test --release --test main fuzz -- --nocapture` tries so many of each kind and says how many
//! were read, how many refused, and how long the slowest took. What broke something is kept in the system's folder for temporary
//! files, and its name is told. `EARWITNESS_SEEDS=DIR` writes the seeds and the dictionary for libFuzzer (`.ci/fuzz`).

#![expect(clippy::print_stdout, reason = "says what was tried to who asks with --nocapture")]

pub(crate) mod targets;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use earwitness::circuit::touchstone;
use earwitness::report::archive::{Archive, Member};
use earwitness::stats::Protocol;
use earwitness::trial::Digest;
use earwitness::trial::copy::{self, WitnessCopy};
use earwitness::trial::{register, training};

use self::targets::{DICTIONARY, Outcome, TARGETS, Target, attempt, chained, evening};
use crate::commands::material::{LCR, good_wav};
use crate::commands::photographs;
use crate::trial::kit;
use crate::trial::mutated::Dice;

/// Attacks on each kind of file where nobody asks for more.
const ATTACKS: usize = 150;
/// Words of each seed that are made very long.
const LONG_WORDS: usize = 20;
/// Nothing that is read takes longer, in a build that is not optimised on a busy machine.
const PATIENCE: Duration = Duration::from_secs(20);

fn mutated(seeds: &[Vec<u8>], dice: &mut Dice) -> Vec<u8> {
    let mut bytes = seeds[dice.below(seeds.len())].clone();
    for _ in 0..=dice.below(4) {
        let at = dice.below(bytes.len() + 1);
        let end = (at + dice.below(40)).min(bytes.len());
        match dice.below(8) {
            0 if at < bytes.len() => bytes[at] ^= 1 << dice.below(8),
            1 if at < bytes.len() => bytes[at] = [0, 1, 0x7f, 0x80, 0xff, b'9', b'-', b'e'][dice.below(8)],
            2 => drop(bytes.drain(at..end)),
            3 => {
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
            4 => bytes.truncate(at),
            5 => {
                let other = &seeds[dice.below(seeds.len())];
                let from = dice.below(other.len() + 1);
                bytes.truncate(at);
                bytes.extend_from_slice(&other[from..]);
            }
            _ => {
                let word = DICTIONARY[dice.below(DICTIONARY.len())].as_bytes();
                let until = if dice.below(2) == 0 { at } else { end };
                bytes.splice(at..until, word.iter().copied());
            }
        }
    }
    bytes
}

/// Feeds a reader, a share of the usual number of times.
pub(crate) fn attack(name: &str, share: usize, seeds: &[Vec<u8>], read: impl Fn(&[u8]) -> Outcome) {
    let asked = std::env::var("EARWITNESS_ATTACKS").ok().map(|count| count.parse().expect("a number"));
    let attacks = (asked.unwrap_or(ATTACKS) / share).max(10);
    for (number, seed) in seeds.iter().enumerate() {
        assert_eq!(read(seed), Ok(()), "{name}: seed {number} is sound");
    }
    let (mut dice, mut taken, mut slowest) = (Dice(0xea12), 0, Duration::ZERO);
    for number in 0..attacks {
        let bytes = mutated(seeds, &mut dice);
        let kept = || -> PathBuf {
            let path = std::env::temp_dir().join(format!("earwitness-fuzz-{name}-{number}"));
            std::fs::write(&path, &bytes).expect("it can be kept");
            path
        };
        let started = Instant::now();
        let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| read(&bytes)))
            .unwrap_or_else(|_| panic!("{name}: attack {number} made it panic: {}", kept().display()));
        let took = started.elapsed();
        assert!(took < PATIENCE, "{name}: attack {number} took {took:?}: {}", kept().display());
        slowest = slowest.max(took);
        taken += usize::from(outcome.is_ok());
    }
    println!("{name}: {attacks} tried, {taken} read, {} refused, slowest {slowest:?}", attacks - taken);
}

/// Feeds the reader of a kind of file.
fn attack_file(name: &str, share: usize, seeds: &[Vec<u8>]) {
    let target: &Target = TARGETS.iter().find(|target| target.name == name).expect("a target");
    if let Some(folder) = std::env::var_os("EARWITNESS_SEEDS") {
        let folder = Path::new(&folder).join(name);
        std::fs::create_dir_all(&folder).expect("a folder");
        for (number, seed) in seeds.iter().enumerate() {
            std::fs::write(folder.join(format!("seed-{number}")), seed).expect("a seed");
        }
        let words = DICTIONARY.map(|word| {
            let bytes: Vec<String> = word.bytes().map(|byte| format!("\\x{byte:02x}")).collect();
            format!("\"{}\"\n", bytes.concat())
        });
        std::fs::write(folder.with_extension("dictionary"), words.concat()).expect("a dictionary");
    }
    let folder = tempfile::tempdir().expect("a folder");
    if name == "forged" {
        std::fs::write(folder.path().join(chained::HONEST), honest()).expect("written");
    }
    attack(name, share, seeds, |bytes| attempt(target, bytes, folder.path()));
    for bytes in seeds.iter().filter_map(|seed| std::str::from_utf8(seed).ok()).flat_map(with_a_long_word) {
        let _ = attempt(target, bytes.as_bytes(), folder.path());
    }
}

/// The text once for each of some of its words, which is a very long one there: no message may repeat it whole.
fn with_a_long_word(text: &str) -> impl Iterator<Item = String> {
    let is_part = |letter: char| letter.is_alphanumeric() || letter == '.' || letter == '_';
    let mut words: Vec<&str> =
        text.split(|letter| !is_part(letter)).filter(|word| !word.is_empty()).collect();
    let every = words.len().div_ceil(LONG_WORDS).max(1);
    words = words.into_iter().step_by(every).collect();
    words.into_iter().flat_map(move |word| {
        let at = word.as_ptr() as usize - text.as_ptr() as usize;
        let with = |long: String| format!("{}{long}{}", &text[..at], &text[at + word.len()..]);
        [with("x".repeat(9000)), with("7".repeat(9000)), with(format!("{word}{}", ",x".repeat(4500)))]
    })
}

/// A sitting that nobody changed, with one trial that was disturbed.
pub(crate) fn honest() -> Vec<u8> {
    let mut scripted = kit::in_memory(&kit::full(Protocol::Abx), 91);
    scripted.disturb = Some(4);
    scripted.finish().journal.bytes
}

fn project(path: &str) -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).expect(path)
}

#[test]
fn sessions() {
    let seeds = ["bet-at-home", "club-night", "reviewer-panel"]
        .map(|name| project(&format!("sessions/{name}/session.toml")));
    attack_file("session", 1, &[&seeds[..], &[project("src/session/template.toml")]].concat());
}

#[test]
fn measured_tables() {
    let impedance = ["electrostatic", "three-way-nasty", "two-way-benign"]
        .map(|name| project(&format!("sessions/loads/{name}.csv")));
    let short = |table: &Vec<u8>| {
        let lines: Vec<&[u8]> = table.split_inclusive(|&byte| byte == b'\n').collect();
        lines
            .iter()
            .take(3)
            .chain(lines.iter().skip(3).step_by(9))
            .flat_map(|line| line.iter().copied())
            .collect()
    };
    let impedance: Vec<Vec<u8>> = impedance.iter().map(short).collect();
    attack_file("impedance", 4, &impedance);
    attack_file("lcr", 1, &[LCR.as_bytes().to_vec(), project("sessions/reviewer-panel/braid-lcr.csv")]);
    let accuracy =
        b"frequency_hz,resistance_percent,inductance_percent,capacitance_percent\n20,1,1,1\n20000,2,2,0.5\n"
            .to_vec();
    attack_file("accuracy", 1, &[accuracy]);
    let response: String = (0..30)
        .map(|row| 20.0 * 1000_f64.powf(f64::from(row) / 29.0))
        .map(|hertz| format!("{hertz:.3},{:.4},{:.3}", -hertz / 4e4, -hertz / 2e3))
        .collect::<Vec<_>>()
        .join("\n");
    let response = format!("# invented\nfrequency_hz,gain_db,phase_deg\n{response}\n").into_bytes();
    attack_file("response", 4, &[response]);
}

#[test]
fn touchstone_files() {
    let one = b"! invented\n# Hz Z RI R 50\n20 6.1 0.2\n200 7.0 3.0\n2000 6.5 -1.0\n20000 8.0 4.0\n".to_vec();
    let old =
        b"# kHz S MA R 50\n0.02 0.01 0 0.99 -1 0.99 -1 0.01 0\n20 0.02 3 0.98 -2 0.98 -2 0.02 3\n".to_vec();
    let new = b"[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 2\n[Two-Port Data Order] 12_21\n[Number of Frequencies] 2\n[Network Data]\n\
                20 0.01 0 0.99 0 0.99 0 0.01 0\n20000 0.02 0 0.98 0 0.98 0 0.02 0\n[End]\n"
        .to_vec();
    attack_file("one-port", 1, &[one]);
    // Found by libFuzzer: a word of thousands of letters was repeated whole.
    for line in
        ["# Hz Z RI R 50\n20 6.1 WORD\n", "[Reference] WORD\n", "[Number of Ports] WORD\n", "# Hz WORD\n"]
    {
        let long = line.replace("WORD", &"x".repeat(5000));
        let said = touchstone::parse(&long, "x.s1p", 1).map(|_| ()).expect_err("refused").to_string();
        assert!(said.len() < 300, "{said}");
    }
    attack_file("two-port", 1, &[old, new]);
}

/// The same sound with a chunk of remarks in front of its samples.
fn with_remarks(wav: Vec<u8>) -> Vec<u8> {
    let mut bytes = wav[..36].to_vec();
    bytes.extend(b"LIST\x04\0\0\0INFO");
    bytes.extend(&wav[36..]);
    let length = (bytes.len() as u32 - 8).to_le_bytes();
    bytes[4..8].copy_from_slice(&length);
    bytes
}

#[test]
fn sound_files() {
    attack_file("sound", 1, &[good_wav(8_000), with_remarks(good_wav(8_000))]);
}

/// A tone of a few hundredths of a second, by flac 1.4 and ffmpeg 5.1.
#[test]
fn compressed_sound() {
    let seeds = ["flac", "mp3", "ogg", "m4a"].map(|kind| project(&format!("tests/fuzz/sounds/tone.{kind}")));
    attack_file("compressed", 1, &seeds);
}

#[test]
fn photographs_and_logos() {
    attack_file("photograph", 1, &[photographs::taken(), photographs::drawn()]);
}

/// What is typed after `--receipt` and `--seal`.
#[test]
fn receipts_and_seals() {
    let digest = Digest::of(b"a receipt");
    attack_file("words", 1, &[digest.in_words().into_bytes(), digest.hex().into_bytes()]);
}

#[test]
fn journals_registers_copies_and_archives() {
    let honest = kit::in_memory(&kit::full(Protocol::Abx), 91).finish().journal.bytes;
    attack_file("journal", 1, &[honest, project("tests/journals/format-1-night.jsonl")]);
    let sat = crate::commands::sealed_inputs::sat();
    let register = std::fs::read(sat.path().join("sittings").join(register::REGISTER)).expect("a register");
    attack_file("register", 1, &[register]);
    let rows = ["first", "second"].map(|pair| training::Trained {
        utc: kit::UTC.into(),
        listener: "Ida".into(),
        session: Digest::NOTHING,
        pair: pair.into(),
        criterion: 5,
        answers: 9,
        right: 8,
        reached: 1,
        silent: true,
    });
    let lists = tempfile::tempdir().expect("a folder");
    training::append(lists.path(), &rows).expect("written");
    attack_file("training", 1, &[std::fs::read(lists.path().join(training::TRAINING)).expect("a list")]);
    let digests = ["one", "two", "three"].map(|text| Digest::of(text.as_bytes()));
    let kept = WitnessCopy {
        schema: copy::SCHEMA.into(),
        name: "Tomas".into(),
        sitting: digests[0],
        receipts: digests.to_vec(),
        opened: vec![(digests[1], digests[2])],
    };
    attack_file("copy", 1, &[serde_json::to_vec(&kept).expect("written")]);
    let archive = Archive {
        program: "x".into(),
        session: "session.toml".into(),
        members: vec![
            Member { name: "session.toml".into(), bytes: b"title = 1\n".to_vec() },
            Member { name: "sittings/register.jsonl".into(), bytes: b"{}\n".to_vec() },
        ],
        left_out: Vec::new(),
    };
    attack_file("archive", 1, &[archive.to_bytes().expect("written")]);
}

#[test]
fn tables_of_answers() {
    let ballots = b"seat,name,1,2,3,4\n31,Ada,a,b,a,-\n32,,b,b,,a\n# a remark\n33,Bel,A,B,A,B\n".to_vec();
    let other = b"seat;name;1;2;3;4\r\n31;Ada;a;b;a;b\r\n".to_vec();
    attack_file("ballots", 1, &[ballots, other]);
    attack_file("answers", 1, &[b"a b a -".to_vec(), b"abab".to_vec()]);
}

#[test]
fn evenings() {
    let seeds = evening::seeds();
    attack_file("evening", 4, &seeds);
}

#[test]
fn forged_journals() {
    let seed = chained::bodies(&honest()).join("\n").into_bytes();
    if let Some(folder) = std::env::var_os("EARWITNESS_SEEDS") {
        std::fs::write(Path::new(&folder).join(chained::HONEST), honest()).expect("a journal");
    }
    attack_file("forged", 1, &[seed]);
}
